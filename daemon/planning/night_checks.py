"""What to know of a whole night before it begins: starts that meet, its end, dear hours, the water allocation."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.timetable import Allocation, Hours, Tariff, Timetable, weekday_of
from daemon.decisions.watering import Program
from daemon.planning.checks import Check, warning
from daemon.planning.outlook import TonightStart
from daemon.planning.timetable import instant, on_night

_DAY = timedelta(days=1)
_MINUTE = timedelta(minutes=1)
_Span = tuple[datetime, datetime]
"""From and until, in UTC."""


def check_night(
    decisions: Decisions, zone: ZoneInfo, night: date, starts: Sequence[TonightStart], water_m3: Mapping[str, float]
) -> tuple[Check, ...]:
    """Return the checks of a planned night; `water_m3` was taken in each allocation's time before it."""
    runs = [run for start in starts for run in start.runs if run.recipe is not None]
    spans = [(run.begins, run.ends) for run in runs]
    planned_m3 = sum(run.recipe.water_l for run in runs if run.recipe is not None) / 1000.0
    return (
        *_names(decisions),
        *_meetings(starts, zone),
        *_finishes(decisions, starts, zone),
        *_dear_hours(decisions, spans, zone, night),
        *_allocations(decisions, night, water_m3, planned_m3),
    )


def _names(decisions: Decisions) -> Iterator[Check]:
    """Yield the programs that stand in two timetables, or in one and nowhere else."""
    places: dict[str, list[str]] = {}
    for key, timetable in of_kind(decisions, Timetable).items():
        for program in timetable.programs:
            places.setdefault(program, []).append(key)
    for program, keys in places.items():
        if len(keys) > 1:
            yield warning("timetable", f"program {program} stands in timetables {' and '.join(keys)}: keep it in one")
        if (Program.kind, program) not in decisions:
            yield warning("timetable", f"timetable {keys[0]} names program {program}, and there is none of that name")


def _meetings(starts: Sequence[TonightStart], zone: ZoneInfo) -> Iterator[Check]:
    """Yield where a start comes before the water of those before it is over."""
    over, last = None, ""
    for one in starts:
        if over is not None and one.runs and over > one.start.at:
            reason = (
                f"{one.start.timetable} is to start at {_clock(one.start.at, zone)}, and the runs of {last} last until "
                f"{_clock(over, zone)}: the plant waters one shift at a time, so it waits. Start it later"
            )
            yield warning("starts that meet", reason)
        ends = max((run.ends for run in one.runs if run.recipe is not None), default=None)
        if ends is not None and (over is None or ends > over):
            over, last = ends, one.start.timetable


def _finishes(decisions: Decisions, starts: Sequence[TonightStart], zone: ZoneInfo) -> Iterator[Check]:
    """Yield the timetables whose water is not over when it should be."""
    ends: dict[str, datetime] = {}
    for one in starts:
        for run in one.runs:
            if run.recipe is not None:
                ends[one.start.timetable] = run.ends  # the newest: runs come one after the other
    for key, over in ends.items():
        finish_by = of_kind(decisions, Timetable)[key].finish_by
        if finish_by is not None:
            by = on_night(starts[0].start.night, finish_by, zone)
            if over > by:
                reason = f"{key} waters until {_clock(over, zone)}, and should be over by {_clock(by, zone)}"
                yield warning("finish", f"{reason}. Start it earlier, or give it less water")


def _dear_hours(decisions: Decisions, spans: Sequence[_Span], zone: ZoneInfo, night: date) -> Iterator[Check]:
    """Yield how long the night waters outside the cheap hours."""
    tariffs = of_kind(decisions, Tariff).values()
    if not tariffs or not spans:
        return
    cheap = _merged(
        span
        for tariff in tariffs
        for hours in tariff.cheap
        for days in range(-1, 3)  # a night that goes on into the afternoon is still this one
        if (span := _hours_of(hours, night + days * _DAY, zone))
    )
    whole = sum((end - begin for begin, end in spans), timedelta())
    in_cheap = sum((max(timedelta(), min(a[1], b[1]) - max(a[0], b[0])) for a in spans for b in cheap), timedelta())
    dear_min = (whole - in_cheap) / _MINUTE
    reason = f"{whole / _MINUTE:.0f} minutes of water"
    if dear_min < 1.0:
        yield Check("dear hours", True, f"{reason}, all in cheap hours")
    else:
        yield warning("dear hours", f"{dear_min:.0f} of {reason} fall outside the cheap hours")


def _hours_of(hours: Hours, day: date, zone: ZoneInfo) -> _Span | None:
    """Return the hours that begin on a day; None where there are none."""
    if hours.weekdays is not None and weekday_of(day) not in hours.weekdays:
        return None
    until = day if hours.end > hours.begin else day + _DAY
    return instant(datetime.combine(day, hours.begin), zone), instant(datetime.combine(until, hours.end), zone)


def _merged(spans: Iterator[_Span]) -> list[_Span]:
    """Return spans that do not overlap and cover the same time."""
    found: list[_Span] = []
    for begin, end in sorted(spans):
        if found and begin <= found[-1][1]:
            found[-1] = found[-1][0], max(end, found[-1][1])
        else:
            found.append((begin, end))
    return found


def _allocations(
    decisions: Decisions, night: date, water_m3: Mapping[str, float], planned_m3: float
) -> Iterator[Check]:
    """Yield what is left of each allocation that the night falls into; it never stops water."""
    for key, found in of_kind(decisions, Allocation).items():
        if not found.first <= night <= found.last:
            continue
        before_m3 = found.used_before_m3 + water_m3.get(key, 0.0)
        used_m3 = before_m3 + planned_m3
        left_m3 = found.m3 - used_m3
        reason = (
            f"allocation {key} ({found.why}): {before_m3:.0f} m3 of {found.m3:.0f} m3 are used, this night takes "
            f"{planned_m3:.0f} m3, "
        )
        reason += f"{left_m3:.0f} m3 are left until {found.last}" if left_m3 >= 0 else f"{-left_m3:.0f} m3 too much"
        yield Check("allocation", True, reason, warns=used_m3 >= found.warn_share * found.m3)


def _clock(at: datetime, zone: ZoneInfo) -> str:
    return f"{at.astimezone(zone):%H:%M}"
