"""`shiftwright budget`: the account of each crop cycle as somebody reads it, from the record or from a file alone."""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daemon.cli.main import main
from daemon.clock import UtcStamp
from daemon.evidence import Dose, Evidence
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.runtime.decided import parse_request
from daemon.runtime.recording import record
from tests.daemon.control.plant import kestrel
from tests.daemon.ledger.samples import opened
from tests.daemon.runtime.farm import START, creek, fill, item, keep_rows, request, run_rows
from tests.night.sites import CREEK, KESTREL_BEND

_AREA_HA = 3.2
_TREES = (
    item(
        "cycle",
        "trees",
        crop="mandarins",
        blocks=["creek"],
        starts="2026-10-01",
        ends="2026-11-29",
        stages=[{"name": "bloom", "starts": "2026-10-01"}, {"name": "fruit", "starts": "2026-10-31"}],
    ),
    item(
        "recommendation",
        "trees_plan",
        cycle="trees",
        by="Ira",
        on="2026-09-01",
        basis="leaf test of August",
        every_days=6,
        needs={"N": {"kg_ha": 60.0, "shares": [0.5, 0.5]}},
    ),
    item(
        "other_source",
        "manure",
        blocks=["creek"],
        on="2026-10-02",
        what="manure",
        kg_ha={"N": 8.0},
        available=0.5,
        by="Mina",
    ),
)
"""Of 30 kg/ha in bloom 4 come with the manure: 26 in 5 events of 5.2."""
_KESTREL = (str(KESTREL_BEND / "site.toml"), "--decisions", str(KESTREL_BEND / "decisions.toml"), "--at", "2026-10-13")


def _record(folder: Path, *decisions: dict[str, Any], rows: Sequence[tuple[int, Evidence]] = ()) -> None:
    """Have a record with the creek's decisions and more, and the rows of a run."""
    _decide(folder, "c1", *creek(), *decisions)
    with opened(folder / LEDGER) as ledger:
        keep_rows(ledger, START, rows)


def _decide(folder: Path, command: str, *decisions: dict[str, Any]) -> None:
    """Record decisions as the daemon does, with what they restate."""
    with opened(folder / LEDGER) as ledger:
        in_force = read_in_force(ledger.path)
        record(ledger, kestrel(), in_force, parse_request(request(command, *decisions)), UtcStamp(START, True))


def _words(folder: Path, *more: str) -> list[str]:
    return ["budget", str(CREEK / "site.toml"), "--db", str(folder), "--at", "2026-10-14", *more]


def _figures(capsys: pytest.CaptureFixture[str], words: Sequence[str]) -> dict[str, Any]:
    assert main([*words, "--json"]) == 0
    figures: dict[str, Any] = json.loads(capsys.readouterr().out)
    return figures


def _nitrogen(figures: dict[str, Any], cycle: str = "trees", block: str = "creek") -> dict[str, Any]:
    """Return one block's account of nitrogen."""
    (found,) = [one for one in figures["cycles"] if one["cycle"] == cycle]
    (account,) = [one for one in found["accounts"] if (one["block"], one["nutrient"]) == (block, "N")]
    return dict(account)


def test_a_file_alone_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the demo's figures: 0.35 x 110 kg N/ha in 11 weekly events, two due; half the compost counts."""
    figures = _figures(capsys, ["budget", *_KESTREL])
    assert [one["cycle"] for one in figures["cycles"]] == ["avocados", "mandarins", "young_mandarins"]
    account = _nitrogen(figures, "mandarins")
    assert (account["recommended_kg_ha"], account["delivered_kg_ha"]) == (110.0, 0.0)
    assert (account["other_kg_ha"], account["other_available_kg_ha"], account["left_kg_ha"]) == (20.0, 10.0, 100.0)
    stage = account["stage"]
    assert (stage["name"], stage["last"]) == ("fruit_set", "2026-12-15")
    assert (stage["target_kg_ha"], stage["due_kg_ha"], stage["short_offered_kg_ha"]) == pytest.approx((38.5, 7.0, 7.0))
    assert stage["short_accepted_kg_ha"] == 0.0
    assert account["next_event"]["kg_ha"] == pytest.approx(3.5)
    assert _nitrogen(figures, "avocados", "house")["recommended_kg_ha"] is None


