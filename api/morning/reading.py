"""From the record to the facts of one night. Only reads."""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from api.morning.facts import (
    BY_HAND,
    FERTILISER_BY_HAND,
    BlockNight,
    Changed,
    Doubt,
    Ending,
    Missed,
    NightFacts,
    NutrientNight,
    RunNight,
    Verdict,
    Why,
)
from daemon.control.cause import Reset
from daemon.control.interlocks import BY_CODE
from daemon.control.open_run import STOPPED
from daemon.control.states import Effect
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.timetable import Timetable, Tonight
from daemon.decisions.watering import Program, Shift
from daemon.dosing.outcome import judge_dose
from daemon.evidence import Dose, DoseReconciled, StartClaimed
from daemon.folder import HISTORY
from daemon.ledger.durable import still_standing
from daemon.ledger.nights import claims_of, decided_ms, runs_marked
from daemon.ledger.reports import RunReport, events_between, runs_between
from daemon.planning.run_names import rest_mark
from daemon.planning.timetable import instant, starts_of
from daemon.recipe import Recipe, parse_recipe

_ASKED: Final = {"stopped by an operator": BY_HAND, "fertiliser stopped by an operator": FERTILISER_BY_HAND}
_BAND: Final = 0.10
"""Water is as planned within a tenth (common practice, no source), as fertiliser is."""
_VERDICTS: Final = {"DELIVERED": Verdict.FINE, "SHORT": Verdict.SHORT, "OVER": Verdict.OVER}
_DUE: Final = timedelta(minutes=5)
"""A start that the controller has not claimed so long after its time is missed."""
_DAY: Final = timedelta(days=1)
_NIGHT_MS: Final = 12 * 3_600_000
_PUMPED: Final = frozenset({"PREWET", "INJECT", "FLUSH"})
"""Phases whose water is a block's: what fills the pipes stays in them."""


def read_night(path: Path, decisions: Decisions, zone: ZoneInfo, night: date, now: datetime) -> NightFacts:
    """Return the facts of a night, as they stand now. Raises LedgerError where the record cannot be read."""
    begins, ends = (instant(datetime.combine(day, time(12)), zone) for day in (night, night + _DAY))
    reports = runs_between(path, _ms(begins), _ms(ends))
    raised = _raised(reports)
    runs = tuple(_run(path, report, raised) for report in reports)
    owing, latched = still_standing(path)
    is_newest, names = now < ends + _DAY, {run.run for run in runs}
    owed: dict[str, float] = {}
    for item in owing:
        if not is_newest and item.row.run not in names:
            continue  # what another night left is told of that one
        owed[item.row.segment] = max(owed.get(item.row.segment, 0.0), item.row.owed_ml / 1e6)
    standing = tuple(
        found.row.code
        for found in latched
        if is_newest and found.row.code in BY_CODE and BY_CODE[found.row.code].reset is not Reset.ITSELF
    )
    return NightFacts(
        night=night,
        blocks=tuple(_blocks(reports, frozenset(owed))),
        runs=runs,
        missed=tuple(_missed(path, decisions, zone, night, now, runs, reports)),
        changed=tuple(_changed(decisions, night)),
        owed_m3=owed,
        standing=standing,
    )


def _blocks(reports: Sequence[RunReport], owed: frozenset[str]) -> Iterator[BlockNight]:
    """Yield what each block was to have and got, in the order in which they were watered."""
    area_ha: dict[str, float] = {}
    planned_m3: dict[str, float] = {}
    water_m3: dict[str, float] = {}
    doses: dict[str, dict[str, list[Dose]]] = {}
    marks = [rest_mark(report.started.row.run) for report in reports]
    last = {block.block: report for report in reports if water_of(report) for block in recipe_of(report).blocks}
    for report in reports:
        recipe = recipe_of(report)
        given_m3 = water_of(report)
        # The rest of a run that was cut off is of that one's plan, and plans nothing besides.
        is_rest = any(mark in report.started.row.run for mark in marks)
        plan_m3 = 0.0 if is_rest else recipe.water_l / 1000.0
        for block in recipe.blocks:
            area_ha[block.block] = block.area_ha
            planned_m3[block.block] = planned_m3.get(block.block, 0.0) + plan_m3 * block.share
            water_m3[block.block] = water_m3.get(block.block, 0.0) + given_m3 * block.share
            of_block = doses.setdefault(block.block, {})
            is_through = block.block not in owed and last.get(block.block, report) is not report
            for dose in _doses(report, recipe, block.block):
                dose = _through(dose) if is_through else dose
                of_block.setdefault(dose.nutrient, []).append(replace(dose, planned_mg=0) if is_rest else dose)
    for name, ha in area_ha.items():
        nutrients = [_nutrient(found, ha) for found in doses[name].values()]
        nutrients.sort(key=lambda found: (found.nutrient != "N", -found.planned_kg_ha, found.nutrient))
        yield BlockNight(
            block=name,
            area_ha=ha,
            planned_m3=planned_m3[name],
            water_m3=water_m3[name],
            nutrients=tuple(found for found in nutrients if found.planned_kg_ha > 0.0 or found.delivered_kg_ha > 0.0),
            water=judge_water(water_m3[name], planned_m3[name]),
        )


