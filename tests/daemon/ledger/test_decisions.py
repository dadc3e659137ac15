"""Decisions on their way into the record: versioned, sealed, and never half told."""

import os
import threading
from pathlib import Path

import pytest

from daemon.evidence import Event
from daemon.ledger.errors import LedgerRow, LedgerUnwritable
from daemon.ledger.reports import latest_decisions, verify_file
from tests.daemon.ledger.samples import (
    files_no_larger_than,
    held,
    keep,
    opened,
    stamp,
)


def test_decisions_are_versioned_and_sealed(tmp_path: Path) -> None:
    """A decision is evidence: every version stays, in the one chain, with who and when."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        assert ledger.record_decision("shift", "east", '{"blocks":["b1"]}', "Mina", stamp(1)) == 1
        assert ledger.record_decision("shift", "east", '{"blocks":["b2"]}', "Jo", stamp(2)) == 2
        assert ledger.record_decision("shift", "west", '{"blocks":["b3"]}', "Jo", stamp(3)) == 1
    with opened(path) as ledger:
        assert ledger.record_decision("shift", "west", '{"blocks":["b4"]}', "Jo", stamp(4)) == 2
        assert ledger.health().durable == 0
    found = latest_decisions(path)
    assert [(one.key, one.version, one.body, one.who) for one in found] == [
        ("east", 2, '{"blocks":["b2"]}', "Jo"),
        ("west", 2, '{"blocks":["b4"]}', "Jo"),
    ]
    assert verify_file(path).rows == 5


def test_versions_are_right_within_one_commit(tmp_path: Path) -> None:
    """Two people deciding at once get two versions, though both wait for one commit."""
    path = tmp_path / "ledger.db"
    versions: list[int] = []
    with opened(path) as ledger:

        def decide() -> None:
            versions.append(ledger.record_decision("stock", "a", "{}", "Mina", stamp()))

        threads = [threading.Thread(target=decide) for _ in range(8)]
        with held(path):
            for thread in threads:
                thread.start()
            assert not ledger.wait_durable(1, 0.1)
        for thread in threads:
            thread.join()
    assert sorted(versions) == list(range(1, 9))


def test_a_decision_that_is_not_recorded_says_so(tmp_path: Path) -> None:
    """Nobody is told that a decision stands when it does not, and one given up does not come back later."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        for kind, body in (("", "{}"), ("shift", "{"), ("shift", "")):
            with pytest.raises(LedgerRow, match="got"):
                ledger.record_decision(kind, "east", body, "Mina", stamp())
        keep(ledger, Event("before", ""))
        with files_no_larger_than(os.path.getsize(f"{path}-wal")):
            with pytest.raises(LedgerUnwritable, match="it is not recorded"):
                ledger.record_decision("shift", "east", "{}", "Mina", stamp(), timeout_s=0.3)
        keep(ledger, Event("after", ""))
    assert latest_decisions(path) == ()


def test_a_decision_whose_commit_hangs_is_left_open(tmp_path: Path) -> None:
    """Where nobody can know yet whether a decision will stand, the message says so; here it stands in the end."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
        with held(path), pytest.raises(LedgerUnwritable, match="its commit is under way: look it up"):
            ledger.record_decision("shift", "east", "{}", "Mina", stamp(), timeout_s=0.2)
        keep(ledger, Event("after", ""))
    assert [(one.key, one.version) for one in latest_decisions(path)] == [("east", 1)]
