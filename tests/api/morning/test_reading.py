"""What breakfast reads from a night's record is what happened on the plant: sound nights and nights with faults."""

from datetime import timedelta
from pathlib import Path

import pytest

from api.morning.facts import Ending, Verdict, Why
from api.morning.telling import Choice, Kind, When, tell_night
from daemon.cli.night import ledger_of
from daemon.control.states import Phase
from tests.api.morning.nights import BREAKFAST, RealNight, facts_of, real_night, text_of
from tests.night.places import Place, kestrel
from tests.night.power import is_in, timed_night
from tests.night.witness_nights import orchard

pytestmark = pytest.mark.plant

_ALL = ("low_night", "high_night", "grove_night")
_PLANNED_ENOUGH = 0.02
"""kg/ha: a dose of less is not compared."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Write Kestrel Bend with pipes, water and doses of a twentieth: shifts of ten minutes."""
    return kestrel(tmp_path_factory.mktemp("place"), "kestrel_bend")


def _low(folder: Path, place: Place, fault: str, minute: float) -> RealNight:
    return real_night(folder, place, ("low_night",), [(fault, timedelta(minutes=minute))])


def test_a_sound_night(tmp_path: Path, place: Place) -> None:
    """Guards the first sentence: six blocks as planned, each dose within its own band of what left the emitters."""
    night = real_night(tmp_path, place, _ALL)
    assert night.told.kind is Kind.FINE and not night.told.choices
    assert "went as planned. All six blocks" in night.text and night.text.endswith("Nothing to do.")
    assert [block.block for block in night.facts.blocks] == ["creek", "bridge", "ridge", "hill", "house", "river"]
    for block in night.facts.blocks:
        assert block.is_fine and block.water is Verdict.FINE
        assert block.water_m3 == pytest.approx(block.planned_m3, rel=0.1)
        for one in block.nutrients:
            if one.planned_kg_ha > _PLANNED_ENOUGH:
                assert abs(one.delivered_kg_ha - night.truth_kg_ha(block.block, one.nutrient)) <= one.u_kg_ha + 0.003


def test_an_injector_that_loses_its_prime(tmp_path: Path, place: Place) -> None:
    """How much of how much, when and why, what became of the water, and what the plant does until it is reset."""
    night = _low(tmp_path, place, "airlock", 5.0)
    (run,) = night.facts.runs
    assert (night.told.kind, run.cause, run.ending) == (Kind.SHORT, "airlock", Ending.WHOLE)
    assert run.at is not None and run.began < run.at < run.last
    assert night.facts.standing == ("airlock",) and not night.facts.owed_m3
    for part in ("two blocks came up short of nitrogen", "lost its prime at 10:05", "the lines were flushed", "hose"):
        assert part in night.text
    assert night.text.endswith("Until then the plant runs water only.")


def test_a_pump_that_trips_while_it_injects(tmp_path: Path, place: Place) -> None:
    """Dose and water are short, the lines are loaded, and no mix is blamed for stock that the probe never saw."""
    night = _low(tmp_path, place, "pump_trip", 3.5)
    assert night.told.kind is Kind.SHORT and night.facts.runs[0].cause == "pump-not-running"
    assert set(night.facts.owed_m3) == {"main", "creek", "bridge"}
    assert night.told.choices == (Choice.FLUSH, Choice.WATER, Choice.LATER)
    assert "still fertiliser in the lines of blocks creek and bridge" in night.text
    assert "weaker than was written down" not in night.text and "before its water was in" in night.text


def test_a_flush_that_is_cut_off_is_no_fine_night(tmp_path: Path, place: Place) -> None:
    """Every block got what was planned, and yet the lines are loaded: that is what the first sentence leads to."""
    night = _low(tmp_path, place, "pump_trip", 8.3)
    assert all(block.is_fine for block in night.facts.blocks) and night.facts.owed_m3
    assert night.told.kind is Kind.LEFT and "went as planned" not in night.text
    assert "something is left to do" in night.text and "Nothing to do" not in night.text
    assert "still fertiliser in the lines" in night.text and Choice.FLUSH in night.told.choices