def test_caps_stand_once_each(capsys: pytest.CaptureFixture[str]) -> None:
    """Guards a farm average, which every block's account has: one line, over all of them, hard caps told apart."""
    figures = _figures(capsys, ["budget", *_KESTREL])
    caps = figures["caps"]
    assert len(caps) == len({(cap["cap"], *cap["blocks"]) for cap in caps}) == 13
    (farm,) = [cap for cap in caps if cap["basis"] == "farm_average"]
    assert len(farm["blocks"]) == 6 and farm["strict"] == "hard"
    assert farm["used_kg_ha"] + farm["left_kg_ha"] == pytest.approx(95.0)
    creek_year = next(cap for cap in caps if cap["cap"] == "nitrogen_2026" and cap["blocks"] == ["creek"])
    assert (creek_year["used_kg_ha"], creek_year["left_kg_ha"]) == pytest.approx((20.0, 121.0))
    assert creek_year["strict"] == "advisory"
    assert all(one["offered_cap"] is None for one in figures["cycles"])


def test_one_block_and_one_cycle(capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the filters: rows of others are not shown, and the mean is still that of the whole cycle."""
    whole = _figures(capsys, ["budget", *_KESTREL])
    one = _figures(capsys, ["budget", *_KESTREL, "--block", "creek"])
    assert [cycle["cycle"] for cycle in one["cycles"]] == ["mandarins"]
    assert {account["block"] for account in one["cycles"][0]["accounts"]} == {"creek"}
    assert one["cycles"][0]["mean_had_kg_ha"] == whole["cycles"][1]["mean_had_kg_ha"]
    assert all("creek" in cap["blocks"] for cap in one["caps"])
    named = _figures(capsys, ["budget", *_KESTREL, "--cycle", "avocados"])
    assert [cycle["cycle"] for cycle in named["cycles"]] == ["avocados"]


def test_what_a_run_gave_is_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the sums by hand: 40 L of 31 g N/L are 1.24 kg, of which a tenth is still in the lines."""
    _record(tmp_path, *_TREES, rows=run_rows("night"))
    account = _nitrogen(_figures(capsys, _words(tmp_path)))
    delivered, in_lines = 1.116 / _AREA_HA, 0.124 / _AREA_HA
    assert (account["delivered_kg_ha"], account["in_lines_kg_ha"]) == pytest.approx((delivered, in_lines))
    assert account["u_k2_kg_ha"] == pytest.approx(delivered / 20.0)
    assert account["left_kg_ha"] == pytest.approx(60.0 - 4.0 - delivered - in_lines)
    assert not account["is_disputed"] and not account["is_revised"]
    assert main(_words(tmp_path)) == 0
    (row,) = [line for line in capsys.readouterr().out.splitlines() if "±" in line and " N " in line]
    assert row.split()[:5] == ["creek", "N", "60.00", "0.35", "±"] and "4.00 of 8.00" in row


def test_a_day_before_the_run_is_as_it_stood_then(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards --at: a run that began later is left out; one of the very day counts."""
    _record(tmp_path, *_TREES, rows=run_rows("night"))
    day_of, day_before = (_words(tmp_path, "--at", f"2026-10-{day}") for day in (13, 12))
    assert _nitrogen(_figures(capsys, day_of))["delivered_kg_ha"] > 0.0
    account = _nitrogen(_figures(capsys, day_before))
    assert account["delivered_kg_ha"] == account["in_lines_kg_ha"] == 0.0
    assert account["next_event"]["kg_ha"] == pytest.approx(5.2)


def test_figures_in_doubt_and_revised_are_marked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards what a reader must know: the row says it, and a line says what the word means."""
    rows = [
        (second, replace(row, basis="estimated") if isinstance(row, Dose) else row) for second, row in run_rows("night")
    ]
    _record(tmp_path, *_TREES, rows=rows)
    assert main(_words(tmp_path)) == 0
    shown = capsys.readouterr().out
    assert "  disputed\n" in shown and "disputed: " in shown and "revised" not in shown
    half = fill("a_1", 80.0, START.replace(year=2020), why="half the bags")
    _decide(tmp_path, "c2", half)
    account = _nitrogen(_figures(capsys, _words(tmp_path)))
    assert account["is_revised"] and account["delivered_kg_ha"] == pytest.approx(0.558 / _AREA_HA, rel=0.01)
    assert main(_words(tmp_path)) == 0
    assert "revised: a corrected mix" in capsys.readouterr().out


def test_no_cap_is_assumed_and_one_is_offered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the rule: without a stated cap the operator is told so, and what 1.1 x the plan would be."""
    _record(tmp_path, *_TREES)
    assert main(_words(tmp_path)) == 0
    shown = capsys.readouterr().out
    assert "No cap stated for N on cycle trees: setup would offer plan x 1.1 = 66 kg/ha as advisory." in shown
    assert "Caps" not in shown
    figures = _figures(capsys, _words(tmp_path))
    assert figures["caps"] == [] and figures["cycles"][0]["offered_cap"]["kg_ha"] == 66.0


def test_the_next_dose_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the reason and the warning beside the figure: the day after a run is too early for a six days' event."""
    _record(tmp_path, *_TREES, rows=run_rows("night"))
    due = _nitrogen(_figures(capsys, _words(tmp_path)))["next_event"]
    assert due["due_from"] == "2026-10-19" and "26 over 5 events is 5.2" in due["reasons"][0]
    assert main(_words(tmp_path)) == 0
    shown = capsys.readouterr().out
    assert f"  N: {due['reasons'][0]}." in shown
    assert "  N: mind, not due until 2026-10-19" in shown


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--block", "ridge"), "--block: got 'ridge'; expected one of creek"),
        (("--cycle", "plums"), "--cycle: got 'plums'; expected one of trees"),
        (("--at", "soon"), "--at: got 'soon'"),
    ],
)
def test_what_is_not_there_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: tuple[str, ...], said: str
) -> None:
    """Guards the words for a wrong name: what was got, and which are known."""
    _record(tmp_path, *_TREES)
    assert main(_words(tmp_path, *more)) == 2
    assert said in capsys.readouterr().err


