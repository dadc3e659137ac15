"""`shiftwright program`: what somebody types at a terminal, as the record has it then, and what is told of mistakes."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import main
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import Program
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.ledger.reports import latest_decisions, verify_file

Say = Callable[..., tuple[int, str]]


@pytest.fixture
def say(folder: Path, capsys: pytest.CaptureFixture[str]) -> Say:
    """Run `program` with words; return the exit code and what was said, errors included."""
    capsys.readouterr()

    def run(what: str, *words: str, name: str = "wet") -> tuple[int, str]:
        of = () if what == "list" else (name,)
        code = main(["program", what, *of, str(folder / "site.toml"), "--db", str(folder), *words])
        said = capsys.readouterr()
        return code, said.out + said.err

    return run


def _program(folder: Path, name: str = "wet") -> dict[str, Any]:
    found = read_in_force(folder / LEDGER).decisions[Program.kind, name]
    return found.model_dump(mode="json", exclude_defaults=True)


def _timetable(folder: Path, name: str) -> dict[str, Any]:
    found = read_in_force(folder / LEDGER).decisions[Timetable.kind, name]
    return found.model_dump(mode="json", exclude_defaults=True)


@pytest.mark.parametrize(
    ("water", "body"),
    [("174m3", {"water_m3": 174.0}), ("120min", {"water_min": 120.0}), ("12.5mm", {"water_mm": 12.5})],
)
def test_water_alone(folder: Path, say: Say, water: str, body: dict[str, float]) -> None:
    """Guards the three ways to say how much; without a timetable the answer says how it runs."""
    code, said = say("add", "--shift", "low", "--water", water)
    assert code == 0 and "It is in no timetable" in said and "shiftwright start wet" in said
    assert _program(folder) == {"shift": "low", "order": "together", **body}


def test_stocks_and_a_timetable_of_its_own(folder: Path, say: Say) -> None:
    """Guards every word of --inject and of the timetable, to the field of the decision."""
    code, said = say(
        *("add", "--shift", "low", "--water", "174m3", "--source", "creek_water", "--meet", "lowest"),
        *("--inject", "calcium", "N", "kg_ha=2.5", "m3=84", "nights=mon,Thursday"),
        *("--inject", "potassium", "K", "recommendation=mandarins_2026"),
        *("--start", "21:30", "--start", "05:00", "--every", "3", "--first", "2026-10-14", "--last", "2027-03-01"),
        *("--late", "60", "--finish-by", "07:00"),
    )
    assert code == 0, said
    assert _program(folder) == {
        "shift": "low",
        "water_m3": 174.0,
        "order": "together",
        "source": "creek_water",
        "meet": "lowest",
        "injections": [
            {"stock": "calcium", "nutrient": "N", "dose_kg_ha": 2.5, "inject_m3": 84.0, "nights": ["mon", "thu"]},
            {"stock": "potassium", "nutrient": "K", "recommendation": "mandarins_2026"},
        ],
    }
    assert _timetable(folder, "wet") == {
        "programs": ["wet"],
        "starts": ["21:30:00", "05:00:00"],
        "every_days": 3,
        "first": "2026-10-14",
        "last": "2027-03-01",
        "late_min": 60,
        "finish_by": "07:00:00",
    }
    assert "Timetable wet: 21:30, 05:00, every 3 nights, from 2026-10-14, until 2027-03-01. Next: " in said


def test_a_timetable_is_joined_and_changed(folder: Path, say: Say) -> None:
    """Guards --timetable: the program comes last; what is given takes the place of what was there, the rest stays."""
    assert say("add", "--shift", "low", "--water", "60m3", "--timetable", "nightly", "--on", "mon,wed")[0] == 0
    joined = _timetable(folder, "nightly")
    assert joined["programs"] == ["low_night", "high_night", "grove_night", "wet"]
    assert (joined["starts"], joined["weekdays"]) == (["22:00:00"], ["mon", "wed"])
    again = ("add", "--shift", "high", "--water", "80m3", "--every", "2", "--first", "2026-10-14")
    code, said = say(*again)
    assert code == 2 and "--replace" in said
    assert say(*again, "--replace")[0] == 0  # where it stands already, it is that timetable which changes
    code, said = say("add", "--shift", "high", "--water", "80m3", "--start", "20:00", "--timetable", "eve", "--replace")
    assert code == 2 and "program 'wet', which timetable 'nightly' runs already" in said
    changed = _timetable(folder, "nightly")
    assert changed["programs"] == joined["programs"]
    assert changed["every_days"] == 2 and "weekdays" not in changed
    assert _program(folder)["shift"] == "high"


def test_the_list_goes_by_timetable(folder: Path, say: Say) -> None:
    """Guards what an operator looks up: each program with water and stocks, its next start, and those of none."""
    say("add", "--shift", "low", "--water", "60m3")
    code, said = say("list")
    lines = said.splitlines()
    assert code == 0
    assert lines[0].startswith("Timetable nightly: 22:00, every night. Next: ") and lines[0].endswith(" 22:00.")
    (row,) = [line for line in lines if line.split()[:1] == ["low_night"]]
    assert row.split() == "low_night low 174 m3 calcium N by mandarins_2026 in 84 m3".split()
    loose = lines[lines.index("In no timetable: they run when somebody starts them.") :]
    assert loose[-1].split() == "wet low 60 m3 water alone".split()
    figures = json.loads(say("list", "--json")[1])
    assert figures["schema"] == 1 and set(figures["programs"]) == {"low_night", "high_night", "grove_night", "wet"}
    assert figures["timetables"]["nightly"]["next_start"].partition("T")[2][:5] == "22:00"


def test_a_program_is_removed(folder: Path, say: Say) -> None:
    """Guards what others run by: a shared timetable keeps it until that is said; one of its own goes along."""
    code, said = say("remove", name="low_night")
    assert code == 1 and "timetable nightly, with high_night, grove_night" in said and "--from-timetable" in said
    assert say("remove", "--from-timetable", name="low_night")[0] == 0
    assert _timetable(folder, "nightly")["programs"] == ["high_night", "grove_night"]
    assert say("add", "--shift", "low", "--water", "60m3", "--start", "20:00")[0] == 0
    code, said = say("remove")
    assert code == 0 and "Removed program wet as version 2, timetable wet as version 2." in said
    in_force = read_in_force(folder / LEDGER)
    assert {("program", "wet"), ("timetable", "wet"), ("program", "low_night")} == in_force.removed
    assert {one.key: one.body for one in latest_decisions(folder / LEDGER)}["wet"] == "null"
    code, said = say("remove")
    assert code == 2 and "got 'wet'; expected one of grove_night, high_night" in said
    assert verify_file(folder / LEDGER).broken_seq is None


_WATER = ("--shift", "low", "--water", "174m3")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--shift", "low", "--water", "174"), "--water: got '174'; expected it with its unit: 174m3, 120min or 12mm"),
        (("--shift", "low", "--water", "lotsm3"), "--water 'lotsm3': got 'lots'; expected a number"),
        (("--shift", "low", "--water", "0m3"), "program.wet.water_m3"),
        (("--shift", "lo", "--water", "60m3"), "program.wet.shift: got 'lo'; expected a shift of the record"),
        ((*_WATER, "--inject", "calcium", "N"), "--inject calcium N: expected STOCK NUTRIENT and a dose"),
        ((*_WATER, "--inject", "calcium", "N", "kg=3"), "'kg=3': expected one of recommendation="),
        ((*_WATER, "--inject", "calcium", "N", "kg_ha=3", "kg_ha=4"), "got it twice"),
        ((*_WATER, "--inject", "calcium", "N", "kg_ha=x"), "got 'x'; expected a number"),
        ((*_WATER, "--inject", "calcium", "N", "kg_ha=3", "nights=mun"), "got 'mun'; expected weekdays"),
        ((*_WATER, "--inject", "calcium", "N", "m3=40"), "got no dose; expected one of recommendation, dose_kg_ha"),
        ((*_WATER, "--inject", "urea", "N", "kg_ha=3"), "got 'urea'; expected a stock of the record"),
        ((*_WATER, "--start", "half past nine"), "timetable.wet.starts.0"),
        ((*_WATER, "--start", "21:30", "--on", "mon,x"), "--on: got 'mon,x'"),
        ((*_WATER, "--start", "21:30", "--every", "2"), "got every_days without first"),
        ((*_WATER, "--start", "21:30", "--inhibit", "wind"), "expected a contact of the site: weather.wind"),
        ((*_WATER, "--on", "mon"), "'wet'; expected one of nightly, or --start for a new one"),
        ((*_WATER, "--timetable", "daily"), "got 'daily'; expected one of nightly, or --start for a new one"),
    ],
)
def test_a_mistake_is_told_and_nothing_recorded(folder: Path, say: Say, words: tuple[str, ...], told: str) -> None:
    """Guards the words of a refusal: what was got, and what was expected; the record stays as it was."""
    head = verify_file(folder / LEDGER).head
    code, said = say("add", *words)
    assert code == 2 and told in said
    assert verify_file(folder / LEDGER).head == head


def test_a_program_that_cannot_run_is_refused(folder: Path, say: Say) -> None:
    """Guards the night: a dose that no injector can give in that water is refused when it is entered, with why."""
    code, said = say(
        "add", "--shift", "grove", "--water", "148m3", "--inject", "potassium", "K", "kg_ha=15", "--start", "21:30"
    )
    assert code == 2 and "program.wet: got a night that fails for its" in said
    assert (Timetable.kind, "wet") not in read_in_force(folder / LEDGER).versions
