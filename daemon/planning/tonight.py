"""Plan one night: its starts, the run of each program one after the other, and what to know of them beforehand."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.agronomy.past import Past
from daemon.decisions.base import Decisions, of_kind, sorted_by_kind
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import Program
from daemon.planning.bars import Bar
from daemon.planning.checks import Check, PlanError
from daemon.planning.duration import duration_s
from daemon.planning.foreseen import foreseen
from daemon.planning.night import plan_run
from daemon.planning.night_checks import check_night
from daemon.planning.outlook import Known, Outlook, TonightRun, TonightStart
from daemon.planning.tanks_tonight import tanks_tonight
from daemon.planning.timetable import Start, starts_of
from daemon.site import Plant


def plan_night(plant: Plant, decisions: Decisions, night: date, now: datetime, known: Known) -> Outlook:
    """Return what will run on a night, planned at `now`; a run that is refused says why and holds up no other.

    What is planned counts as given for what comes after it, and a start waits until the water of those before it is
    over: the plant waters one shift at a time.
    """
    zone, decisions = ZoneInfo(plant.site.site.zone), sorted_by_kind(decisions)
    timetables = of_kind(decisions, Timetable)
    starts = sorted(
        (start for key, timetable in timetables.items() for start in starts_of(key, timetable, zone, night)),
        key=lambda start: (start.at, start.timetable, start.number),
    )
    line = _Line(plant, decisions, known.past, now.astimezone(UTC), known.bars)
    planned: list[TonightStart] = []
    for start in starts:
        is_begun = start.name in known.begun
        runs = () if is_begun else line.runs_of(start, timetables[start.timetable].programs)
        planned.append(TonightStart(start, is_begun, runs))
    return Outlook(
        night=night,
        starts=tuple(planned),
        tanks=tanks_tonight(plant.site, planned, known.held_l),
        checks=check_night(decisions, zone, night, planned, known.water_m3),
    )


@dataclass(slots=True)
class _Line:
    """The runs of a night, one after the other."""

    plant: Plant
    decisions: Decisions
    past: Past
    free_at: datetime
    """UTC: when the water of all that is planned so far is over."""
    bars: Sequence[Bar]

    def runs_of(self, start: Start, programs: Sequence[str]) -> tuple[TonightRun, ...]:
        """Return the runs of a start, which is not made for longer than it may be late."""
        begins = max(start.at, self.free_at)
        if begins > start.latest:
            late_min = (start.latest - start.at) // timedelta(minutes=1)
            why = f"the start is more than {late_min} minutes late by then, and is skipped"
            return tuple(self._idle(program, begins, PlanError((Check("late", False, why),))) for program in programs)
        self.free_at = begins
        return tuple(self._run(start, program) for program in programs)

    def _run(self, start: Start, program: str) -> TonightRun:
        begins, run = self.free_at, f"{start.night}-{start.timetable}-{start.number}-{program}"
        try:
            plan = plan_run(self.plant, self.decisions, program, run, begins, self.past, bars=self.bars)
        except PlanError as error:
            return self._idle(program, begins, error)
        recipe = plan.recipe
        self.free_at = begins + timedelta(seconds=duration_s(self.plant.site, recipe))
        self.past = foreseen(self.past, recipe, begins)
        return TonightRun(program, recipe.shift, begins, self.free_at, recipe, plan.checks)

    def _idle(self, program: str, at: datetime, why: PlanError) -> TonightRun:
        decided = self.decisions.get((Program.kind, program))
        shift = decided.shift if isinstance(decided, Program) else ""
        return TonightRun(program, shift, at, at, None, why.checks, str(why))
