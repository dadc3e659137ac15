"""When a timetable starts: by hand on the days that clocks change, and over any zone, time and year."""

import zoneinfo
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from daemon.decisions.timetable import Timetable
from daemon.planning.timetable import begun, is_on, next_start, night_of, starts_of

_ADELAIDE, _LISBON, _SANTIAGO, _LORD_HOWE = (
    "Australia/Adelaide",
    "Europe/Lisbon",
    "America/Santiago",
    "Australia/Lord_Howe",
)
_DAY = timedelta(days=1)


def _timetable(*starts: str, **keys: object) -> Timetable:
    return Timetable.model_validate({"programs": ["creek_night"], "starts": starts or ("22:00:00",), **keys})


@pytest.mark.parametrize(
    ("zone", "night", "start", "utc"),
    [
        # Clocks go forward over the start: the first instant after the gap, which is the change itself.
        (_ADELAIDE, date(2026, 10, 3), "02:30", "2026-10-03T16:30"),
        (_ADELAIDE, date(2026, 10, 3), "02:00", "2026-10-03T16:30"),
        (_ADELAIDE, date(2026, 10, 3), "03:00", "2026-10-03T16:30"),
        (_LISBON, date(2026, 3, 28), "01:30", "2026-03-29T01:00"),
        (_SANTIAGO, date(2026, 9, 5), "00:00", "2026-09-06T04:00"),
        (_SANTIAGO, date(2026, 9, 5), "00:59", "2026-09-06T04:00"),
        (_LORD_HOWE, date(2026, 10, 3), "02:15", "2026-10-03T15:30"),
        # Clocks go back over the start: the first of the two.
        (_ADELAIDE, date(2026, 4, 4), "02:30", "2026-04-04T16:00"),
        (_LISBON, date(2026, 10, 24), "01:30", "2026-10-25T00:30"),
        (_SANTIAGO, date(2026, 4, 4), "23:30", "2026-04-05T02:30"),
        (_LORD_HOWE, date(2026, 4, 4), "01:45", "2026-04-04T14:45"),
        # And beside the changes.
        (_ADELAIDE, date(2026, 10, 3), "01:59", "2026-10-03T16:29"),
        (_ADELAIDE, date(2026, 10, 3), "03:30", "2026-10-03T17:00"),
        (_LORD_HOWE, date(2026, 4, 4), "02:00", "2026-04-04T15:30"),
    ],
)
def test_a_start_in_the_gap_or_the_fold_by_hand(zone: str, night: date, start: str, utc: str) -> None:
    """Guards a start that does not exist (the next valid instant) and one that comes twice (once, the first time).

    The changes are those of the IANA list: Adelaide and Lord Howe on the first Sundays of October and April (Lord Howe
    by half an hour), Lisbon at 01:00 UTC on the last Sundays of March and October, Santiago at 04:00 and 03:00 UTC, at
    midnight, on the Sundays after the first Saturdays of September and April.
    """
    (one,) = starts_of("t", _timetable(f"{start}:00"), ZoneInfo(zone), night)
    assert one.at == datetime.fromisoformat(f"{utc}+00:00")
    assert night_of(one.at, ZoneInfo(zone)) == one.night == night


def test_two_starts_that_fall_into_one_gap_stay_two() -> None:
    """Guards names: starts at 02:10 and 02:40 of a night without that hour come together, each with its own name."""
    found = starts_of("t", _timetable("02:40:00", "02:10:00"), ZoneInfo(_ADELAIDE), date(2026, 10, 3))
    assert [one.name for one in found] == [("t", 0, date(2026, 10, 3)), ("t", 1, date(2026, 10, 3))]
    assert len({one.at for one in found}) == 1


@pytest.mark.parametrize("zone", [_ADELAIDE, _LISBON, _SANTIAGO, _LORD_HOWE])
@pytest.mark.parametrize("start", ["00:00", "00:30", "01:30", "02:15", "12:00", "11:59", "23:30"])
def test_every_third_night_through_a_year_with_both_changes(zone: str, start: str) -> None:
    """Guards every_days by the calendar: 122 starts in a year, three dates apart, at the same hour but in the gap."""
    table = _timetable(f"{start}:00", every_days=3, first="2026-01-02", last="2027-01-01")
    where, after, found = ZoneInfo(zone), datetime(2025, 12, 1, tzinfo=UTC), []
    while (one := next_start("t", table, where, after)) is not None:
        found.append(one)
        after = one.at
    assert [one.night for one in found] == [date(2026, 1, 2) + 3 * i * _DAY for i in range(122)]
    walls = [f"{one.at.astimezone(where):%H:%M}" for one in found]
    assert sum(wall != start for wall in walls) <= 1


def test_a_start_before_noon_belongs_to_the_night_before() -> None:
    """Guards the night's date: that of its evening, with noon as its first minute and 11:59 as its last."""
    where, night = ZoneInfo(_ADELAIDE), date(2026, 1, 9)
    table = _timetable("11:59:00", "12:00:00", "00:00:00", "21:30:00")
    found = starts_of("t", table, where, night)
    assert [f"{one.at.astimezone(where):%d %H:%M}" for one in found] == ["09 12:00", "09 21:30", "10 00:00", "10 11:59"]
    assert [one.number for one in found] == [1, 3, 2, 0]
    assert {night_of(one.at, where) for one in found} == {night}