def test_without_a_record_or_cycles_it_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards the first use: nothing is there yet, and nothing is made by looking."""
    assert main(_words(tmp_path / "none")) == 2
    assert "shiftwright run SITE --db DIR" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()
    _record(tmp_path)
    assert main(_words(tmp_path)) == 2
    assert "no crop cycle is entered" in capsys.readouterr().err


def test_a_cycle_without_a_recommendation_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards a cycle with nothing to account for: it is named, with the next step."""
    _record(tmp_path, _TREES[0])
    assert main(_words(tmp_path)) == 0
    assert "Nothing is recommended for it. Next: shiftwright import recommendations" in capsys.readouterr().out


def test_a_file_with_mistakes_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards --decisions: every problem is told, and a block that the site lacks is not passed over in silence."""
    file = tmp_path / "decisions.toml"
    words = ["budget", str(CREEK / "site.toml"), "--decisions", str(file), "--at", "2026-10-13"]
    assert main(words) == 2
    assert "cannot be read" in capsys.readouterr().err
    file.write_text("[cycle.plums]\ncrop = 3\n")
    assert main(words) == 2
    assert "cycle.plums.crop" in capsys.readouterr().err
    file.write_text((KESTREL_BEND / "decisions.toml").read_text("utf-8"))
    assert main([*words, "--cycle", "mandarins"]) == 0
    assert "the site has no such block: bridge" in capsys.readouterr().out
