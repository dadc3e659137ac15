"""What a run's witnesses came to, channel by channel: the meter, the tank's level and the line's EC side by side."""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from daemon.control.block_line import moved_on
from daemon.control.lines import Lines
from daemon.control.run import ChannelRun, Run
from daemon.dosing.agreement import Estimate
from daemon.dosing.estimates import Stated, dose_rows, k2_of_class_pct, reading_pct
from daemon.dosing.pulse import Pulse, less_drift
from daemon.dosing.reconcile import Finding, Witnesses, reconcile, with_strength
from daemon.equipment import DisplacementTank, Signal, Tank
from daemon.evidence import Dose, DoseReconciled
from daemon.planning.displacement import WASHED_OUT
from daemon.recipe import ChannelPlan, Recipe
from daemon.site import Site
from daemon.units import millilitres

_LEAST_L: Final = 0.001
_LEVEL_L: Final = 0.5
"""k = 2 of a mean level, for what waves leave of it (engineering judgement)."""
_OF_SPAN: Final = 0.5
"""Part of a class of span that a difference of two levels sees: the rest is the gauge's zero (eng. judgement)."""
_ZERO: Final = 0.05
"""k = 2 of the line's EC before the injection, in parts of the least rise that its probes can tell (eng. judgement)."""
_MOST_BLIND: Final = 0.2
"""A pulse of which more of the water passed unseen says nothing (engineering judgement)."""
_CLEAR_S: Final = 60.0
"""So long into FLUSH its EC is the water's again, where half of the flush has passed (engineering judgement)."""

_TAIL_S: Final = 15.0
"""Water of so long may still bring stock to the probe once nothing is injected (engineering judgement: the way to it,
and its own slowness)."""

_NO_PROBES = "no EC probes before and behind the injection"
_BLIND_TO = "EC cannot see this product"
_TOO_WEAK = "the rise is less than the probes can tell"
_NOT_BEFORE = "the line's EC could not be read before the injection"
_UNREAD = "the line's EC could not be read"
_UNCOUNTED = "the main meter did not count all the water"
_NOT_WASHED_OUT = "a displacement tank tells its load alone, once it is washed out"
_NO_LEVEL = "the tank has no level"
_SHARED = "the tank feeds another channel as well"
_MOVED = "the tank's level jumped"
_LEVEL_UNREAD = "the tank's level could not be read"


class Told(NamedTuple):
    """What was found of a run."""

    doses: tuple[Dose, ...]
    """By TANK and EC, where they speak."""
    reconciled: tuple[DoseReconciled, ...]


def told_of(site: Site, run: Run, lines: Lines) -> Told:
    """Return the doses by tank and EC, and what all estimates say together, for a run at its end."""
    if not run.has_injected:
        return Told((), ())
    doses: list[Dose] = []
    reconciled: list[DoseReconciled] = []
    for plan in run.recipe.channels:
        if run.channels[plan.channel].injected_l <= 0.0:
            continue
        witnesses = witnesses_of(site, run, plan, is_blind=lines.is_blind)
        reconciled.append(_row(run.recipe.run, plan.channel, witnesses, reconcile(witnesses)))
        for name, found in (("TANK", witnesses.tank), ("EC", witnesses.ec)):
            if found is not None:
                doses += _doses(run, lines, plan, name, found, witnesses)
    return Told(tuple(doses), tuple(reconciled))


def witnesses_of(site: Site, run: Run, plan: ChannelPlan, *, is_blind: bool) -> Witnesses:
    """Return what speaks of one channel's stock so far. `is_blind`: water passed that the main meter did not count."""
    channel = run.channels[plan.channel]
    tank, tank_silent = _by_level(site, run, plan, channel)
    ec, ec_silent, beside = (None, _UNCOUNTED, ()) if is_blind else _by_ec(site, run, plan)
    return Witnesses(
        meter=_by_meter(site, run, plan.channel),
        tank=tank,
        ec=ec,
        strength_pct=plan.strength_accuracy_pct,
        is_by_bucket=plan.is_ec_measured,
        idle_l=channel.level.idle_l if tank is not None else 0.0,
        idle_s=channel.level.idle_s,
        tank_silent=tank_silent,
        ec_silent=ec_silent,
        beside=beside,
    )


