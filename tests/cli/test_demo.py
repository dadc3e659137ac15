"""`shiftwright demo` as somebody sees it who tries it first: what it prints, what it writes, and that it is true."""

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from daemon.cli import demo
from daemon.cli.main import main
from daemon.ledger.reports import last_runs, verify_file
from tests.night.sites import SHORT_NIGHT, SHORT_PIPES, write_scenario

_MOST_LINES = 45
_MOST_SHORT_LINES = 16
_SHIFTWRIGHT = (
    sys.executable,
    "-P",
    "-c",
    "import sys\n"
    "from daemon.cli.main import main\n"
    "code = main(sys.argv[1:])\n"
    "sys.exit(7 if any(name.partition('.')[0] == 'sim' for name in sys.modules) else code)\n",
)
"""The command line in a process of its own, which ends with 7 where it has imported the simulator."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A demo that has been run."""

    code: int
    lines: list[str]
    figures: dict[str, Any]
    folder: Path


@pytest.fixture(scope="module")
def perfect(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    """The whole of Kestrel Bend, three shifts and six blocks, on a plant without tolerances."""
    folder = tmp_path_factory.mktemp("demo")
    words = ("demo", "--perfect", "--json", str(folder / "night.json"), "--db", str(folder / "db"))
    done = subprocess.run((*_SHIFTWRIGHT, *words), capture_output=True, text=True, timeout=110, check=False)
    return Shown(done.returncode, done.stdout.splitlines(), json.loads((folder / "night.json").read_text()), folder)


@pytest.fixture
def short_demo(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Shown]:
    """Run the demo of an orchard with shorter pipes: the command is the same, the night is not as long."""
    write_scenario(tmp_path / "scenario", SHORT_PIPES, SHORT_NIGHT)
    monkeypatch.setattr(demo, "_SCENARIO", tmp_path / "scenario")

    def run(*words: str) -> Shown:
        file = tmp_path / "night.json"
        code = main(["demo", *words, "--json", str(file)])
        return Shown(code, capsys.readouterr().out.splitlines(), json.loads(file.read_text()), tmp_path)

    return run


@pytest.mark.plant
def test_the_demo_fits_on_a_screen(perfect: Shown) -> None:
    """A bar for each phase, a row for each block and nutrient, the outcome, the truth, and no simulator inside."""
    assert perfect.code == 0
    assert 10 <= len(perfect.lines) <= _MOST_LINES
    assert "SIMULATED" in perfect.lines[0] and "invented" in perfect.lines[0]
    bars = [line.split()[0] for line in perfect.lines if "#" in line]
    assert bars == 3 * ["FILL", "PREWET", "INJECT", "FLUSH"]
    rows = [line for line in perfect.lines if "±" in line]
    assert len(rows) == 16 and all(row.endswith("as planned") for row in rows)
    assert sum(line.strip().startswith("DELIVERED (COMPLETE)") for line in perfect.lines) == 3
    assert perfect.lines[-1].endswith("chain holds.")


@pytest.mark.plant
def test_a_perfect_night_gets_what_was_planned(perfect: Shown) -> None:
    """|delivered - truth| <= 0.5 % of planned and |delivered - planned| <= 1 %, for each block and nutrient."""
    blocks = perfect.figures["blocks"]
    assert [block["block"] for block in blocks] == ["creek", "bridge", "ridge", "hill", "house", "river"]
    assert {name for block in blocks for name in block["nutrients"]} == {"N", "Ca", "K"}
    for dose in (dose for block in blocks for dose in block["nutrients"].values()):
        assert abs(dose["delivered_kg"] - dose["truth_kg"]) <= 0.005 * dose["planned_kg"]
        assert abs(dose["delivered_kg"] - dose["planned_kg"]) <= 0.01 * dose["planned_kg"]


@pytest.mark.plant
def test_the_doses_are_those_recommended(perfect: Shown) -> None:
    """By hand: 0.35 x 110 kg N/ha in 11 weekly events is 3.5, and so on; the plan is within 15 % on every block."""
    due_kg_ha = {"low": {"N": 3.5, "K": 3.0}, "high": {"N": 2.4, "K": 2.0}, "grove": {"K": 2.0}}
    shifts = ("low", "low", "high", "high", "grove", "grove")
    for block, shift in zip(perfect.figures["blocks"], shifts, strict=True):
        doses = block["nutrients"]
        due = {name: dose["due_kg_ha"] for name, dose in doses.items() if dose["due_kg_ha"] is not None}
        assert due == pytest.approx(due_kg_ha[shift])
        for name, kg_ha in due.items():
            assert doses[name]["planned_kg_ha"] == pytest.approx(kg_ha, rel=0.15)
            assert doses[name]["planned_kg_ha"] * block["area_ha"] == pytest.approx(doses[name]["planned_kg"], abs=1e-5)
    lines = [line for line in perfect.lines if line.startswith("  Recommended tonight: ")]
    assert [line.partition(" kg/ha")[0].partition(": ")[2] for line in lines] == [
        "N 3.50, K 3.00",
        "N 2.40, K 2.00",
        "K 2.00",
    ]
    for line in lines:
        asked, planned = line.partition(": ")[2].partition(" kg/ha")[0], line.partition("; planned ")[2]
        assert planned == asked and "_2026" in line


@pytest.mark.plant
def test_the_figures_have_their_form(perfect: Shown) -> None:
    """The keys of schema 3, neither more nor fewer; at least eight hours were simulated."""
    figures = perfect.figures
    counts = {"schema", "seed", "simulated_s", "wall_s", "scans", "requests"}
    assert set(figures) == counts | {"blocks", "runs", "alarms"}
    assert figures["schema"] == 3 and {alarm["code"] for alarm in figures["alarms"]} <= {"filter-backwash"}
    assert figures["simulated_s"] >= 8 * 3600.0
    for block in figures["blocks"]:
        assert set(block) == {"block", "area_ha", "nutrients"}
        for dose in block["nutrients"].values():
            masses = {"planned_kg", "injected_kg", "delivered_kg", "lost_kg", "u_k2_kg", "truth_kg"}
            assert set(dose) == masses | {"planned_kg_ha", "due_kg_ha"}
    for run in figures["runs"]:
        assert set(run) == {"shift", "state", "outcome", "phases"}
        assert (run["state"], run["outcome"]) == ("COMPLETE", "DELIVERED")
        assert [set(phase) for phase in run["phases"]] == [{"phase", "start", "s", "water_m3"}] * 4
    assert figures["requests"] >= 2 * figures["scans"]


@pytest.mark.plant
def test_the_kept_ledger_verifies(perfect: Shown) -> None:
    """--db keeps a record that is whole and holds the runs."""
    assert verify_file(perfect.folder / "db" / "ledger.db").broken_seq is None
    runs = last_runs(perfect.folder / "db" / "ledger.db", 5)
    assert [run.started.row.shift for run in runs] == ["grove", "high", "low"]
    assert all(run.ended is not None and run.ended.row.outcome == "DELIVERED" for run in runs)


@pytest.mark.plant
def test_the_same_seed_writes_the_same_bytes(short_demo: Callable[..., Shown]) -> None:
    """Byte for byte but for the wall time, which is the only line that may differ."""
    texts = []
    for _ in range(2):
        shown = short_demo("--seed", "3")
        lines = (shown.folder / "night.json").read_text().splitlines()
        texts.append([line for line in lines if '"wall_s"' not in line])
        assert len(texts[-1]) == len(lines) - 1
    assert texts[0] == texts[1]


@pytest.mark.plant
def test_a_wrong_night_says_what_was_wrong(short_demo: Callable[..., Shown]) -> None:
    """--fault: SHORT in the row and in the outcome, with the reason; the exit code is that of a demo that ran."""
    shown = short_demo("--fault", "airlock@6")
    assert shown.code == 0 and len(shown.lines) <= _MOST_SHORT_LINES
    assert all(line.endswith("SHORT") for line in shown.lines if "±" in line)
    (outcome,) = [line for line in shown.lines if line.strip().startswith("SHORT (COMPLETE)")]
    assert "injector" in outcome
    assert [alarm["code"] for alarm in shown.figures["alarms"]] == [*["injector-silent"] * 2, "airlock"]


@pytest.mark.plant
def test_a_second_demo_goes_into_the_same_record(short_demo: Callable[..., Shown], tmp_path: Path) -> None:
    """It begins in the same second of its clock (invariant 10): the record still tells the two runs apart."""
    for _ in range(2):
        assert short_demo("--perfect", "--db", str(tmp_path / "db")).figures["runs"][0]["outcome"] == "DELIVERED"
    second, first = last_runs(tmp_path / "db" / "ledger.db", 5)
    assert first.started.row.run != second.started.row.run
    assert verify_file(tmp_path / "db" / "ledger.db").broken_seq is None


def test_a_copy_of_the_site_passes_its_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--copy gives a starting point that is right, and never overwrites what somebody has begun with."""
    assert main(["demo", "--copy", str(tmp_path / "mine")]) == 0
    assert main(["check", str(tmp_path / "mine" / "site.toml")]) == 0
    assert "No errors" in capsys.readouterr().out
    (tmp_path / "mine" / "site.toml").write_text("mine")
    assert main(["demo", "--copy", str(tmp_path / "mine")]) == 2
    assert (tmp_path / "mine" / "site.toml").read_text() == "mine"
