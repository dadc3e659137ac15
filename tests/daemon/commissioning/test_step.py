"""What is entered at a stage: taken in its right form, or refused with everything that is wrong, by name."""

import math
import string

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.commissioning.step import (
    Ask,
    Entry,
    EntryError,
    Figure,
    Form,
    Stage,
    Verdict,
    checked,
    column,
    is_done,
    is_entered,
    many_of,
    moved,
    values_of,
    verdict_of,
)

STAGE = Stage(
    "x",
    "",
    (
        Ask("n", "A number", "L", least=1.0, most=100.0),
        Ask("which", "One of these", form=Form.CHOICE, choices=("a", "b"), default="a"),
        Ask("text", "Words", form=Form.TEXT, is_optional=True),
        Ask("cans", "Numbers", "mL", form=Form.NUMBERS, most=500.0, is_optional=True),
    ),
)
_TEXTS = st.text(string.printable)
_ONE = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), _TEXTS)
_MANY = st.lists(st.one_of(st.integers(), _TEXTS), max_size=4)


def test_right_forms_are_taken() -> None:
    """Decimal commas, numbers in a row by spaces, semicolons or lines, and what stands where nothing is entered."""
    assert checked(STAGE, {"n": "12,5"}) == {"n": 12.5, "which": "a"}
    given_ = {"n": 3, "which": "b", "text": "  lot 7 ", "cans": "1,5; 2\n3 4,25"}
    assert checked(STAGE, given_) == {"n": 3.0, "which": "b", "text": "lot 7", "cans": [1.5, 2.0, 3.0, 4.25]}


@pytest.mark.parametrize(
    ("entered", "words"),
    [
        ({}, "n: got nothing; expected a number from 1 to 100 L"),
        ({"n": "twelve"}, "n: got 'twelve'"),
        ({"n": 101.0}, "n: got 101.0"),
        ({"n": True}, "n: got True"),
        ({"n": 5, "which": "c"}, "which: got 'c'; expected one of a, b"),
        ({"n": 5, "text": "a\x00b"}, "text: got"),
        ({"n": 5, "text": "x" * 201}, "expected 1 to 200 printable characters"),
        ({"n": 5, "cans": "1 2 x"}, "cans: got '1 2 x'; expected 1 to 400 numbers from 0 to 500 mL"),
        ({"n": 5, "cans": ["1"] * 401}, "cans: got"),
        ({"n": 5, "more": 1}, "more: not asked for in x"),
    ],
)
def test_wrong_forms_are_named(entered: dict[str, object], words: str) -> None:
    """What was got and what was expected."""
    with pytest.raises(EntryError) as told:
        checked(STAGE, entered)
    assert words in str(told.value)


def test_all_that_is_wrong_is_told_at_once() -> None:
    """Nobody corrects a form one field at a time."""
    with pytest.raises(EntryError) as told:
        checked(STAGE, {"n": 0, "which": "z", "extra": 1})
    assert str(told.value).count(";") >= 4 and all(name in str(told.value) for name in ("n:", "which:", "extra:"))


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.sampled_from(["n", "which", "text", "cans", "done", "other"]), st.one_of(_ONE, _MANY)))
def test_whatever_is_entered_is_taken_or_refused(entered: dict[str, object]) -> None:
    """Guards the record: only what has its form comes through, and nothing else than EntryError is raised."""
    try:
        found = checked(STAGE, entered)
    except EntryError:
        return
    assert 1.0 <= found["n"] <= 100.0 and found["which"] in ("a", "b")
    assert all(math.isfinite(one) and 0.0 <= one <= 500.0 for one in found.get("cans", []))


def test_the_newest_entry_counts() -> None:
    """Of one that was repeated; many are kept, and the one that ends them is none of them."""
    entries = (Entry("a", {"v": 1}), Entry("a", {"v": 2}), Entry("m", {"v": 3}), Entry("m", {"done": True}))
    assert values_of(entries, "a") == {"v": 2} and not values_of(entries, "z")
    assert many_of(entries, "m") == [{"v": 3}] and is_done(entries, "m") and not is_done(entries, "a")
    assert is_entered(entries, "m") and not is_entered(entries, "z")
    assert checked(Stage("m", "", STAGE.asks, is_many=True), {"done": True}) == {"done": True}


def test_what_was_kept_is_read_by_name() -> None:
    """Readings that were not good are left out; a counter's way is from where all was on to the end."""
    kept = {
        "watch": ["w", "f"],
        "samples": [[0.0, 1.0, None], [2.0, 5.0, 7.0]],
        "first": {"w": 1.0},
        "last": {"w": 5.0},
    }
    assert column(kept, "f") == [(2.0, 7.0)] and column(kept, "z") == [] and moved(kept, "w") == 4.0
    assert moved(kept, "f") is None


@pytest.mark.parametrize(
    ("value", "doubtful", "verdict"),
    [
        (5.0, False, Verdict.PASSED),
        (5.0, True, Verdict.DOUBTFUL),
        (11.0, True, Verdict.FAILED),
        (-1.0, False, Verdict.FAILED),
    ],
)
def test_the_verdict(value: float, doubtful: bool, verdict: Verdict) -> None:
    """Out of a band fails, whatever else is odd."""
    assert verdict_of([Figure("x", value, "", None, 0.0, 10.0), Figure("y", 1e9, "")], is_doubtful=doubtful) is verdict
