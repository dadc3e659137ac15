"""Invariant 8 over several runs: a hard cap counts what the record holds, and follows when the record is corrected."""

from datetime import timedelta
from pathlib import Path

import pytest
import uvloop

from daemon.agronomy.past import PastDose
from daemon.cli.night import Night, ledger_of, run_night
from daemon.ledger.accounts import read_past
from daemon.ledger.reports import last_runs
from tests.night.sites import PROGRAM, START, edited, write_scenario

pytestmark = pytest.mark.plant

_CAP = """
[cap.day]
nutrient = "N"
kg_ha = 0.48
over = "day"
basis = "each_hectare"
strict = "hard"
why = "made up: between one and two of the program's 0.3 kg/ha"
"""
_CORRECTED = {"kg = 160.0": "kg = 80.0", 'by = "Mina"': 'by = "Mina"\nwhy = "only four of the eight bags went in"'}


def _run(files: tuple[Path, Path], programs: list[str], hours: float) -> Night:
    """Run programs so many hours after the first evening's start."""
    folder = files[0].parent / "db"
    return uvloop.run(run_night(*files, programs, folder, START + timedelta(hours=hours), options=["--perfect"]))


def test_a_hard_cap_counts_the_runs_before_and_follows_a_correction(tmp_path: Path) -> None:
    """Two in one START are too much, and the second is cut; half the bags, and a third may have what is left then."""
    files = write_scenario(tmp_path)
    decisions = files[1].read_text("utf-8") + _CAP
    files[1].write_text(decisions, "utf-8")
    path = ledger_of(tmp_path / "db")
    most_kg = 0.48 * 3.2
    _run(files, [PROGRAM, PROGRAM], 0.0)
    before = _doses(path)
    assert [dose.planned_kg for dose in before] == pytest.approx([0.3 * 3.2, 0.18 * 3.2], rel=0.01)
    assert sum(dose.committed_kg for dose in before) <= most_kg
    files[1].write_text(edited(decisions, _CORRECTED), "utf-8")
    _run(files, [PROGRAM], 5.0)
    first, second, third = _doses(path)
    assert [dose.delivered_kg for dose in (first, second)] == pytest.approx(
        [0.5 * dose.delivered_kg for dose in before], rel=1e-4
    )
    assert [dose.is_revised for dose in (first, second, third)] == [True, True, False]
    assert sum(dose.committed_kg for dose in (first, second)) < 0.55 * most_kg
    assert 0.2 * 3.2 < third.planned_kg and first.committed_kg + second.committed_kg + third.committed_kg <= most_kg
    assert len(last_runs(path, 9)) == 3


def _doses(path: Path) -> list[PastDose]:
    """Return what the record holds of nitrogen, the oldest first."""
    return sorted((dose for dose in read_past(path).doses if dose.nutrient == "N"), key=lambda dose: dose.at)
