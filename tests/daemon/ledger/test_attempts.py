"""Attempts in the record: what was entered counts, what was turned back from stays and does not."""

from pathlib import Path

import pytest

from daemon.control.record import canonical
from daemon.evidence import Evidence, StepBegun, StepEnded, StepEntered, StepTurned
from daemon.ledger.attempts import ABORTED, ACCEPTED, accepted, attempt_of, attempts, open_attempt
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.writer import Ledger
from tests.daemon.ledger.samples import WAIT_S, opened, stamp


def _begun(name: str, subject: str = "creek") -> StepBegun:
    return StepBegun(name, "transit", subject, "0" * 16, "Tomas")


def _entered(name: str, stage: str, value: float) -> StepEntered:
    return StepEntered(name, stage, canonical({"v": value}), "Tomas")


def _keep(ledger: Ledger, *rows: Evidence) -> None:
    for row in rows:
        assert ledger.wait_durable(ledger.submit((row,), stamp()), WAIT_S)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Return a record with an attempt that was accepted, one that was aborted, and one that is open."""
    found = tmp_path / "ledger.db"
    result = canonical({"figures": [{"name": "transit", "value": 9.0}]})
    with opened(found) as ledger:
        _keep(
            ledger,
            _begun("one"), _entered("one", "way", 1.0), _entered("one", "fill", 2.0), _entered("one", "watch", 3.0),
            StepTurned("one", "fill", "repeated", "Tomas"), _entered("one", "fill", 4.0),
            StepEnded("one", ACCEPTED, "PASSED", result, "", "Tomas"),
            _begun("two", "ridge"), _entered("two", "way", 5.0), StepEnded("two", ABORTED, "", "", "thunder", "Tomas"),
            _begun("three", "hill"), _entered("three", "way", 6.0), StepTurned("three", "", "cut off", "Tomas"),
        )  # fmt: skip
    return found


def test_what_counts_and_what_is_kept(path: Path) -> None:
    """Guards the evidence: a stage that was repeated counts once, and both readings stay."""
    one, two, three = attempts(path)
    assert [(stage, values["v"]) for stage, values in one.entries] == [("way", 1.0), ("fill", 4.0)]
    assert len(one.entered) == 4 and [turned.row.why for turned in one.turned] == ["repeated"]
    assert two.ended is not None and two.ended.row.why == "thunder" and two.result == {}
    assert three.ended is None and [stage for stage, _ in three.entries] == ["way"]
    with pytest.raises(ValueError, match="has not ended"):
        three.done  # noqa: B018


def test_what_was_accepted(path: Path) -> None:
    """With its result, and what it stands for."""
    (one,) = accepted(path)
    assert one.result["figures"][0]["value"] == 9.0
    assert one.done[:3] == ("transit", "creek", "0" * 16) and one.done[4] == "PASSED"


def test_one_by_its_id_and_the_open_one(path: Path) -> None:
    """The one that a stop left open is the one to go on with."""
    found, still = attempt_of(path, "two"), open_attempt(path)
    assert found is not None and found.begun.row.subject == "ridge" and attempt_of(path, "nine") is None
    assert still is not None and still.begun.row.attempt == "three"


def test_without_a_record_there_is_none(tmp_path: Path) -> None:
    """Says so like every reader."""
    with pytest.raises(LedgerMissing):
        attempts(tmp_path / "ledger.db")
