"""Runs: their list, and one run with its phases, doses and what the estimates say of them."""

import json
from collections.abc import Iterator
from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import StreamingResponse

from api.access.guard import VIEW, allow
from api.access.roles import ANYBODY
from api.farm import Farm, TheFarm, moment
from api.problems import Refused
from api.shapes import CubicMetres, Cursor, Kilograms, Limit, Litres, Moment, Page, Seconds, Shape
from api.sheet import sheet
from daemon.dosing.outcome import judge_dose
from daemon.evidence import Dose, DoseReconciled
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.reading import Stamped
from daemon.ledger.reports import RunReport, RunSummary, last_runs, newest_runs, run_report

router = APIRouter(prefix="/runs", tags=["runs"])
_Run = Annotated[str, Path(pattern=r"^[A-Za-z0-9~_-]{1,120}$", description="Its id, as the list has it.")]


class OneRun(Shape):
    """A run in the list."""

    run: str
    shift: str
    began: Moment
    ended: Moment | None
    """Null while it goes on, and after a crash in it."""
    state: str | None
    """ISA-88's word for how the procedure ended."""
    outcome: str | None
    """DELIVERED, SHORT, OVER or NOT_RUN."""
    why: str
    water_m3: CubicMetres | None


class OnePhase(Shape):
    """A phase that is over."""

    phase: str
    ended: Moment
    lasted_s: Seconds
    water_m3: CubicMetres
    stock_l: Litres
    why: str


class OneDose(Shape):
    """What a block received of a nutrient, by all estimates together, each with its k = 2."""

    block: str
    nutrient: str
    """Elemental."""
    outcome: str
    planned_kg: Kilograms
    injected_kg: Kilograms
    delivered_kg: Kilograms
    in_lines_kg: Kilograms
    lost_kg: Kilograms
    u_injected_kg: Kilograms
    u_delivered_kg: Kilograms


class OneVolume(Shape):
    """A channel's stock by one estimate."""

    litres: Litres
    u_k2_litres: Litres


class OneEstimate(Shape):
    """What a channel's independent estimates say of its stock."""

    channel: str
    meter: OneVolume | None
    tank: OneVolume | None
    ec: OneVolume | None
    together: OneVolume
    volume_en: float
    """Normalised error of the meter against the tank (ISO 13528); 0 where the tank is silent."""
    strength_en: float
    """Of EC against the volume; 0 where EC is silent."""
    tank_silent: str
    ec_silent: str
    causes: list[str]
    """What is likely wrong, the likeliest first."""


class WholeRun(OneRun):
    """A run."""

    recipe: dict[str, Any]
    """What it was planned to be (ISA-88's control recipe)."""
    phases: list[OnePhase]
    doses: list[OneDose]
    estimates: list[OneEstimate]
    alarms: list[str]
    """Codes that were raised in it."""


@router.get("", **VIEW)
def runs(farm: TheFarm, cursor: Cursor = None, limit: Limit = 50) -> Page[OneRun]:
    """Return the runs, the newest first."""
    try:
        found = last_runs(farm.ledger, limit + 1, *([int(cursor)] if cursor is not None else []))
    except LedgerMissing:
        found = ()
    shown = found[:limit]
    rest = str(shown[-1].started.seq) if len(found) > limit else None
    return Page(items=[OneRun(**_line(summary)) for summary in shown], next=rest)


@router.get("/doses.csv", response_class=StreamingResponse, **VIEW)
def doses_csv(farm: TheFarm) -> StreamingResponse:
    """Return the doses of all runs, the newest first, as CSV."""
    heads = (
        "began (UTC)", "run", "block", "nutrient (elemental)", "outcome", "planned (kg)", "injected (kg)",
        "delivered (kg)", "delivered, k=2 (kg)", "in lines (kg)", "lost (kg)",
    )  # fmt: skip
    return sheet("doses", heads, _dose_rows(farm))


