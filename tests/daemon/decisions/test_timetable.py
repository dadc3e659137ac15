"""What may be decided about nights, and what is refused with its reason."""

from datetime import date, time, timedelta

import pytest
from pydantic import ValidationError

from daemon.decisions.timetable import WEEKDAYS, Allocation, Tariff, Timetable, Tonight, weekday_of

_TIMETABLE = {"programs": ["creek_night"], "starts": ["22:00:00"]}
_TONIGHT = {"night": "2026-10-13", "why": "a test"}
_ALLOCATION = {"m3": 100.0, "first": "2026-07-01", "last": "2027-06-30", "why": "the scheme"}


def test_a_timetable_of_hours_and_minutes() -> None:
    """Guards what people write: times of the site's clock, every night unless said otherwise, two hours of lateness."""
    table = Timetable.model_validate({**_TIMETABLE, "starts": ["22:00", time(2, 30)], "finish_by": "06:00"})
    assert (table.starts, table.finish_by) == ((time(22), time(2, 30)), time(6))
    assert (table.weekdays, table.every_days, table.late_min, table.inhibited_by) == (None, None, 120, ())


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"weekdays": ["mon"], "every_days": 2, "first": "2026-10-13"}, "got both weekdays and every_days"),
        ({"every_days": 2}, "got every_days without first"),
        ({"first": "2026-10-13", "last": "2026-10-12"}, "got last 2026-10-12 before first 2026-10-13"),
        ({"starts": ["22:00", "22:00"]}, "got a start or a program twice"),
        ({"programs": ["creek_night", "creek_night"]}, "got a start or a program twice"),
        ({"starts": ["22:00:30"]}, "got the time 22:00:30; expected hours and minutes of the site's clock"),
        ({"starts": ["22:00+10:30"]}, "got the time 22:00:00+10:30; expected hours and minutes"),
        ({"finish_by": "06:00:01"}, "got the time 06:00:01"),
        ({"starts": []}, "starts"),
        ({"every_days": 61, "first": "2026-10-13"}, "every_days"),
        ({"late_min": 0}, "late_min"),
        ({"inhibited_by": ["frost"]}, "inhibited_by"),
    ],
)
def test_a_timetable_that_cannot_be(changes: dict[str, object], said: str) -> None:
    """Guards each refusal: what was got and what was expected."""
    with pytest.raises(ValidationError, match=said.replace("+", r"\+")):
        Timetable.model_validate({**_TIMETABLE, **changes})


def test_a_share_of_the_water_is_said_with_its_number() -> None:
    """Guards tonight's exceptions: a share and its number come together, from a tenth to twice the water."""
    assert Tonight.model_validate({**_TONIGHT, "do": "water_share", "water_share": 0.7}).water_share == 0.7
    for body in ({"do": "water_share"}, {"do": "skip", "water_share": 0.7}, {"do": "water_share", "water_share": 0.05}):
        with pytest.raises(ValidationError, match="water_share"):
            Tonight.model_validate({**_TONIGHT, **body})


def test_cheap_hours_may_pass_midnight() -> None:
    """Guards the tariff: an end before its begin is the next day's."""
    (hours,) = Tariff.model_validate({"cheap": [{"begin": "22:00", "end": "06:00"}], "why": "the contract"}).cheap
    assert (hours.begin, hours.end, hours.weekdays) == (time(22), time(6), None)


def test_an_allocation_has_an_end_after_its_begin() -> None:
    """Guards the water of a time: the days in order, and a share at which it warns of at most all of it."""
    assert Allocation.model_validate(_ALLOCATION).warn_share == 0.9
    for changes in ({"last": "2026-06-30"}, {"warn_share": 1.1}, {"m3": 0.0}):
        with pytest.raises(ValidationError):
            Allocation.model_validate({**_ALLOCATION, **changes})


def test_weekdays_by_the_calendar() -> None:
    """Guards the names: 12 October 2026 is a Monday, and the week goes on from it."""
    assert [weekday_of(date(2026, 10, 12) + timedelta(i)) for i in range(7)] == list(WEEKDAYS)