def test_a_siphon_is_told_before_what_follows_from_it(tmp_path: Path, place: Place) -> None:
    """The first cause is the one: what it brought about afterwards is not the story."""
    night = _low(tmp_path, place, "siphon", 7.0)
    assert night.facts.runs[0].cause == "siphon" and "Stock flowed while the injector was off" in night.text
    assert "the reset button in the shed" in night.text


@pytest.mark.parametrize(("fault", "says"), [("injector_meter_low", "less"), ("injector_meter_high", "more")])
def test_a_meter_that_lies(tmp_path: Path, fault: str, says: str) -> None:
    """Guards the give-or-take: what really left the emitters is between the two figures that are told."""
    night = real_night(tmp_path, orchard(tmp_path, 0.5), ("low_night",), [(fault, timedelta())])
    assert night.told.kind is Kind.DOUBT and f"counts {says} than it draws" in night.text
    assert "are fine" not in night.text and night.text.count("Block creek got between") == 1
    for block in night.facts.blocks:
        lead = block.lead
        assert lead is not None
        assert abs(night.truth_kg_ha(block.block, lead.nutrient) - lead.delivered_kg_ha) <= lead.u_kg_ha


async def test_a_power_cut_that_lasts(tmp_path: Path) -> None:
    """What stopped half-way, what is in the lines, what did not run, and what may be chosen."""
    farm = await timed_night(tmp_path, [is_in(Phase.INJECT, 0.5)], off_min=70.0)
    facts = facts_of(ledger_of(farm.folder))
    told = tell_night(facts, When.LAST)
    (run,) = facts.runs
    assert (told.kind, run.ending, run.phase) == (Kind.CUT, Ending.CUT, "INJECT")
    assert run.last - run.began < timedelta(minutes=20)
    assert set(facts.owed_m3) >= {"creek"} and told.choices == (Choice.FLUSH, Choice.WATER, Choice.LATER)
    text = text_of(told)
    for part in ("the power or the controller failed at 10:", "getting its fertiliser", "still fertiliser", "short of"):
        assert part in text


async def test_a_power_cut_after_which_it_went_on(tmp_path: Path) -> None:
    """Guards the sum of a night's runs: what both gave is the plan, so that no block is told to be short."""
    farm = await timed_night(tmp_path, [is_in(Phase.INJECT, 0.5)])
    facts = facts_of(ledger_of(farm.folder))
    assert [run.ending for run in facts.runs] == [Ending.CUT, Ending.WHOLE, Ending.WHOLE]
    (block,) = facts.blocks
    assert block.fertiliser is Verdict.FINE and not facts.owed_m3 and not facts.missed
    assert "no fertiliser left in the lines" in text_of(tell_night(facts, When.LAST))


async def test_a_skipped_shift_is_not_a_missed_one(tmp_path: Path) -> None:
    """What somebody decided is told as that."""
    skip = '[tonight.rain]\nnight = 2026-10-13\ndo = "skip"\nwhy = "20 mm of rain"\n'
    farm = await timed_night(tmp_path, more=skip)
    facts = facts_of(ledger_of(farm.folder))
    told = tell_night(facts, When.LAST)
    assert not facts.runs and not facts.missed and told.kind is Kind.NOTHING
    assert "Block creek was skipped, as decided: 20 mm of rain" in text_of(told)


async def test_a_start_that_came_too_late(tmp_path: Path) -> None:
    """A controller that was off over the start, and past its lateness, leaves a night that did not run."""
    farm = await timed_night(tmp_path, [lambda state: True], off_min=90.0)
    facts = facts_of(ledger_of(farm.folder))
    told = tell_night(facts, When.LAST)
    assert told.kind is Kind.NOT_RUN and [missed.why for missed in facts.missed] == [Why.LATE]
    assert "block creek did not run" in text_of(told) and Choice.WATER in told.choices


def test_another_night_is_told_nothing_of_it(tmp_path: Path, place: Place) -> None:
    """What stands and is owed now is told of the newest night alone."""
    night = _low(tmp_path, place, "pump_trip", 3.5)
    later = facts_of(night.ledger, BREAKFAST + timedelta(days=2))
    assert not later.standing and set(later.owed_m3) == set(night.facts.owed_m3)
