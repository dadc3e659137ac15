"""From what people decided to the recipe of a run, with every check and its reason."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeVar

from daemon.decisions import BlockState, Decision, Injection, Program, Shift, Stock
from daemon.hydraulics.pipes import line_path, shared_main_l
from daemon.planning.channels import ChannelDose, plan_channel
from daemon.planning.checks import Check, PlanError, refused
from daemon.recipe import BlockPlan, ChannelPlan, Recipe
from daemon.site import Plant, Site
from daemon.units import milligrams

Decisions = Mapping[tuple[str, str], Decision]
"""The newest version of each decision by (kind, key)."""

Kind = TypeVar("Kind", bound=Decision)

_MIX_LOSS = 0.96
"""Salts together conduct a little less than their sum; computed with PHREEQC (DEVELOPERS.md, domain sheet)."""
_LEAST_SPLIT_PCT = 10.0
"""With one main meter the split between blocks is not known better (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe and the checks it went through; warnings among them passed."""

    recipe: Recipe
    checks: tuple[Check, ...]


def plan_run(plant: Plant, decisions: Decisions, program_key: str, run: str, today: date) -> Plan:
    """Return the recipe of one run of a program on the site's day `today`.

    Raises PlanError with every failed check.
    """
    site = plant.site
    program = _find(decisions, Program, program_key)
    areas_ha = _areas_in_use(site, decisions, program.shift, today)
    blocks = {name: site.block[name] for name in areas_ha}
    flow_m3_h = sum(block.flow_m3_h for block in blocks.values())
    stocks = [_stock_of(site, decisions, injection) for injection in program.injections]
    doses = [
        plan_channel(site, channel, injection, stock, sum(areas_ha.values()), flow_m3_h)
        for injection, (channel, stock) in zip(program.injections, stocks, strict=True)
    ]
    twice = {dose.channel for dose in doses if [d.channel for d in doses].count(dose.channel) > 1}
    if twice:
        raise refused("injector", f"program {program_key} injects twice with injector {', '.join(sorted(twice))}")

    shares = {name: block.flow_m3_h / flow_m3_h for name, block in blocks.items()}
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
        *(c for d in doses for c in d.checks),
    )
    if not all(check.passed for check in checks):
        raise PlanError(checks)
    total_kg = _total_kg(doses, [stock for _, stock in stocks])
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
                for name, area_ha in areas_ha.items()
            ),
            channels=tuple(
                _channel_plan(dose, injection.stock, stock, doses[i - 1].channel if in_turn and i else "", rinse_l)
                for i, (dose, injection, (_, stock)) in enumerate(zip(doses, program.injections, stocks, strict=True))
            ),
        ),
        checks,
    )


def _areas_in_use(site: Site, decisions: Decisions, shift_key: str, today: date) -> dict[str, float]:
    """Return the hectares in use of each block of the shift that is open today."""
    names = _find(decisions, Shift, shift_key).blocks
    unknown = [name for name in names if name not in site.block]
    if unknown:
        raise refused("blocks", f"shift {shift_key} names blocks the site lacks: {unknown}")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise refused("blocks", f"shift {shift_key} names blocks twice: {twice}")
    areas_ha: dict[str, float] = {}
    for name in names:
        state = decisions.get(("block", name))
        area_ha = site.block[name].area_ha
        if isinstance(state, BlockState):
            if state.closed_until is not None and today < state.closed_until:
                continue
            if state.area_ha is not None and state.area_ha > area_ha:
                raise refused(
                    "area", f"block {name} has {area_ha:g} ha, and {state.area_ha:g} ha are said to be in use"
                )
            area_ha = state.area_ha or area_ha
        areas_ha[name] = area_ha
    if not areas_ha:
        raise refused("blocks", f"every block of shift {shift_key} is closed today")
    return areas_ha


def _stock_of(site: Site, decisions: Decisions, injection: Injection) -> tuple[str, Stock]:
    """Return the channel and the stock of an injection."""
    stock = _find(decisions, Stock, injection.stock)
    channel = next((name for name, injector in site.injector.items() if injector.tank == stock.tank), None)
    if channel is None:
        raise refused("injector", f"no injector draws from tank {stock.tank} of stock {injection.stock}")
    if injection.nutrient not in stock.nutrients_g_l:
        holds = ", ".join(stock.nutrients_g_l)
        raise refused("nutrient", f"stock {injection.stock} holds no {injection.nutrient}; it holds {holds}")
    return channel, stock


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


def _total_kg(doses: Sequence[ChannelDose], stocks: Sequence[Stock]) -> dict[str, dict[str, float]]:
    """Return kg by channel and nutrient for the whole shift."""
    return {
        dose.channel: {name: g_l * dose.stock_l / 1000.0 for name, g_l in stock.nutrients_g_l.items()}
        for dose, stock in zip(doses, stocks, strict=True)
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


def _channel_plan(dose: ChannelDose, key: str, stock: Stock, after: str, rinse_l: float) -> ChannelPlan:
    return ChannelPlan(
        channel=dose.channel,
        stock=key,
        batch=stock.batch,
        stock_l=dose.stock_l,
        ratio=dose.ratio,
        after=after,
        rinse_l=rinse_l if after else 0.0,
        hose_l=dose.hose_l,
        nutrients_g_l=dict(stock.nutrients_g_l),
        strength_accuracy_pct=stock.strength_accuracy_pct,
        ec_rise_ms_cm=dose.line_g_l * stock.ec_ms_cm_per_g_l * _MIX_LOSS,
    )


def _find(decisions: Decisions, kind: type[Kind], key: str) -> Kind:
    found = decisions.get((kind.kind, key))
    if isinstance(found, kind):
        return found
    known = sorted(name for known_kind, name in decisions if known_kind == kind.kind)
    raise refused(kind.kind, f"no {kind.kind} named {key!r}; known: {', '.join(known) or 'none yet'}")
