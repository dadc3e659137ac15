"""From what people decided to the recipe of a run, with every check and its reason."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from daemon.agronomy.past import Past
from daemon.decisions.base import Decisions
from daemon.decisions.watering import Program
from daemon.hydraulics.pipes import line_path, shared_main_l
from daemon.planning.channels import ChannelDose, plan_channel
from daemon.planning.checks import Check, PlanError
from daemon.planning.crops import check_crops, most_of_plan
from daemon.planning.doses import check_strength, prescribe
from daemon.planning.field import field_of
from daemon.planning.lookup import find
from daemon.planning.stocks import draw_stocks
from daemon.recipe import BlockPlan, ChannelPlan, Recipe
from daemon.site import Plant, Site
from daemon.units import milligrams

_NO_PAST = Past()
_LEAST_SPLIT_PCT = 10.0
"""With one main meter the split between blocks is not known better (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe and the checks it went through; warnings among them passed."""

    recipe: Recipe
    checks: tuple[Check, ...]


def plan_run(
    plant: Plant, decisions: Decisions, program_key: str, run: str, now: datetime, past: Past = _NO_PAST
) -> Plan:
    """Return the recipe of one run of a program that begins at `now`, which has its zone or offset.

    Raises PlanError with every failed check.
    """
    site = plant.site
    program = find(decisions, Program, program_key)
    field = field_of(site, decisions, program.shift, now, past)
    blocks, shares = {name: site.block[name] for name in field.areas_ha}, field.shares
    flow_m3_h = sum(block.flow_m3_h for block in blocks.values())
    stocks = draw_stocks(site, decisions, program.injections, now)
    prescribed = prescribe(decisions, program, stocks, field)
    given = [
        (injection, plan_channel(site, stock.channel, stock.contents, stock_l, injection.inject_m3, flow_m3_h))
        for injection, stock, stock_l in zip(program.injections, stocks, prescribed.stock_l, strict=True)
        if stock_l
    ]
    doses = [dose for _, dose in given]

    main_l = shared_main_l(site.main)
    paths = {name: line_path(block, shares[name] * main_l) for name, block in blocks.items()}
    transit_l = max(paths[name].transit_l / shares[name] for name in blocks)
    in_turn = program.order == "in_turn"
    rinse_l = transit_l if in_turn else 0.0
    inject_l = _water_of(doses, rinse_l, in_turn)
    flush_l = transit_l * site.limits.flush_factor if doses else 0.0
    water_l = program.water_m3 * 1000.0
    prewet_l = water_l - inject_l - flush_l
    checks = (
        *_water_checks(site, doses, shares, flow_m3_h, transit_l, prewet_l, water_l),
        *(check for stock in stocks for check in stock.checks),
        *prescribed.checks,
        *(check for injection, dose in given for check in (*dose.checks, *check_strength(injection, dose))),
        *check_crops(decisions, program, doses, field),
    )
    if not all(check.passed for check in checks):
        raise PlanError(checks)
    total_kg = _total_kg(doses)
    most_times = most_of_plan(decisions, program, doses, field)
    splits_pct = _splits_pct(site, shares)
    return Plan(
        Recipe(
            run=run,
            shift=program.shift,
            flow_m3_h=flow_m3_h,
            main_l=main_l,
            prewet_l=prewet_l,
            inject_l=inject_l,
            flush_l=flush_l,
            water_l=water_l,
            blocks=tuple(
                BlockPlan(
                    block=name,
                    area_ha=area_ha,
                    share=shares[name],
                    share_accuracy_pct=splits_pct[name],
                    drains=blocks[name].drains,
                    path=paths[name],
                    planned_mg={
                        channel: {n: milligrams(kg * shares[name]) for n, kg in masses.items()}
                        for channel, masses in total_kg.items()
                    },
                )
                for name, area_ha in field.areas_ha.items()
            ),
            channels=tuple(
                _channel_plan(
                    dose, doses[i - 1].channel if in_turn and i else "", rinse_l, most_times.get(dose.channel)
                )
                for i, dose in enumerate(doses)
            ),
            source=program.source or "",
        ),
        checks,
    )


def _water_of(doses: Sequence[ChannelDose], rinse_l: float, in_turn: bool) -> float:
    """Return the water of the whole of INJECT."""
    if not in_turn:
        return max((dose.inject_l for dose in doses), default=0.0)
    return sum(dose.inject_l for dose in doses) + rinse_l * max(0, len(doses) - 1)


def _water_checks(
    site: Site,
    doses: Sequence[ChannelDose],
    shares: Mapping[str, float],
    flow_m3_h: float,
    transit_l: float,
    prewet_l: float,
    water_l: float,
) -> tuple[Check, ...]:
    band_pct, least_pct = site.main.flow_band_pct, 100.0 * min(shares.values())
    reason = (
        f"a valve that fails shut shows in the flow only where the smallest block's share ({least_pct:.0f} %) is at "
        f"least twice main.flow_band_pct ({band_pct:g} %)"
    )
    checks: tuple[Check, ...] = (Check("smallest block", len(shares) == 1 or least_pct >= 2.0 * band_pct, reason),)
    if site.pump is not None:
        reason = f"the shift takes {flow_m3_h:.1f} m3/h and the pump gives at most {site.pump.capacity_m3_h:g} m3/h"
        checks += (Check("pump capacity", flow_m3_h <= site.pump.capacity_m3_h, reason),)
    if doses:
        least_m3 = (water_l - prewet_l + transit_l) / 1000.0
        reason = (
            f"pre-wet {prewet_l / 1000.0:.1f} m3 must reach the outermost emitter ({transit_l / 1000.0:.1f} m3): "
            f"this program needs at least {least_m3:.1f} m3 of water"
        )
        checks += (Check("pre-wet", prewet_l >= transit_l, reason),)
    return checks


def _total_kg(doses: Sequence[ChannelDose]) -> dict[str, dict[str, float]]:
    """Return kg by channel and nutrient for the whole shift."""
    return {
        dose.channel: {name: g_l * dose.stock_l / 1000.0 for name, g_l in dose.contents.nutrients_g_l.items()}
        for dose in doses
    }


def _splits_pct(site: Site, shares: Mapping[str, float]) -> dict[str, float]:
    """Return the k = 2 of each block's share, in percent of it.

    A share is q_i over the sum of all q: its relative change is (1 - s_i) of its own and -s_j of every other flow's.
    """
    if len(shares) == 1:
        return dict.fromkeys(shares, 0.0)
    accuracy = {name: site.block[name].flow_accuracy_pct for name in shares}
    return {
        name: max(
            _LEAST_SPLIT_PCT,
            math.hypot(*((1.0 - share if other == name else -s) * accuracy[other] for other, s in shares.items())),
        )
        for name, share in shares.items()
    }


def _channel_plan(dose: ChannelDose, after: str, rinse_l: float, most_times: float | None) -> ChannelPlan:
    contents = dose.contents
    return ChannelPlan(
        channel=dose.channel,
        stock=contents.stock,
        batch=contents.batch,
        stock_l=dose.stock_l,
        ratio=dose.ratio,
        after=after,
        rinse_l=rinse_l if after else 0.0,
        hose_l=dose.hose_l,
        nutrients_g_l=dict(contents.nutrients_g_l),
        strength_accuracy_pct=contents.strength_accuracy_pct,
        ec_rise_ms_cm=dose.line_g_l * contents.ec_ms_cm_per_g_l,
        most_l=None if most_times is None else dose.stock_l * most_times,
    )
