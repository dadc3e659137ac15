"""What does not fit together in the decisions, and in them and the site, told at once."""

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from daemon.agronomy.products import ProductError, substance_of
from daemon.agronomy.stages import stages_of
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.crops import Cycle, Recommendation
from daemon.decisions.measured import Calibration, Transit
from daemon.decisions.tanks import BucketTest, Mix, Portion, Product, Stock, Water
from daemon.decisions.timetable import Tonight, weekday_of
from daemon.decisions.watering import BlockState, Injection, Program, Shift
from daemon.planning.checks import Check, PlanError
from daemon.planning.decided import Decided, unknown
from daemon.planning.night import plan_run
from daemon.planning.review_crops import check_crops, check_recommendation
from daemon.planning.review_nights import check_nights
from daemon.planning.review_tanks import check_tanks
from daemon.planning.timetable import night_of
from daemon.site import Plant
from daemon.site_checks import Standing, nearest
from daemon.site_file import Inspected
from drivers.profile import Problem

_LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
_SAID_ELSEWHERE = ("pump capacity", "smallest block", "area")
"""Checks of a plan that are said at the shift and at the block."""


def check_decisions(found: Inspected, decided: Decided) -> Iterator[Problem]:
    """Yield what does not fit together in the decisions, and in them and what stands of the site."""
    if found.standing is not None:
        yield from _check_shifts(found.standing, decided)
        yield from _check_states(found.standing, decided)
        for key in decided.of(Transit):
            yield from unknown(f"transit.{key}", key, list(found.standing.names["block"]), "a block of the site")
        instruments = list(_calibrated(found.standing))
        for key, calibration in decided.of(Calibration).items():
            yield from unknown(f"calibration.{key}.instrument", calibration.instrument, instruments, "one of the site")
    yield from check_nights(found.plant, decided)
    yield from check_tanks(found.standing, decided)
    yield from check_crops(found.standing, decided)
    for key, program in decided.of(Program).items():
        yield from _check_program(found.plant, decided, key, program)


def _calibrated(standing: Standing) -> Iterator[str]:
    """Yield the names of the instruments that may be calibrated."""
    yield "main.water"
    if standing.main is None or standing.main.line_ec is not None:
        yield "main.line_ec"
    yield from (f"injector.{name}" for name in standing.names["injector"])


def _check_shifts(standing: Standing, decided: Decided) -> Iterator[Problem]:
    known, shifts = standing.names["block"], decided.of(Shift)
    for key, shift in shifts.items():
        where = f"shift.{key}.blocks"
        for name in sorted(set(shift.blocks)):
            if name not in known:
                yield Problem(where, repr(name), "a block of the site", nearest(name, known))
            if shift.blocks.count(name) > 1:
                yield Problem(where, f"{name!r} {shift.blocks.count(name)} times", "each block once")
        flows = {name: standing.block[name].flow_m3_h for name in shift.blocks if name in standing.block}
        if len(flows) == len(set(shift.blocks)):
            yield from _check_flows(standing, where, flows)
    if shifts and len(shifts) == len(decided.names(Shift)):
        for name in known:
            if not any(name in shift.blocks for shift in shifts.values()):
                yield Problem("shift", f"no shift that waters block {name}", "each block of the site in a shift")


def _check_flows(standing: Standing, where: str, flows: Mapping[str, float]) -> Iterator[Problem]:
    total_m3_h, least = sum(flows.values()), min(flows, key=lambda name: flows[name])
    pump, main = standing.pump, standing.main
    if pump is not None and total_m3_h > pump.capacity_m3_h:
        expected = f"at most pump.capacity_m3_h = {pump.capacity_m3_h:g}"
        yield Problem(where, f"blocks that take {total_m3_h:.1f} m3/h together", expected)
    share_pct = 100.0 * flows[least] / total_m3_h
    if main is not None and len(flows) > 1 and main.flow_band_pct > share_pct / 2.0:
        expected = f"at least {2.0 * main.flow_band_pct:g} %: twice main.flow_band_pct"
        hint = "A valve of a smaller share that fails shut would not be seen in the flow"
        yield Problem(where, f"{share_pct:.1f} % of the flow for block {least}", expected, hint)


def _check_states(standing: Standing, decided: Decided) -> Iterator[Problem]:
    for key, state in decided.of(BlockState).items():
        block = standing.block.get(key)
        if key not in standing.names["block"]:
            yield Problem(f"block.{key}", repr(key), "a block of the site", nearest(key, standing.names["block"]))
        if block is not None and state.area_ha is not None and state.area_ha > block.area_ha:
            yield Problem(f"block.{key}.area_ha", f"{state.area_ha:g}", f"at most the block's {block.area_ha:g} ha")


def _check_program(plant: Plant | None, decided: Decided, key: str, program: Program) -> Iterator[Problem]:
    """Yield what keeps a program from being run with all its blocks open and its tanks as they are to be made up."""
    wrong = tuple(_check_names(decided, key, program))
    yield from wrong
    shift = decided.of(Shift).get(program.shift)
    if wrong or plant is None or shift is None or not all(_stands(plant, decided, one) for one in program.injections):
        return
    if len(set(shift.blocks) & plant.site.block.keys()) < len(shift.blocks):
        return  # said at the shift
    told: set[Check] = set()
    for night in _nights_of(plant, program, _day_of(decided, program, shift)):
        try:
            plan_run(plant, _as_meant(plant, decided, program), key, "check", night)
        except PlanError as error:
            for failed in error.checks:
                if not failed.passed and failed.what not in _SAID_ELSEWHERE and failed not in told:
                    reason = failed.reason[:1].upper() + failed.reason[1:]
                    got = f"a night that fails for its {failed.what}"
                    yield Problem(f"program.{key}", got, "one that can run", reason)
                told.add(failed)


