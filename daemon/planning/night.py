"""From what people decided to the recipe of a run, with every check and its reason."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.agronomy.past import Past
from daemon.agronomy.showing import slope_k2_pct
from daemon.decisions.base import Decisions, sorted_by_kind
from daemon.decisions.tanks import Stock
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import CONCENTRATIONS, Injection, Program
from daemon.equipment import DisplacementTank
from daemon.hydraulics.pipes import shared_main_l
from daemon.planning.bars import Bar, barring
from daemon.planning.channels import ChannelDose, plan_channel, reach_of
from daemon.planning.charges import check_charges
from daemon.planning.checks import Check, PlanError, refused, warning
from daemon.planning.crops import check_crops, limit_to_caps, most_of_plan
from daemon.planning.doses import check_strength, prescribe
from daemon.planning.exceptions import program_on
from daemon.planning.field import Field, field_of
from daemon.planning.instruments import calibrated_pct
from daemon.planning.line_ec import check_line_ec, flush_test, line_limits, rise_ms_cm, water_of
from daemon.planning.lookup import find
from daemon.planning.rest import Rest
from daemon.planning.stocks import Drawn, draw_stocks
from daemon.planning.timetable import night_of
from daemon.planning.ways import check_cut, check_shift, check_ways, paths_of, splits_pct_of, way_of
from daemon.planning.windows import Ask, Way, Windows, lay_out
from daemon.recipe import BlockPlan, ChannelPlan, Recipe
from daemon.site import Plant, Site
from daemon.units import milligrams

_NO_PAST = Past()
_L_PER_MM_HA = 10_000.0


@dataclass(frozen=True, slots=True)
class Plan:
    """A recipe and the checks it went through; warnings among them passed."""

    recipe: Recipe
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class _Shift:
    """What a shift's water has to do with."""

    site: Site
    decisions: Decisions
    program: Program
    field: Field
    flow_m3_h: float
    water_l: float
    way: Way
    may_add: bool
    """It may take more water than it was given, where it needs that."""
    is_rest: bool


@dataclass(frozen=True, slots=True)
class _Dosed:
    """The stock of each channel, laid out over the shift's water."""

    injections: tuple[Injection, ...]
    doses: tuple[ChannelDose, ...]
    windows: Windows


