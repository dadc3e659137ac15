"""Which night the first page is about, and that silence comes before anything that was good."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.morning.now import Morning, read_morning
from api.morning.telling import Kind
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from tests.api.farms import NOW, Recorded
from tests.api.morning.nights import NIGHT, ZONE, text_of

_HOUR = timedelta(hours=1)


def _at(folder: Path, now: datetime, *, is_silent: bool = False, heard_ms: int | None = None) -> Morning:
    path = folder / LEDGER
    decisions = read_in_force(path).decisions if path.exists() else {}
    return read_morning(path, decisions, ZONE, now, is_silent=is_silent, heard_ms=heard_ms)


def test_breakfast_is_about_last_night(record: Recorded) -> None:
    """And so is the afternoon, until the next night has something of its own."""
    for hours in (0, 5, 13):
        found = _at(record.folder, NOW + hours * _HOUR)
        assert (found.told.kind, found.night, found.before) == (Kind.FINE, NIGHT, None)
        assert text_of(found.told).startswith("Last night (Tue 13 Oct) went as planned.")


def test_a_start_that_nobody_made_is_told_at_night(record: Recorded) -> None:
    """The next night's start at 22:00 has passed, and the record has no claim of it: that comes before yesterday."""
    found = _at(record.folder, datetime(2026, 10, 14, 12, 0, tzinfo=UTC))
    assert found.told.kind is Kind.NOT_RUN and str(found.night) == "2026-10-14"
    assert text_of(found.told).startswith("Tonight (Wed 14 Oct)") and "the controller did not make it" in text_of(
        found.told
    )


@pytest.mark.parametrize("hours", [0, 30])
def test_silence_is_never_good_news(record: Recorded, hours: int) -> None:
    """What is said first has nothing of what was good; that stands below, under its own heading."""
    heard = NOW - _HOUR
    found = _at(record.folder, NOW + hours * _HOUR, is_silent=True, heard_ms=round(heard.timestamp() * 1000.0))
    said = text_of(found.told)
    assert found.told.kind is Kind.SILENT and "Wed 14 Oct, 7:00" in said and said.endswith("Go and look.")
    assert "planned" not in said and "fine" not in said and found.before is not None
    assert hours or found.before.kind is Kind.FINE


def test_who_was_never_heard_is_known_by_the_readings(record: Recorded) -> None:
    """An api that starts after the controller fell silent says since when, by the newest reading."""
    said = text_of(_at(record.folder, NOW, is_silent=True).told)
    assert "has not been heard from since Tue 13 Oct, 10:" in said


def test_before_the_first_night(tmp_path: Path) -> None:
    """Nothing is made up: neither a night, nor that all is well."""
    assert _at(tmp_path, NOW).told.kind is Kind.EMPTY
    silent = _at(tmp_path, NOW, is_silent=True)
    assert silent.told.kind is Kind.SILENT and "has never been heard from" in text_of(silent.told)
    assert silent.facts is None and silent.before is None