def _by_meter(site: Site, run: Run, channel: str) -> Estimate:
    meter, injected_l = site.injector[channel].meter, run.channels[channel].injected_l
    meter_l = reading_pct(run.recipe.calibrated_pct, f"injector.{channel}", meter) / 100.0 * injected_l
    return Estimate(injected_l, math.hypot(meter_l, meter.per_count or _LEAST_L))


def _by_level(site: Site, run: Run, plan: ChannelPlan, channel: ChannelRun) -> tuple[Estimate | None, str]:
    name = site.injector[plan.channel].tank
    gauge = site.tank[name].content
    if isinstance(site.injector[plan.channel], DisplacementTank):
        return _by_load(site.tank[name], channel)
    if gauge is None:
        return None, _NO_LEVEL
    if any(site.injector[other].tank == name for other in run.channels if other != plan.channel):
        return None, _SHARED
    if channel.level.is_lost:
        return None, _MOVED
    if not channel.level.is_known:
        return None, _LEVEL_UNREAD
    drawn_l = channel.injected_l + channel.level.more_l
    return Estimate(drawn_l, _level_u_l(gauge, drawn_l)), ""


def _by_load(tank: Tank, channel: ChannelRun) -> tuple[Estimate | None, str]:
    """Return what was loaded into a displacement tank, once it is washed out, whatever its meter counted."""
    load_l = tank.volume_l
    if channel.injected_l < WASHED_OUT * load_l:
        return None, _NOT_WASHED_OUT
    left_l = (1.0 - WASHED_OUT) * load_l  # may still be in it, and a tank is less than fully mixed
    return Estimate(load_l - 0.5 * left_l, left_l), ""


def _level_u_l(gauge: Signal, drawn_l: float) -> float:
    """Return the k = 2 of the difference of two levels.

    A gauge is bent along its span and not jagged. Bent as a sine it shows a difference wrong by the chord of that sine:
    by all of it for half of the span, and by little for little.
    """
    part = min(0.5, abs(drawn_l) / gauge.span) if gauge.span else 0.5
    bend_l = k2_of_class_pct(gauge.accuracy_pct_of_span) / 100.0 * gauge.span * _OF_SPAN
    chord_l = math.sqrt(2.0) * bend_l * math.sin(math.pi * part)
    gain_l = k2_of_class_pct(gauge.accuracy_pct_of_reading) / 100.0 * abs(drawn_l)
    return math.hypot(chord_l, gain_l, math.sqrt(2.0) * _LEVEL_L)


def _by_ec(site: Site, run: Run, plan: ChannelPlan) -> tuple[Estimate | None, str, tuple[str, ...]]:
    """Return the channel's stock by the line's EC, less what the meters say of channels that EC cannot part from it."""
    recipe, probe = run.recipe, site.main.line_ec
    if recipe.ec_seen_ms_cm <= 0.0 or probe is None:
        return None, _NO_PROBES, ()
    if plan.ec_rise_ms_cm <= 0.0:
        return None, _BLIND_TO, ()
    if plan.ec_rise_ms_cm < recipe.ec_seen_ms_cm:
        return None, _TOO_WEAK, ()
    if run.rise.before_ms_cm is None:
        return None, _NOT_BEFORE, ()
    names, pulses = _of_group(run.pulses, plan.channel)
    water_l, blind_l = sum(pulse.water_l for pulse in pulses), sum(pulse.blind_l for pulse in pulses)
    if water_l <= 0.0 or blind_l > _MOST_BLIND * (water_l + blind_l):
        return None, _UNREAD, ()
    drift_ms_cm = _drift_ms_cm(run)
    seen = sum(less_drift(pulse, drift_ms_cm) for pulse in pulses) * _swollen(site, recipe, names)
    blind = seen * blind_l / water_l
    spread = [
        reading_pct(recipe.calibrated_pct, "main.line_ec", probe) / 100.0 * seen,
        reading_pct(recipe.calibrated_pct, "main.water", site.main.water) / 100.0 * seen,
        blind,
        (_ZERO * recipe.ec_seen_ms_cm + 0.5 * abs(drift_ms_cm)) * water_l,
        sum(other.ec_rise_ms_cm for other in recipe.channels if other.channel in names) * _tail_l(run),
    ]
    own = seen + blind
    for other in recipe.channels:
        if other.channel not in names:
            continue
        made = _per_l(other) * run.channels[other.channel].injected_l
        spread.append(other.ec_accuracy_pct / 100.0 * made)
        if other.channel != plan.channel:
            own -= made
            metered = _by_meter(site, run, other.channel)
            spread.append(with_strength(metered, other.strength_accuracy_pct).u * _per_l(other))
    beside = tuple(sorted(names - {plan.channel}))
    return Estimate(own / _per_l(plan), max(_LEAST_L, math.hypot(*spread) / _per_l(plan))), "", beside


