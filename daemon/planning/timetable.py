"""When a timetable starts: one pure function over its nights, right on the two days of the year that are not 24 hours.

A start that does not exist (the clocks went forward over it) is the first instant after the gap; one that comes twice
is its first coming. A night runs from noon to noon of the site's clock and bears the date of its evening.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from daemon.decisions.timetable import Timetable, weekday_of

_NOON = 12
_DAY = timedelta(days=1)
_SECOND = timedelta(seconds=1)
_FAR_NIGHTS = 400
"""A timetable without a night in so many has none: every_days is at most 60."""


@dataclass(frozen=True, slots=True)
class Start:
    """One start of a timetable."""

    timetable: str
    number: int
    """Its place in the timetable's starts, from 0."""
    night: date
    at: datetime
    """UTC."""
    latest: datetime
    """UTC: until then it still runs when it was missed."""

    @property
    def name(self) -> tuple[str, int, date]:
        """Return what is claimed once: timetable, number and night."""
        return self.timetable, self.number, self.night


def night_of(at: datetime, zone: ZoneInfo) -> date:
    """Return the night that `at`, which has its zone or offset, belongs to."""
    here = at.astimezone(zone)
    return here.date() if here.hour >= _NOON else here.date() - _DAY


def instant(local: datetime, zone: ZoneInfo) -> datetime:
    """Return the UTC of a naive time of the zone's clock: the first of two, or the first after a gap it falls into."""
    earlier, later = sorted(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if earlier.astimezone(zone).replace(tzinfo=None) == local:
        return earlier
    after = later.astimezone(zone).utcoffset()
    while later - earlier > _SECOND:  # the change of the clock lies between the two readings of the gap
        middle = earlier + timedelta(seconds=(later - earlier) // _SECOND // 2)
        if middle.astimezone(zone).utcoffset() == after:
            later = middle
        else:
            earlier = middle
    return later


def on_night(night: date, wall: time, zone: ZoneInfo) -> datetime:
    """Return the UTC of a time of the site's clock on a night: before noon it is the next morning's."""
    day = night if wall.hour >= _NOON else night + _DAY
    return instant(datetime.combine(day, wall), zone)


def is_on(timetable: Timetable, night: date) -> bool:
    """Return whether the timetable runs on a night."""
    if (timetable.first and night < timetable.first) or (timetable.last and night > timetable.last):
        return False
    if timetable.weekdays is not None:
        return weekday_of(night) in timetable.weekdays
    if timetable.every_days is not None and timetable.first is not None:
        return (night - timetable.first).days % timetable.every_days == 0
    return True


def starts_of(key: str, timetable: Timetable, zone: ZoneInfo, night: date) -> tuple[Start, ...]:
    """Return the starts of one night in their order; none where it does not run."""
    if not is_on(timetable, night):
        return ()
    late = timedelta(minutes=timetable.late_min)
    instants = [on_night(night, wall, zone) for wall in timetable.starts]
    return tuple(
        Start(key, number, night, at, at + late) for number, at in sorted(enumerate(instants), key=lambda item: item[1])
    )


def next_start(key: str, timetable: Timetable, zone: ZoneInfo, after: datetime) -> Start | None:
    """Return the first start later than `after`, of two at one instant either; None where the timetable is over."""
    for start in _starts_from(key, timetable, zone, night_of(after, zone) - _DAY):
        if start.at > after:
            return start
    return None


def begun(
    timetables: Mapping[str, Timetable], since: Mapping[str, datetime], zone: ZoneInfo, now: datetime
) -> tuple[Start, ...]:
    """Return the starts of this night and the last that have come by `now`, oldest first, run or not.

    `since` says when each timetable was decided in its present form: it starts nothing for the time before.
    """
    tonight = night_of(now, zone)
    found = [
        start
        for key, timetable in timetables.items()
        for night in (tonight - _DAY, tonight)
        for start in starts_of(key, timetable, zone, night)
        if since[key] <= start.at <= now
    ]
    return tuple(sorted(found, key=lambda start: (start.at, start.timetable, start.number)))


def _starts_from(key: str, timetable: Timetable, zone: ZoneInfo, night: date) -> Iterator[Start]:
    if timetable.first and night < timetable.first:
        night = timetable.first
    for _ in range(_FAR_NIGHTS):
        yield from starts_of(key, timetable, zone, night)
        night += _DAY
