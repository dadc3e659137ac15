"""Every outcome has its sentence in both languages, and the worst of a night is what is said first."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

import daemon
from api.morning.facts import (
    BY_HAND,
    FERTILISER_BY_HAND,
    BlockNight,
    Doubt,
    Ending,
    Missed,
    NightFacts,
    NutrientNight,
    RunNight,
    Verdict,
    Why,
)
from api.morning.telling import Choice, Kind, Told, When, tell_empty, tell_night, tell_silence, topic
from api.words.catalogue import LANGUAGES
from api.words.words import words_for
from daemon.control.interlocks import MATRIX

ZONE = ZoneInfo("Australia/Adelaide")
AT = datetime(2026, 10, 13, 15, 22, tzinfo=UTC)


def block(name: str, *, kg_ha: float = 7.4, m3: float = 40.0) -> BlockNight:
    """Return a block that was to have 7.5 kg/ha of nitrogen in 40 m3 of water."""
    verdict = Verdict.FINE if abs(kg_ha - 7.5) < 0.75 else Verdict.SHORT if kg_ha < 7.5 else Verdict.OVER
    water = Verdict.FINE if abs(m3 - 40.0) <= 4.0 else Verdict.SHORT if m3 < 40.0 else Verdict.OVER
    return BlockNight(name, 1.0, 40.0, m3, (NutrientNight("N", 7.5, kg_ha, 0.7, 0.0, verdict),), water)


def run(*blocks: str, ending: Ending = Ending.WHOLE, cause: str = "", phase: str = "FLUSH") -> RunNight:
    """Return a run of blocks."""
    return RunNight(
        "r", "low", blocks, AT, AT, ending, phase, cause, AT, has_injected=True, was_to_inject=True, doubts=()
    )


def night(*blocks: BlockNight, runs: tuple[RunNight, ...] = (), missed: tuple[Missed, ...] = ()) -> NightFacts:
    """Return a night at Kestrel Bend."""
    runs = runs or (run(*(one.block for one in blocks)),)
    return NightFacts(date(2026, 10, 13), blocks, runs, missed, (), {}, ())


def text(told: Told, language: str = "en") -> str:
    """Return all that is told."""
    words = words_for(language, "en_AU", "metric", ZONE)
    return " ".join(words.tell(one) for one in told.sentences)


SIX = tuple(block(name) for name in ("creek", "bridge", "ridge", "hill", "house", "river"))
SHORT = night(block("creek", kg_ha=4.1), *SIX[1:], runs=(run("creek", cause="airlock"),))
DOUBT = night(
    *SIX, runs=(replace(run(*(one.block for one in SIX)), doubts=(Doubt("a", 90.0, 76.0, None, ("meter-high",)),)),)
)
CUT = replace(
    night(block("creek", kg_ha=3.0, m3=20.0), runs=(run("creek", ending=Ending.CUT, phase="INJECT"),)),
    owed_m3={"creek": 3.0},
)
OUTCOMES: dict[Kind, Told] = {
    Kind.FINE: tell_night(night(*SIX), When.LAST),
    Kind.SHORT: tell_night(SHORT, When.LAST),
    Kind.OVER: tell_night(night(block("creek", kg_ha=9.0), *SIX[1:]), When.LAST),
    Kind.CUT: tell_night(CUT, When.LAST),
    Kind.DOUBT: tell_night(DOUBT, When.LAST),
    Kind.LEFT: tell_night(replace(night(*SIX), owed_m3={"main": 0.4}), When.LAST),
    Kind.NOT_RUN: tell_night(night(*SIX[1:], missed=(Missed(("creek",), Why.LATE),)), When.LAST),
    Kind.RUNNING: tell_night(night(*SIX, runs=(run("creek", ending=Ending.OPEN, phase="INJECT"),)), When.TONIGHT),
    Kind.NOTHING: tell_night(NightFacts(date(2026, 10, 13), (), (), (), (), {}, ()), When.LAST),
    Kind.SILENT: tell_silence(AT, was_running=True),
    Kind.EMPTY: tell_empty(),
}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", Kind)
def test_every_outcome_is_told(kind: Kind, language: str) -> None:
    """In whole sentences, without a code, a placeholder or None."""
    told = OUTCOMES[kind]
    said = text(told, language)
    assert told.kind is kind and said.endswith((".", "?"))
    assert not any(mark in said for mark in ("{", "}", "_", "None", "()"))


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("code", [*(row.code for row in MATRIX), BY_HAND])
def test_every_cause_is_told(code: str, language: str) -> None:
    """In the night's sentences, whatever ended it."""
    said = text(tell_night(replace(SHORT, runs=(run("creek", cause=code),)), When.LAST), language)
    assert "-" not in code or code not in said.split()
    assert not any(mark in said for mark in ("{", "_", "None"))


