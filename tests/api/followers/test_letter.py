"""A flood becomes few messages, each text is told, and quiet hours never mute what may wake people."""

from datetime import datetime, time
from zoneinfo import ZoneInfo

from api.followers.letter import MOST_AN_HOUR, letters, within
from api.followers.outbox import Waiting
from api.words.words import words_for
from daemon.destinations import Quiet

ZONE = ZoneInfo("Australia/Adelaide")
WORDS = words_for("en", "en_AU", "metric", ZONE)
NOON = datetime(2026, 10, 14, 12, 0, tzinfo=ZONE)


def _waiting(count: int, *, wakes: bool = False, same: bool = False) -> list[Waiting]:
    return [Waiting(n, "alarm", wakes, n, "The filter." if same else f"Text {n}.") for n in range(count)]


def test_a_flood_is_few_messages() -> None:
    """A thousand events make five messages at most, and all of them are told."""
    found = letters(_waiting(1000, same=True), 0, None, NOON, "Kestrel Bend", WORDS)
    assert len(found) == MOST_AN_HOUR and sum(len(letter.of) for letter in found) == 1000
    assert not letters(_waiting(1000), MOST_AN_HOUR, None, NOON, "Kestrel Bend", WORDS)


def test_few_are_told_one_by_one() -> None:
    """Each text is a message of its own."""
    found = letters(_waiting(3), 0, None, NOON, "Kestrel Bend", WORDS)
    assert [letter.text for letter in found] == ["Text 0.", "Text 1.", "Text 2."]


def test_quiet_hours() -> None:
    """What may wake people goes out in them; the rest waits."""
    quiet = Quiet(begin=time(21), end=time(6))
    at_night = NOON.replace(hour=2)
    waiting = [*_waiting(1), *_waiting(1, wakes=True)]
    assert [letter.wakes for letter in letters(waiting, 0, quiet, at_night, "Kestrel Bend", WORDS)] == [True]
    assert len(letters(waiting, 0, quiet, NOON, "Kestrel Bend", WORDS)) == 2
    assert within(time(23), time(21), time(6)) and not within(time(6), time(21), time(6))