def _nights_of(plant: Plant, program: Program, first: datetime) -> list[datetime]:
    """Return a moment of each night of the week from `first` on that injects another set of stocks."""
    zone, moments = ZoneInfo(plant.site.site.zone), [first + timedelta(days=days) for days in range(7)]
    sets = {
        tuple(
            one.nights is None or weekday_of(night_of(moment, zone)) in one.nights for one in program.injections
        ): moment
        for moment in reversed(moments)
    }
    return sorted(sets.values())


def _stands(plant: Plant, decided: Decided, injection: Injection) -> bool:
    """Return whether an injection's stock and recommendation are right in themselves; what is wrong is said at them."""
    stock = decided.of(Stock).get(injection.stock)
    if stock is None or not _nutrients(decided, stock):
        return False
    if injection.recommendation is not None:
        recommendation = decided.of(Recommendation).get(injection.recommendation)
        if recommendation is None or recommendation.cycle not in decided.of(Cycle):
            return False
        if any(check_recommendation(decided, "", recommendation)):
            return False
    return any(injector.tank == stock.tank for injector in plant.site.injector.values())


def _as_meant(plant: Plant, decided: Decided, program: Program) -> Decisions:
    """Return the decisions with every block open, its tanks full of what its stocks are to be, no exceptions."""
    meant: dict[tuple[str, str], Decision] = {
        name: decision.model_copy(update={"closed_until": None}) if isinstance(decision, BlockState) else decision
        for name, decision in decided.right.items()
        if not isinstance(decision, Mix | BucketTest | Tonight)
    }
    for injection in program.injections:
        stock = decided.of(Stock)[injection.stock]
        volume_l = plant.site.tank[stock.tank].volume_l
        portions = [Portion(product=name, kg=g_l * volume_l / 1000.0) for name, g_l in stock.products_g_l.items()]
        meant["mix", f"full_{stock.tank}"] = Mix(
            tank=stock.tank,
            did="filled",
            at=_LONG_AGO,
            by="check",
            heel_l=0.0,
            stock=injection.stock,
            portions=tuple(portions),
            filled_to_l=volume_l,
        )
    return meant


def _check_names(decided: Decided, key: str, program: Program) -> Iterator[Problem]:
    """Yield what a program names and the file lacks."""
    where = f"program.{key}"
    yield from unknown(f"{where}.shift", program.shift, decided.names(Shift), "a shift of this file")
    shift = decided.of(Shift).get(program.shift)
    if shift is not None and program.meet not in ("mean", "lowest", *shift.blocks):
        expected = f"mean, lowest, or a block of shift {program.shift}: {', '.join(shift.blocks)}"
        yield Problem(f"{where}.meet", repr(program.meet), expected, nearest(program.meet, shift.blocks))
    if program.source is not None:
        yield from unknown(f"{where}.source", program.source, decided.names(Water), "a water of this file")
    for number, injection in enumerate(program.injections):
        yield from _check_injection(decided, f"{where}.injections.{number}", injection)


def _check_injection(decided: Decided, where: str, injection: Injection) -> Iterator[Problem]:
    yield from unknown(f"{where}.stock", injection.stock, decided.names(Stock), "a stock of this file")
    stock, key = decided.of(Stock).get(injection.stock), injection.recommendation
    recommendation = decided.of(Recommendation).get(key) if key is not None else None
    if key is not None:
        named, what = decided.names(Recommendation), "a recommendation of this file"
        yield from unknown(f"{where}.recommendation", key, named, what)
    holds = _nutrients(decided, stock) if stock is not None else []
    expected = ""
    if holds and injection.nutrient not in holds:
        expected = f"a nutrient of stock {injection.stock}: {', '.join(holds)}"
    elif recommendation is not None and injection.nutrient not in recommendation.needs:
        expected = f"a nutrient of recommendation {key}: {', '.join(recommendation.needs)}"
    if expected:
        yield Problem(f"{where}.nutrient", repr(injection.nutrient), expected)


def _nutrients(decided: Decided, stock: Stock) -> list[str]:
    """Return what a stock holds as it is to be made up; nothing when a product is wrong, which is said there."""
    try:
        substances = [substance_of(name, decided.of(Product)) for name in stock.products_g_l]
    except ProductError:
        return []
    return list(dict.fromkeys(nutrient for substance in substances for nutrient in substance.nutrients_g_g))


def _day_of(decided: Decided, program: Program, shift: Shift) -> datetime:
    """Return when a program asks for the most: in the stage that a recommendation gives the largest events.

    Without a recommendation it is when all of the shift's blocks have begun their crop cycles.
    """
    largest = (0.0, date.min)
    for injection in program.injections:
        recommendation = decided.of(Recommendation).get(injection.recommendation or "")
        cycle = decided.of(Cycle).get(recommendation.cycle) if recommendation is not None else None
        if recommendation is not None and cycle is not None:
            shares = recommendation.needs[injection.nutrient].shares
            for place, (share, (stage, last)) in enumerate(zip(shares, stages_of(cycle), strict=False)):
                counts = recommendation.events or ()
                events = counts[place] if place < len(counts) else (last - stage.starts).days + 1
                largest = max(largest, (share / events, stage.starts))
    cycles = (cycle.starts for cycle in decided.of(Cycle).values() if set(cycle.blocks) & set(shift.blocks))
    day = largest[1] if largest[0] else max(cycles, default=_LONG_AGO.date())
    return datetime.combine(day, time(12), UTC)