def plan_run(
    plant: Plant,
    decisions: Decisions,
    program_key: str,
    run: str,
    now: datetime,
    past: Past = _NO_PAST,
    rest: Rest | None = None,
    bars: Sequence[Bar] = (),
) -> Plan:
    """Return the recipe of one run of a program that begins at `now`, which has its zone or offset.

    What people decided for tonight holds. With `rest` it is what a run that was cut off still owes. What `bars` its
    fertiliser leaves its water. Raises PlanError with every failed check.
    """
    site, decisions = plant.site, sorted_by_kind(decisions)
    night = night_of(now, ZoneInfo(site.site.zone))
    program, times = program_on(decisions, find(decisions, Program, program_key), night)
    if rest is not None:
        left = tuple(injection for injection in program.injections if injection.stock in rest.stock_l)
        program = program.model_copy(update={"injections": left})
    field = field_of(site, decisions, program.shift, now, past)
    shares = field.shares
    flow_m3_h = sum(site.block[name].flow_m3_h for name in shares)
    paths = paths_of(site, decisions, shares)
    shift = _Shift(
        site=site,
        decisions=decisions,
        program=program,
        field=field,
        flow_m3_h=flow_m3_h,
        water_l=times * _water_l(program, flow_m3_h, field) if rest is None else rest.water_m3 * 1000.0,
        way=way_of(site, paths, shares),
        may_add=times < 1.0 or rest is not None,
        is_rest=rest is not None,
    )
    stocks = draw_stocks(site, decisions, program.injections, now)
    checks: tuple[Check, ...] = ()
    barred = barring(bars, shares, {stock.channel for stock in stocks}) if stocks else ()
    if barred and rest is not None:
        raise refused("commissioning", f"no fertiliser: {'; '.join(barred)}")
    if barred:
        without = {**decisions, (Program.kind, program_key): _without_stock(find(decisions, Program, program_key))}
        plan = plan_run(plant, without, program_key, run, now, past)
        return replace(plan, checks=(warning("commissioning", f"no fertiliser: {'; '.join(barred)}"), *plan.checks))
    if rest is None:
        prescribed = prescribe(decisions, program, stocks, field)
        stock_l, checks = prescribed.stock_l, prescribed.checks
    else:
        stock_l = tuple(rest.stock_l[injection.stock] for injection in program.injections)
    dosed = _dose(shift, stocks, stock_l)
    factor, cut = limit_to_caps(decisions, program, dosed.doses, field, dosed.windows.water_l / 1000.0)
    if factor < 1.0:
        dosed, cut = _cut(shift, dosed, stocks, stock_l, factor, cut)
    windows, doses = dosed.windows, dosed.doses
    ends_l, water_m3 = _ends_l(shift, dosed), windows.water_l / 1000.0
    checks = (
        *check_shift(site, shares, flow_m3_h),
        *check_ways(site, paths, flow_m3_h),
        *windows.checks,
        *([check_cut(site, decisions, paths, shares, shift.way, _last_l(doses, ends_l))] if doses else ()),
        *(check for stock in stocks for check in stock.checks),
        *checks,
        *cut,
        *(check for dose in doses for check in dose.checks),
        *(
            ()
            if rest
            else (c for i, dose in zip(dosed.injections, doses, strict=True) for c in check_strength(i, dose, factor))
        ),
        *check_line_ec(decisions, program, doses, windows.starts_l, field),
        *check_charges(site, decisions, program_key, doses, flow_m3_h),
        *check_crops(decisions, program, doses, field, water_m3),
    )
    if not all(check.passed for check in checks):
        raise PlanError(checks)
    total_kg = _total_kg(doses)
    most_times = most_of_plan(decisions, program, doses, field, water_m3)
    splits_pct = splits_pct_of(site, shares)
    flush_ec_ms_cm, flush_most_l = flush_test(site, doses, ends_l, windows.flush_l, water_of(decisions, program))
    line_ec = line_limits(site, decisions, program, doses, windows.starts_l, field)
    return Plan(
        Recipe(
            run=run,
            shift=program.shift,
            flow_m3_h=flow_m3_h,
            main_l=shared_main_l(site.main),
            prewet_l=windows.prewet_l,
            inject_l=windows.inject_l,
            flush_l=windows.flush_l,
            water_l=windows.water_l,
            blocks=tuple(
                BlockPlan(
                    block=name,
                    area_ha=area_ha,
                    share=shares[name],
                    share_accuracy_pct=splits_pct[name],
                    drains=site.block[name].drains,
                    path=paths[name],
                    planned_mg={
                        channel: {n: milligrams(kg * shares[name]) for n, kg in masses.items()}
                        for channel, masses in total_kg.items()
                    },
                )
                for name, area_ha in field.areas_ha.items()
            ),
            channels=tuple(_channel_plans(shift, dosed, most_times)),
            source=program.source or "",
            flush_ec_ms_cm=flush_ec_ms_cm,
            flush_most_l=flush_most_l,
            inhibited_by=_inhibited_by(decisions, program_key),
            ec_seen_ms_cm=line_ec.seen,
            ec_rise_most_ms_cm=line_ec.rise_most,
            line_ec_most_ms_cm=line_ec.most,
            calibrated_pct=calibrated_pct(site, decisions, now),
        ),
        checks,
    )


def _without_stock(program: Program) -> Program:
    return program.model_copy(update={"injections": ()})


def _water_l(program: Program, flow_m3_h: float, field: Field) -> float:
    """Return the water that a program says, in litres."""
    if program.water_min is not None:
        return program.water_min / 60.0 * flow_m3_h * 1000.0
    if program.water_mm is not None:
        return program.water_mm * _L_PER_MM_HA * field.area_ha
    return (program.water_m3 or 0.0) * 1000.0


def _cut(
    shift: _Shift,
    dosed: _Dosed,
    stocks: Sequence[Drawn],
    stock_l: Sequence[float],
    factor: float,
    said: tuple[Check, ...],
) -> tuple[_Dosed, tuple[Check, ...]]:
    """Return the doses cut so that no block passes its cap; where a tank is washed out whole nothing is injected."""
    whole = [dose for dose in dosed.doses if isinstance(shift.site.injector[dose.channel], DisplacementTank)]
    if whole and factor:
        tanks = ", ".join(dose.contents.tank for dose in whole)
        reason = f"{said[0].reason}, but tank {tanks} is washed out whole: nothing is injected. Load less"
        return _dose(shift, stocks, [0.0] * len(stocks)), (warning("cap", reason),)
    return _dose(shift, stocks, [factor * litres for litres in stock_l], factor), said


