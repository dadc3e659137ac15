"""Nights on which nutrient may have been lost: flushed short, rained on soon after, or watered past the roots.

They are marked and not counted: nobody measured what went where. The thresholds are common practice, no source.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from daemon.agronomy.past import PastDose, PastRun
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.crops import Cycle
from daemon.decisions.shed import Rainfall
from daemon.planning.run_names import rest_mark
from daemon.planning.timetable import night_of

_IN_LINES = 0.02
"""Of what was injected: more than a flush leaves behind."""
_OVER = 0.10
"""Of the planned water."""
_RAIN_MM = 20.0
_SOON = (timedelta(days=1), timedelta(days=2))
"""The gauge's mornings after a night: the first has the rain of the night itself, the second that of the day after."""
_DAY = timedelta(days=1)
_TRACE_KG = 1e-6


@dataclass(frozen=True, slots=True)
class LossRisk:
    """One block on one night, and why what it was given may not have stayed."""

    night: date
    block: str
    why: Literal["flush", "rain", "water", "depth"]
    """Flushed short, rain soon after, more water than planned, or more than the roots' depth holds."""
    figure: float
    """Percent of the injected that stayed in the lines; mm of rain; percent of water above the plan; mm above what the
    depth holds."""


def loss_risks(
    decisions: Decisions,
    cycle: Cycle,
    areas_ha: Mapping[str, float],
    doses: Iterable[PastDose],
    runs: Sequence[PastRun],
    zone: ZoneInfo,
) -> tuple[LossRisk, ...]:
    """Return a cycle's nights on which something may have been lost, the newest first."""
    of_night: defaultdict[date, list[PastRun]] = defaultdict(list)
    for run in runs:
        night = night_of(run.at, zone)
        if cycle.starts <= night <= cycle.ends:
            of_night[night].append(run)
    injected: defaultdict[tuple[str, str], list[PastDose]] = defaultdict(list)
    for dose in doses:
        if dose.committed_kg > _TRACE_KG:
            injected[dose.run, dose.block].append(dose)
    rain_mm: defaultdict[date, float] = defaultdict(float)
    for reading in of_kind(decisions, Rainfall).values():
        rain_mm[reading.on] += reading.mm
    found: list[LossRisk] = []
    for night, its_runs in of_night.items():
        marks = [rest_mark(run.run) for run in (*of_night.get(night - _DAY, ()), *its_runs)]
        for block in cycle.blocks:
            if any((run.run, block) in injected for run in its_runs):
                rained_mm = sum(rain_mm.get(night + days, 0.0) for days in _SOON)
                found += _of_block(cycle, night, block, areas_ha.get(block, 0.0), its_runs, injected, rained_mm, marks)
    return tuple(sorted(found, key=lambda risk: (-risk.night.toordinal(), cycle.blocks.index(risk.block))))


def _of_block(
    cycle: Cycle,
    night: date,
    block: str,
    area_ha: float,
    runs: Sequence[PastRun],
    injected: Mapping[tuple[str, str], Sequence[PastDose]],
    rained_mm: float,
    marks: Sequence[str],
) -> Iterator[LossRisk]:
    watering = [run for run in runs if run.watered_m3.get(block, 0.0) > 0.0]
    last = injected.get((watering[-1].run, block), ()) if watering else ()
    committed_kg = sum(dose.committed_kg for dose in last)
    in_lines_kg = committed_kg - sum(dose.delivered_kg for dose in last)
    if committed_kg and in_lines_kg > _IN_LINES * committed_kg:
        yield LossRisk(night, block, "flush", 100.0 * in_lines_kg / committed_kg)
    if rained_mm >= _RAIN_MM:
        yield LossRisk(night, block, "rain", rained_mm)
    watered_m3 = sum(run.watered_m3.get(block, 0.0) for run in runs)
    # The rest of a run that was cut off is of that one's plan, and plans nothing besides.
    planned_m3 = sum(run.planned_m3.get(block, 0.0) for run in runs if not any(mark in run.run for mark in marks))
    if planned_m3 and watered_m3 > (1.0 + _OVER) * planned_m3:
        yield LossRisk(night, block, "water", 100.0 * (watered_m3 / planned_m3 - 1.0))
    holds_mm = cycle.water_most_mm
    watered_mm = watered_m3 / area_ha / 10.0 if area_ha else 0.0
    if holds_mm is not None and watered_mm > holds_mm:
        yield LossRisk(night, block, "depth", watered_mm - holds_mm)