def _through(dose: Dose) -> Dose:
    """Return a dose with nothing left in the lines: a later run of the night brought the block the rest of it."""
    return replace(
        dose,
        delivered_mg=dose.delivered_mg + dose.in_lines_mg,
        in_lines_mg=0,
        u_delivered_mg=max(dose.u_delivered_mg, dose.u_injected_mg),
    )


def judge_water(water_m3: float, planned_m3: float) -> Verdict:
    """Return how a block's water stands to its plan."""
    if abs(water_m3 - planned_m3) <= _BAND * planned_m3:
        return Verdict.FINE
    return Verdict.SHORT if water_m3 < planned_m3 else Verdict.OVER


def _doses(report: RunReport, recipe: Recipe, block: str) -> Iterator[Dose]:
    """Yield the run's doses of a block; what was planned and never begun among them, with nothing given."""
    stated = {dose.nutrient: dose for dose in report.stated if dose.block == block}
    yield from stated.values()
    planned = next(one.planned_mg for one in recipe.blocks if one.block == block)
    totals: dict[str, int] = {}
    for masses in planned.values():
        for nutrient, mass_mg in masses.items():
            totals[nutrient] = totals.get(nutrient, 0) + mass_mg
    for nutrient, mass_mg in totals.items():
        if nutrient not in stated:
            yield Dose(report.started.row.run, block, "", nutrient, "METER", "measured", mass_mg, 0, 0, 0, 0, 0, 0)


def _nutrient(doses: Sequence[Dose], area_ha: float) -> NutrientNight:
    """Return one nutrient of a block, its runs' bands added: what they are unsure of is largely the same."""
    whole = Dose(
        doses[0].run, doses[0].block, "", doses[0].nutrient, "METER", "measured",
        *(
            sum(getattr(dose, name) for dose in doses)
            for name in (
                "planned_mg", "injected_mg", "delivered_mg", "in_lines_mg", "lost_mg", "u_injected_mg", "u_delivered_mg"
            )
        ),
    )  # fmt: skip
    return NutrientNight(
        nutrient=whole.nutrient,
        planned_kg_ha=whole.planned_mg / 1e6 / area_ha,
        delivered_kg_ha=whole.delivered_mg / 1e6 / area_ha,
        u_kg_ha=whole.u_delivered_mg / 1e6 / area_ha,
        in_lines_kg_ha=whole.in_lines_mg / 1e6 / area_ha,
        verdict=_VERDICTS[judge_dose(whole)],
    )


def recipe_of(report: RunReport) -> Recipe:
    """Return what a run was planned to be."""
    return parse_recipe(json.loads(report.started.row.recipe))


def water_of(report: RunReport) -> float:
    """Return the m3 that a run brought to its blocks, without what filled the pipes first."""
    passed_ml = sum(phase.row.water_ml for phase in report.phases if phase.row.phase in _PUMPED)
    if report.ended is not None and report.ended.row.why == STOPPED:
        filled_ml = sum(phase.row.water_ml for phase in report.phases if phase.row.phase not in _PUMPED)
        passed_ml = max(passed_ml, report.ended.row.water_ml - filled_ml)
    return passed_ml / 1e6


def _run(path: Path, report: RunReport, raised: Mapping[str, datetime]) -> RunNight:
    recipe, ended = recipe_of(report), report.ended
    cause = _cause(report, raised)
    last_ms = report.started.at_ms if ended is None else ended.at_ms
    if ended is None or ended.row.why == STOPPED:
        run = report.started.row.run
        last_ms = runs_marked(path, run, path.with_name(HISTORY))[run].lived_ms
    phase = report.phases[-1].row.phase if report.phases else ""
    if ended is None or ended.row.why == STOPPED:
        phase = report.checkpoint.row.phase if report.checkpoint is not None else phase
    return RunNight(
        run=report.started.row.run,
        shift=report.started.row.shift,
        blocks=tuple(block.block for block in recipe.blocks),
        began=_moment(report.started.at_ms),
        last=_moment(last_ms),
        ending=_ending(report),
        phase=phase,
        cause=cause,
        at=raised.get(cause) or (_moment(ended.at_ms) if cause in _ASKED.values() and ended is not None else None),
        has_injected=any(dose.injected_mg for dose in report.metered),
        was_to_inject=any(channel.stock_l > 0.0 for channel in recipe.channels),
        doubts=tuple(doubt for row in report.reconciled if (doubt := _doubt(row.row)) is not None),
    )


def _ending(report: RunReport) -> Ending:
    if report.ended is None:
        return Ending.OPEN
    ended = report.ended.row
    if ended.why == STOPPED:
        return Ending.CUT
    return {"COMPLETE": Ending.WHOLE, "IDLE": Ending.DROPPED}.get(ended.state, Ending.STOPPED)