def _tail_l(run: Run) -> float:
    """Return the water that may still bring stock to the probe: a run that stands still never shows the end of it."""
    return max(0.0, run.recipe.flow_m3_h / 3.6 * _TAIL_S - run.since_injected_l)


def _swollen(site: Site, recipe: Recipe, names: frozenset[str]) -> float:
    """Return how much more passes the probe than the meter ahead of it counts: the stock itself."""
    added = [plan.ratio for plan in recipe.channels if plan.channel in names]
    is_pumped = not any(isinstance(site.injector[name], DisplacementTank) for name in names)
    return 1.0 + sum(added) if is_pumped else 1.0


def _per_l(plan: ChannelPlan) -> float:
    """Return what a litre of the stock makes, in mS/cm times litres."""
    return plan.ec_rise_ms_cm / plan.ratio


def _of_group(pulses: Mapping[frozenset[str], Pulse], channel: str) -> tuple[frozenset[str], Sequence[Pulse]]:
    """Return the channels whose stock was in the line together with this one's, directly or not, and the pulses."""
    names = frozenset([channel])
    while True:
        joined = names.union(*[group for group in pulses if group & names])
        if joined == names:
            return names, [pulse for group, pulse in pulses.items() if group & names]
        names = joined


def _drift_ms_cm(run: Run) -> float:
    """Return by how much the line's EC, with the stock gone, differs from what it was before; 0 while not known."""
    is_clear = run.since_injected_l >= 0.5 * run.recipe.flush_l and run.rise.seen_s >= _CLEAR_S
    return run.rise.ms_cm - (run.rise.before_ms_cm or 0.0) if is_clear and run.rise.is_known else 0.0


def _doses(
    run: Run, lines: Lines, plan: ChannelPlan, name: str, found: Estimate, witnesses: Witnesses
) -> Iterable[Dose]:
    metered_l = run.channels[plan.channel].injected_l
    is_own_strength = name == "EC" and not witnesses.is_by_bucket
    own_pct = 100.0 * found.u / abs(found.value) if found.value else 0.0
    accuracy_pct = own_pct if is_own_strength else math.hypot(own_pct, plan.strength_accuracy_pct)
    stated = Stated(name, found.value, accuracy_pct)
    for block in run.recipe.blocks:
        yield from dose_rows(
            run.recipe.run,
            block,
            plan,
            stated,
            moved_on(lines.pipes[plan.channel, block.block]).way,
            "measured",
            times=found.value / metered_l,
            is_blind=lines.is_blind,
            is_drained=block.drains,
        )


def _row(run: str, channel: str, witnesses: Witnesses, finding: Finding) -> DoseReconciled:
    def u_ml(estimate: Estimate | None, *, knows_strength: bool = False) -> int:
        if estimate is None:
            return 0
        return millilitres((estimate if knows_strength else with_strength(estimate, witnesses.strength_pct)).u)

    def value_ml(estimate: Estimate | None) -> int:
        return 0 if estimate is None else millilitres(estimate.value)

    return DoseReconciled(
        run=run,
        channel=channel,
        meter_ml=value_ml(witnesses.meter),
        u_meter_ml=u_ml(witnesses.meter),
        tank_ml=value_ml(witnesses.tank),
        u_tank_ml=u_ml(witnesses.tank),
        ec_ml=value_ml(witnesses.ec),
        u_ec_ml=u_ml(witnesses.ec, knows_strength=not witnesses.is_by_bucket),
        dose_ml=value_ml(finding.dose),
        u_dose_ml=millilitres(finding.dose.u),
        volume_en_thousandths=round(1000.0 * (finding.volume_en or 0.0)),
        strength_en_thousandths=round(1000.0 * (finding.strength_en or 0.0)),
        tank_silent=witnesses.tank_silent,
        ec_silent=witnesses.ec_silent,
        causes=json.dumps(finding.causes),
        beside=json.dumps(witnesses.beside),
    )