@router.get("/{run}", **allow(ANYBODY, statuses=(404,)))
def one_run(run: _Run, farm: TheFarm) -> WholeRun:
    """Return one run."""
    try:
        report = run_report(farm.ledger, run)
    except LedgerMissing:
        report = None
    if report is None:
        raise Refused(404, "not-found", "The record has no run of that id.")
    return WholeRun(
        **_line(RunSummary(report.started, report.ended)),
        recipe=json.loads(report.started.row.recipe),
        phases=[
            OnePhase(
                phase=phase.row.phase,
                ended=moment(phase.at_ms),
                lasted_s=phase.row.duration_ms / 1000.0,
                water_m3=phase.row.water_ml / 1e6,
                stock_l=phase.row.stock_ml / 1000.0,
                why=phase.row.why,
            )
            for phase in report.phases
        ],
        doses=[_dose(dose) for dose in report.stated],
        estimates=[_estimate(found) for found in report.reconciled],
        alarms=[alarm.row.code for alarm in report.alarms],
    )


def _line(summary: RunSummary) -> dict[str, Any]:
    started, ended = summary.started, summary.ended
    return {
        "run": started.row.run,
        "shift": started.row.shift,
        "began": moment(started.at_ms),
        "ended": None if ended is None else moment(ended.at_ms),
        "state": None if ended is None else ended.row.state,
        "outcome": None if ended is None else ended.row.outcome,
        "why": "" if ended is None else ended.row.why,
        "water_m3": None if ended is None else ended.row.water_ml / 1e6,
    }


def _dose(dose: Dose) -> OneDose:
    return OneDose(
        block=dose.block,
        nutrient=dose.nutrient,
        outcome=judge_dose(dose),
        planned_kg=dose.planned_mg / 1e6,
        injected_kg=dose.injected_mg / 1e6,
        delivered_kg=dose.delivered_mg / 1e6,
        in_lines_kg=dose.in_lines_mg / 1e6,
        lost_kg=dose.lost_mg / 1e6,
        u_injected_kg=dose.u_injected_mg / 1e6,
        u_delivered_kg=dose.u_delivered_mg / 1e6,
    )


def _estimate(found: Stamped[DoseReconciled]) -> OneEstimate:
    row = found.row

    def volume(ml: int, u_ml: int) -> OneVolume | None:
        return OneVolume(litres=ml / 1000.0, u_k2_litres=u_ml / 1000.0) if ml or u_ml else None

    return OneEstimate(
        channel=row.channel,
        meter=volume(row.meter_ml, row.u_meter_ml),
        tank=volume(row.tank_ml, row.u_tank_ml),
        ec=volume(row.ec_ml, row.u_ec_ml),
        together=OneVolume(litres=row.dose_ml / 1000.0, u_k2_litres=row.u_dose_ml / 1000.0),
        volume_en=row.volume_en_thousandths / 1000.0,
        strength_en=row.strength_en_thousandths / 1000.0,
        tank_silent=row.tank_silent,
        ec_silent=row.ec_silent,
        causes=json.loads(row.causes),
    )


def ended_runs(farm: Farm, *span_ms: int) -> Iterator[RunReport]:
    """Yield the runs that have ended, the newest first, of a time (from, before) or all; none without a record."""
    try:
        yield from newest_runs(farm.ledger, *span_ms)
    except LedgerMissing:
        return


def _dose_rows(farm: Farm) -> Iterator[tuple[object, ...]]:
    for report in ended_runs(farm):
        began = moment(report.started.at_ms).isoformat(timespec="seconds")
        for dose in report.stated:
            yield (
                began, dose.run, dose.block, dose.nutrient, judge_dose(dose), dose.planned_mg / 1e6,
                dose.injected_mg / 1e6, dose.delivered_mg / 1e6, dose.u_delivered_mg / 1e6, dose.in_lines_mg / 1e6,
                dose.lost_mg / 1e6,
            )  # fmt: skip
