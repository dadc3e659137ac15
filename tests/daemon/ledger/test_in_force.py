"""The decisions in force, read again when there are others and not before."""

from pathlib import Path

from daemon.decisions.shed import Rainfall
from daemon.ledger.batch import NewDecision
from daemon.ledger.in_force import InForceReader
from daemon.ledger.writer import Ledger
from tests.daemon.ledger.samples import WAIT_S, opened, stamp


def _decide(ledger: Ledger, mm: float | None) -> None:
    body = "null" if mm is None else f'{{"on": "2026-10-14", "mm": {mm}, "by": "Mina"}}'
    ledger.record_decisions([NewDecision("rainfall", "gauge", body)], "Mina", stamp())
    assert ledger.wait_durable(ledger.health().submitted, WAIT_S)


def test_they_are_read_anew_once_there_are_others(tmp_path: Path) -> None:
    """Guards each page: it shows what holds now, a removal too, and reads a season's decisions once."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        reader = InForceReader(path)
        assert reader.newest().decisions == {}
        _decide(ledger, 3.0)
        first = reader.newest()
        assert first.decisions == {
            ("rainfall", "gauge"): Rainfall.model_validate({"on": "2026-10-14", "mm": 3.0, "by": "Mina"})
        }
        assert reader.newest() is first
        _decide(ledger, 7.0)
        newer = reader.newest()
        assert newer.versions == {("rainfall", "gauge"): 2} and newer is not first
        _decide(ledger, None)
        assert reader.newest().decisions == {} and reader.newest().removed == {("rainfall", "gauge")}