def _cause(report: RunReport, raised: Mapping[str, datetime]) -> str:
    """Return the first of the causes that a run was ended or left without fertiliser by: the others mostly follow."""
    if report.ended is None:
        return ""
    why = report.ended.row.why
    if why in _ASKED:
        return _ASKED[why]
    codes = [code for code in why.split(", ") if code in BY_CODE and BY_CODE[code].effect >= Effect.WATER_ONLY]
    return min(codes, key=lambda code: (code not in raised, raised.get(code), -BY_CODE[code].effect), default="")


def _raised(reports: Iterable[RunReport]) -> dict[str, datetime]:
    """Return when each cause first came in the night."""
    found: dict[str, datetime] = {}
    for report in reports:
        for alarm in report.alarms:
            found.setdefault(alarm.row.code, _moment(alarm.at_ms))
    return found


def _doubt(row: DoseReconciled) -> Doubt | None:
    causes = tuple(json.loads(row.causes))
    if not causes:
        return None

    def litres(ml: int, u_ml: int) -> float | None:
        return ml / 1000.0 if ml or u_ml else None

    return Doubt(
        channel=row.channel,
        meter_l=litres(row.meter_ml, row.u_meter_ml),
        tank_l=litres(row.tank_ml, row.u_tank_ml),
        ec_l=litres(row.ec_ml, row.u_ec_ml),
        causes=causes,
    )


def _changed(decisions: Decisions, night: date) -> Iterator[Changed]:
    shifts = of_kind(decisions, Shift)
    for found in of_kind(decisions, Tonight).values():
        if found.night == night:
            names = found.shifts or tuple(shifts)
            blocks = tuple(block for name in names if name in shifts for block in shifts[name].blocks)
            yield Changed(blocks, found.do, found.why)


def _missed(
    path: Path,
    decisions: Decisions,
    zone: ZoneInfo,
    night: date,
    now: datetime,
    runs: Sequence[RunNight],
    reports: Sequence[RunReport],
) -> Iterator[Missed]:
    """Yield what was due and did not run; what somebody had skipped is none of it."""
    claims = claims_of(path, [str(night)])
    skipped = {block for changed in _changed(decisions, night) if changed.does == "skip" for block in changed.blocks}
    has_run = {run.shift for run in runs if run.ending is not Ending.DROPPED}
    timetables, programs = of_kind(decisions, Timetable), of_kind(decisions, Program)
    shifts = of_kind(decisions, Shift)
    told: set[str] = set()
    refusals = _refusals(path, claims)
    for names, why in _due(path, timetables, claims, zone, night, now):
        for name in names:
            program = programs.get(name)
            shift = shifts.get(program.shift) if program is not None else None
            if program is None or shift is None or program.shift in has_run | told:
                continue
            told.add(program.shift)
            blocks = tuple(block for block in shift.blocks if block not in skipped)
            if any(run.shift == program.shift for run in runs):
                yield Missed(blocks, Why.AFTER)
            elif blocks and name in refusals:
                yield Missed(blocks, Why.REFUSED, *refusals[name])
            elif blocks:
                yield Missed(blocks, why)
    for report in reports:
        shift_name = report.started.row.shift
        if _ending(report) is Ending.DROPPED and shift_name not in has_run | told:
            told.add(shift_name)
            yield Missed(tuple(block.block for block in recipe_of(report).blocks), Why.AFTER)


def _due(
    path: Path,
    timetables: Mapping[str, Timetable],
    claims: Sequence[StartClaimed],
    zone: ZoneInfo,
    night: date,
    now: datetime,
) -> Iterator[tuple[Sequence[str], Why]]:
    """Yield the programs of each start whose time has come, and why they may not have run."""
    claimed = {(claim.timetable, claim.number): claim for claim in claims}
    since = decided_ms(path, Timetable.kind, _ms(now))
    for key, timetable in timetables.items():
        for start in starts_of(key, timetable, zone, night):
            claim = claimed.get((key, start.number))
            if claim is not None and claim.command:
                yield json.loads(claim.programs), Why.UNKNOWN
            elif claim is not None:
                yield timetable.programs, Why.LATE
            elif since[key] <= _ms(start.at) and start.at + _DUE <= now:
                yield timetable.programs, Why.UNKNOWN


def _refusals(path: Path, claims: Sequence[StartClaimed]) -> dict[str, tuple[str, str]]:
    """Return why programs were refused and for what, by program: as it was said in the hours after their start."""
    found: dict[str, tuple[str, str]] = {}
    for claim in claims:
        for event in events_between(path, "not-run", claim.due_ms, claim.due_ms + _NIGHT_MS):
            detail = json.loads(event.row.detail)
            for program in detail.get("programs", ()):
                found.setdefault(program, (str(detail.get("why", "")), next(iter(detail.get("failed", ())), "")))
    return found


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000.0)


def _moment(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000.0, UTC)
