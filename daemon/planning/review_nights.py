"""What does not fit together in the decisions about when water runs: timetables, and what is different tonight."""

from collections.abc import Iterator

from daemon.decisions.timetable import Timetable, Tonight
from daemon.decisions.watering import Program, Shift
from daemon.planning.decided import Decided, unknown
from daemon.site import Plant
from drivers.profile import Problem


def check_nights(plant: Plant | None, decided: Decided) -> Iterator[Problem]:
    """Yield what does not fit together in them, and in them and the site."""
    places: dict[str, str] = {}
    for key, timetable in decided.of(Timetable).items():
        where = f"timetable.{key}"
        for program in timetable.programs:
            yield from unknown(f"{where}.programs", program, decided.names(Program), "a program of this file")
            if program in places:
                got = f"program {program!r}, which timetable {places[program]!r} runs already"
                yield Problem(f"{where}.programs", got, "each program in one timetable")
            places.setdefault(program, key)
        for contact in timetable.inhibited_by if plant is not None else ():
            weather = plant.site.weather if plant is not None else None
            if getattr(weather, contact, None) is None:
                hint = "Without it nothing would keep the shift from beginning"
                yield Problem(f"{where}.inhibited_by", repr(contact), f"a contact of the site: weather.{contact}", hint)
    for key, tonight in decided.of(Tonight).items():
        for shift in tonight.shifts:
            yield from unknown(f"tonight.{key}.shifts", shift, decided.names(Shift), "a shift of this file")
