"""Invariant 8 over several runs: a hard cap counts what the record holds, and follows when the record is corrected."""

from datetime import timedelta
from pathlib import Path

import pytest
import uvloop

from daemon.cli.night import Night, NightError, ledger_of, run_night
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
    """Two in one START, or one after the other, are too much; half the bags, and the second one may run after all."""
    files = write_scenario(tmp_path)
    decisions = files[1].read_text("utf-8") + _CAP
    files[1].write_text(decisions, "utf-8")
    with pytest.raises(NightError, match="cap day"):
        _run(files, [PROGRAM, PROGRAM], 0.0)
    _run(files, [PROGRAM], 1.0)
    with pytest.raises(NightError, match="cap day"):
        _run(files, [PROGRAM], 3.0)
    path = ledger_of(tmp_path / "db")
    (before,) = (dose for dose in read_past(path).doses if dose.nutrient == "N")
    files[1].write_text(edited(decisions, _CORRECTED), "utf-8")
    _run(files, [PROGRAM], 3.0)
    assert len(last_runs(path, 9)) == 2
    first, second = sorted((dose for dose in read_past(path).doses if dose.nutrient == "N"), key=lambda dose: dose.at)
    assert first.delivered_kg == pytest.approx(0.5 * before.delivered_kg, rel=1e-4)
    assert (first.is_revised, second.is_revised) == (True, False)
    assert first.committed_kg + second.committed_kg <= 0.48 * 3.2
    with pytest.raises(NightError, match="cap day"):
        _run(files, [PROGRAM], 5.0)
