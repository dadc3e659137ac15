"""What a program is on one night: what people decided for that night, and the stocks whose night it is."""

from datetime import date

from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.timetable import Tonight, weekday_of
from daemon.decisions.watering import Program
from daemon.planning.checks import refused


def program_on(decisions: Decisions, program: Program, night: date) -> tuple[Program, float]:
    """Return the program of a night and how many times its water it gets; its dose never changes with the water.

    Raises PlanError where it is skipped.
    """
    times, water_only = 1.0, False
    for tonight in of_kind(decisions, Tonight).values():
        if tonight.night != night:
            continue
        if tonight.shifts and program.shift not in tonight.shifts:
            continue
        if tonight.do == "skip":
            raise refused("tonight", f"shift {program.shift} is skipped on the night of {night}: {tonight.why}")
        water_only = water_only or tonight.do == "water_only"
        times *= tonight.water_share or 1.0
    kept = tuple(
        injection
        for injection in program.injections
        if not water_only and (injection.nights is None or weekday_of(night) in injection.nights)
    )
    return program.model_copy(update={"injections": kept}), times
