"""The stock's front at a block's outermost emitter: each night it tells anew how long the water takes to it.

One path leads there, so its front is sharp, and half of the rise passes with the litres that are reckoned to be on the
way (H4 and H5 of the domain sheet).
"""

import math
from collections.abc import Iterator, Mapping
from typing import Final, NamedTuple

from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import Phase
from daemon.dosing.agreement import Estimate, normalised_error
from daemon.dosing.breakthrough import Front, passed, rested
from daemon.dosing.estimates import reading_pct
from daemon.recipe import BlockPlan
from daemon.site import Site

_SMEARED_PCT: Final = 3.0
"""k = 2 of where the half of a front lies that laminar tails have smeared (engineering judgement)."""
_LAG_S: Final = 10.0
"""k = 2 of what a probe at an emitter lags (engineering judgement)."""
_NO_FRONT: Final = Front()


class Seen(NamedTuple):
    """What a front that was seen says of the way to its block, in litres at the block's own flow."""

    block: str
    seen: Estimate
    planned: Estimate
    en: float
    """E_n of what was seen against the plan."""


def watched(run: Run, facts: Facts, hoses: Mapping[str, str], phase: Phase | None, water_l: float) -> Run:
    """Return the run with what its far probes showed, `water_l` having passed in the shift."""
    if not facts.far_probes or facts.dt_s <= 0.0:
        return run
    if phase is Phase.FILL and run.has_injected:  # after a dry hold nobody knows where the front is
        return run._replace(fronts={})
    fronts = dict(run.fronts)
    rise_ms_cm = _rise_ms_cm(run, hoses)
    for plan in run.recipe.blocks:
        if plan.block not in facts.far_probes:
            continue
        memory, ms_cm = fronts.get(plan.block, _NO_FRONT), facts.far_ec_ms_cm.get(plan.block)
        if run.has_injected:
            if rise_ms_cm > 0.0 or memory.rise_ms_cm > 0.0:
                fronts[plan.block] = passed(memory, rise_ms_cm, ms_cm, water_l * plan.share)
        elif phase is Phase.PREWET and ms_cm is not None:
            fronts[plan.block] = rested(memory, ms_cm, facts.dt_s)
    return run._replace(fronts=fronts)


def _rise_ms_cm(run: Run, hoses: Mapping[str, str]) -> float:
    """Return the rise by the channels whose stock has begun to enter the main; a hose may hold another batch first."""
    return sum(
        plan.ec_rise_ms_cm
        for plan in run.recipe.channels
        if run.channels[plan.channel].injected_l > (0.0 if hoses.get(plan.channel) == plan.batch else plan.hose_l)
    )


def seen_of(site: Site, run: Run) -> Iterator[Seen]:
    """Yield what the fronts that were seen say of pipes and flow."""
    meter_pct = reading_pct(run.recipe.calibrated_pct, "main.water", site.main.water)
    for plan in run.recipe.blocks:
        front = run.fronts.get(plan.block, _NO_FRONT)
        if not front.has_arrived:
            continue
        litres = front.arrived_l
        relative = math.hypot(meter_pct, plan.share_accuracy_pct, _SMEARED_PCT) / 100.0
        seen = Estimate(litres, math.hypot(relative * litres, front.step_l, _lag_l(run, plan)))
        planned = Estimate(plan.path.transit_l, plan.path.accuracy_pct / 100.0 * plan.path.transit_l)
        yield Seen(plan.block, seen, planned, normalised_error(seen, planned))


def _lag_l(run: Run, plan: BlockPlan) -> float:
    return _LAG_S * run.recipe.flow_m3_h * plan.share / 3.6