@pytest.mark.parametrize(
    ("keys", "nights"),
    [
        ({}, [1, 2, 3, 4, 5, 6, 7]),
        ({"weekdays": ["mon", "thu"]}, [1, 4]),
        ({"every_days": 2, "first": "2026-05-30"}, [1, 3, 5, 7]),
        ({"every_days": 60, "first": "2026-04-05"}, [4]),
        ({"first": "2026-06-03", "last": "2026-06-05"}, [3, 4, 5]),
        ({"weekdays": ["sun"], "last": "2026-06-06"}, []),
    ],
)
def test_the_nights_of_a_timetable(keys: dict[str, object], nights: list[int]) -> None:
    """Guards weekdays, every so many nights, first and last; 1 June 2026 is a Monday."""
    found = [day for day in range(1, 8) if is_on(_timetable(**keys), date(2026, 6, day))]
    assert found == nights


def test_a_timetable_that_is_over_has_no_next_start() -> None:
    """Guards the end: the last night's own start is found, and none after it."""
    where, table = ZoneInfo(_LISBON), _timetable("02:00:00", last="2026-06-05")
    last = next_start("t", table, where, datetime(2026, 6, 5, 20, tzinfo=UTC))
    assert last is not None and last.at == datetime(2026, 6, 6, 1, tzinfo=UTC)
    assert next_start("t", table, where, last.at) is None


def test_a_timetable_that_begins_in_years_has_its_first_start() -> None:
    """Guards the search: a first night far ahead is found, not given up."""
    one = next_start("t", _timetable(first="2031-02-03"), ZoneInfo(_LISBON), datetime(2026, 6, 5, tzinfo=UTC))
    assert one is not None and one.night == date(2031, 2, 3)


def test_starts_that_have_come_are_told_oldest_first_and_none_from_before_the_decision() -> None:
    """Guards what a boot finds: this night's and the last one's, of each timetable from when it was decided on."""
    where, now = ZoneInfo(_LISBON), datetime(2026, 6, 5, 22, 30, tzinfo=UTC)
    tables = {"b": _timetable("21:00:00", "23:00:00"), "a": _timetable("23:00:00")}
    since = {"b": datetime(2026, 6, 4, 21, tzinfo=UTC), "a": datetime(2026, 6, 5, 12, tzinfo=UTC)}
    found = [one.name for one in begun(tables, since, where, now)]
    last, tonight = date(2026, 6, 4), date(2026, 6, 5)
    assert found == [("b", 1, last), ("b", 0, tonight), ("a", 0, tonight), ("b", 1, tonight)]


_ZONES = st.sampled_from(sorted(zoneinfo.available_timezones() - {"localtime", "Factory"})).map(ZoneInfo)
_WALLS = st.times(min_value=time(0), max_value=time(23, 59)).map(lambda t: t.replace(second=0, microsecond=0))
_NIGHTS = st.dates(min_value=date(1975, 1, 1), max_value=date(2037, 12, 1))


def _noon(where: ZoneInfo, day: date) -> datetime:
    return datetime.combine(day, time(12), where)


@example(where=ZoneInfo(_SANTIAGO), walls=[time(0), time(0, 30)], night=date(2026, 9, 5))
@example(where=ZoneInfo(_ADELAIDE), walls=[time(12), time(11, 59)], night=date(2026, 10, 3))
@given(where=_ZONES, walls=st.lists(_WALLS, min_size=1, max_size=4, unique=True), night=_NIGHTS)
def test_one_start_a_night_in_any_zone(where: ZoneInfo, walls: list[time], night: date) -> None:
    """Guards the timetable's law: one start for each night and number, in its own night, when its wall time first comes
    or at the first instant after the gap that it falls into; and `next_start` walks through just these instants.
    """
    offsets = [_noon(where, night + i * _DAY).utcoffset() or timedelta() for i in range(5)]
    assume(max(offsets) - min(offsets) < timedelta(hours=12))  # an island that went over the date line lost a whole day
    table = Timetable(programs=("creek_night",), starts=tuple(walls))
    nights = [night + i * _DAY for i in range(3)]
    found = [one for each in nights for one in starts_of("t", table, where, each)]
    assert sorted(one.name for one in found) == [("t", number, each) for number in range(len(walls)) for each in nights]
    for one in found:
        assert night_of(one.at, where) == one.night
        local = one.at.astimezone(where).replace(tzinfo=None)
        wall = walls[one.number]
        meant = datetime.combine(one.night if wall.hour >= 12 else one.night + _DAY, wall)
        assert local >= meant
        if local == meant:
            assert one.at.astimezone(where).fold == 0
        else:  # in the gap: a second before, the clock had not come so far
            before = (one.at - timedelta(seconds=1)).astimezone(where).replace(tzinfo=None)
            assert before < meant
    walked, after = [], found[0].at - timedelta(seconds=1)
    while (following := next_start("t", table, where, after)) is not None and following.at <= found[-1].at:
        walked.append(following.at)
        after = following.at
    assert walked == sorted({one.at for one in found})