def test_a_fine_night() -> None:
    """It is one glance: as planned, how much, nothing to do."""
    assert text(OUTCOMES[Kind.FINE]) == (
        "Last night (Tue 13 Oct) went as planned. All six blocks got their water and their fertiliser: 7.4 of "
        "7.5\N{NO-BREAK SPACE}kg/ha of nitrogen on average, give or take 0.70. Nothing to do."
    )


@pytest.mark.parametrize("cause", [BY_HAND, FERTILISER_BY_HAND])
def test_a_stop_after_all_was_given_leaves_nothing_to_do(cause: str) -> None:
    """It is told, and the night is as planned: no sentence speaks against another."""
    told = tell_night(night(*SIX, runs=(run(*(one.block for one in SIX), cause=cause),)), When.LAST)
    said = text(told)
    assert told.kind is Kind.FINE and "Somebody stopped" in said and said.endswith("Nothing to do.")
    assert "left to do" not in said


def test_a_short_block_is_named_with_its_cause() -> None:
    """How much of how much, why, what became of the water, and that the others are fine."""
    said = text(OUTCOMES[Kind.SHORT])
    for part in ("block creek came up short of nitrogen: 4.1 of 7.5", "lost its prime", "lines were flushed", "five"):
        assert part in said
    assert "Nothing to do" not in said


def test_a_cut_says_what_is_in_the_lines_and_what_may_be_chosen() -> None:
    """Flush now, water today, or leave it till tonight."""
    told = OUTCOMES[Kind.CUT]
    assert "still fertiliser in the lines of block creek" in text(told)
    assert told.choices == (Choice.FLUSH, Choice.WATER, Choice.LATER)


def test_instruments_that_disagree_are_told_with_the_range() -> None:
    """What each says, what is likely, and between what the blocks got."""
    said = text(OUTCOMES[Kind.DOUBT])
    assert "the meter says 90.0" in said and "between 6.7 and 8.1" in said and "Before tonight" in said


def test_silence_comes_before_good_news() -> None:
    """Nothing that was good is said of a controller that nobody hears."""
    said = text(OUTCOMES[Kind.SILENT])
    assert said.endswith("Go and look.") and "planned" not in said


_NAMED = re.compile(r"""\b(?:Check|refused|warning)\(\s*"([A-Za-z -]+)\"""")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_check_of_the_planner_has_its_name(language: str) -> None:
    """What a plan was refused or warned for is said in the reader's language, before the planner's own words."""
    source = Path(daemon.__file__).parent
    rules = {rule for file in source.rglob("*.py") for rule in _NAMED.findall(file.read_text("utf-8"))}
    assert len(rules) > 35
    for rule in rules:
        assert topic(rule) != "check.other", rule
        missed = Missed(("creek",), Why.REFUSED, "It does not fit.", rule)
        said = text(tell_night(night(*SIX[1:], missed=(missed,)), When.LAST), language)
        assert words_for(language, "en_AU", "metric", ZONE).say(topic(rule)) in said and "It does not fit." in said
    assert topic("something old") == "check.other"