def _dose(shift: _Shift, stocks: Sequence[Drawn], stock_l: Sequence[float], factor: float = 1.0) -> _Dosed:
    """Return the stock of each channel over its part of the shift's water; a channel with nothing to do is left out.

    `factor` is the part that is left of a dose that was cut: a concentration stays, and so has less water.
    """
    given = [item for item in zip(shift.program.injections, stocks, stock_l, strict=True) if item[2]]
    asks = [_ask(shift, *item, factor) for item in given]
    windows = lay_out(
        shift.water_l,
        shift.flow_m3_h,
        shift.way,
        asks,
        in_turn=shift.program.order == "in_turn",
        may_add=shift.may_add,
    )
    doses = tuple(
        plan_channel(shift.site, stock.channel, stock.contents, litres, width_l / 1000.0, shift.flow_m3_h)
        for (_, stock, litres), width_l in zip(given, windows.widths_l, strict=True)
    )
    return _Dosed(tuple(injection for injection, _, _ in given), doses, windows)


def _ask(shift: _Shift, injection: Injection, stock: Drawn, stock_l: float, factor: float) -> Ask:
    reach = reach_of(shift.site, stock.channel, stock.contents, stock_l, shift.flow_m3_h)
    is_fixed = any(getattr(injection, way) is not None for way in CONCENTRATIONS)
    given_l = None if injection.inject_m3 is None or shift.is_rest else injection.inject_m3 * 1000.0
    if given_l is not None and factor < 1.0:
        given_l = factor * given_l if is_fixed else min(given_l, reach.most_l)
    if given_l is not None and reach.is_one_rate and given_l >= reach.least_l:
        given_l = reach.least_l  # more water is not injected into
    return Ask(
        stock=injection.stock,
        given_l=given_l,
        least_l=reach.least_l,
        most_l=reach.most_l,
        is_fixed=is_fixed and given_l is not None,
        is_late=find(shift.decisions, Stock, injection.stock).position == "late",
    )


def _inhibited_by(decisions: Decisions, program_key: str) -> tuple[str, ...]:
    """Return the contacts of the timetable that names a program."""
    for timetable in decisions.values():
        if isinstance(timetable, Timetable) and program_key in timetable.programs:
            return timetable.inhibited_by
    return ()


def _total_kg(doses: Sequence[ChannelDose]) -> dict[str, dict[str, float]]:
    """Return kg by channel and nutrient for the whole shift."""
    return {
        dose.channel: {name: g_l * dose.stock_l / 1000.0 for name, g_l in dose.contents.nutrients_g_l.items()}
        for dose in doses
    }


def _ends_l(shift: _Shift, dosed: _Dosed) -> list[float]:
    """Return the water of INJECT after which each channel is done."""
    ends_l: list[float] = []
    for dose, start_l in zip(dosed.doses, dosed.windows.starts_l, strict=True):
        after_l = ends_l[-1] + shift.way.transit_l if ends_l and shift.program.order == "in_turn" else 0.0
        ends_l.append(max(start_l, after_l) + dose.inject_l)
    return ends_l


def _last_l(doses: Sequence[ChannelDose], ends_l: Sequence[float]) -> float:
    """Return the water of the window that ends last."""
    return max(zip(ends_l, (dose.inject_l for dose in doses), strict=True))[1]


def _channel_plans(shift: _Shift, dosed: _Dosed, most_times: Mapping[str, float]) -> Iterator[ChannelPlan]:
    after, water = "", water_of(shift.decisions, shift.program)
    for dose, start_l in zip(dosed.doses, dosed.windows.starts_l, strict=True):
        contents, times = dose.contents, most_times.get(dose.channel)
        yield ChannelPlan(
            channel=dose.channel,
            stock=contents.stock,
            batch=contents.batch,
            stock_l=dose.stock_l,
            ratio=dose.ratio,
            after=after,
            rinse_l=shift.way.transit_l if after else 0.0,
            hose_l=dose.hose_l,
            nutrients_g_l=dict(contents.nutrients_g_l),
            strength_accuracy_pct=contents.strength_accuracy_pct,
            ec_rise_ms_cm=rise_ms_cm(dose, water),
            start_l=start_l,
            most_l=None if times is None else dose.stock_l * times,
            ec_accuracy_pct=slope_k2_pct(contents, water),
            is_ec_measured=contents.is_measured,
        )
        after = dose.channel if shift.program.order == "in_turn" else ""
