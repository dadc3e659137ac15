"""Decisions on their way into the record: versioned, sealed, and never half told."""

import os
import threading
from collections.abc import Sequence
from pathlib import Path

import pytest

from daemon.clock import UtcStamp
from daemon.evidence import CommandAnswered, DoseRestated, Event, Evidence
from daemon.ledger import store, writer
from daemon.ledger.batch import NewDecision, Unit
from daemon.ledger.errors import LedgerDone, LedgerError, LedgerRow, LedgerUnwritable, LedgerVersion
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import latest_decisions, recorded_before, verify_file
from daemon.ledger.writer import Ledger
from daemon.messages import RECORD
from tests.daemon.ledger.samples import (
    WAIT_S,
    events,
    files_no_larger_than,
    held,
    keep,
    opened,
    sample,
    stamp,
)


def decide(ledger: Ledger, kind: str, key: str, body: str, who: str, at: UtcStamp, timeout_s: float = WAIT_S) -> int:
    """Record one decision and return its version."""
    (version,) = ledger.record_decisions([NewDecision(kind, key, body)], who, at, timeout_s=timeout_s)
    return version


def test_decisions_are_versioned_and_sealed(tmp_path: Path) -> None:
    """A decision is evidence: every version stays, in the one chain, with who and when."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        assert decide(ledger, "shift", "east", '{"blocks":["b1"]}', "Mina", stamp(1)) == 1
        assert decide(ledger, "shift", "east", '{"blocks":["b2"]}', "Jo", stamp(2)) == 2
        assert decide(ledger, "shift", "west", '{"blocks":["b3"]}', "Jo", stamp(3)) == 1
    with opened(path) as ledger:
        assert decide(ledger, "shift", "west", '{"blocks":["b4"]}', "Jo", stamp(4)) == 2
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

        def decide_too() -> None:
            versions.append(decide(ledger, "stock", "a", "{}", "Mina", stamp()))

        threads = [threading.Thread(target=decide_too) for _ in range(8)]
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
                decide(ledger, kind, "east", body, "Mina", stamp())
        keep(ledger, Event("before", ""))
        with files_no_larger_than(os.path.getsize(f"{path}-wal")):
            with pytest.raises(LedgerUnwritable, match="it is not recorded"):
                decide(ledger, "shift", "east", "{}", "Mina", stamp(), timeout_s=0.3)
        keep(ledger, Event("after", ""))
    assert latest_decisions(path) == ()


def test_a_decision_whose_commit_hangs_is_left_open(tmp_path: Path) -> None:
    """Where nobody can know yet whether a decision will stand, the message says so; here it stands in the end."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
        with held(path), pytest.raises(LedgerUnwritable, match="its commit is under way: look it up"):
            decide(ledger, "shift", "east", "{}", "Mina", stamp(), timeout_s=0.2)
        keep(ledger, Event("after", ""))
    assert [(one.key, one.version) for one in latest_decisions(path)] == [("east", 1)]


def _told(command: str) -> CommandAnswered:
    return CommandAnswered(command, "Mina", "", RECORD, "[]", True, f"{command} was recorded")


def _restated(n: int) -> list[DoseRestated]:
    return [sample(DoseRestated, number) for number in range(1, n + 1)]


def _count(path: Path, kind: type[Evidence]) -> int:
    with reading(path) as connection:
        return len(evidence(connection, kind))


def test_a_correction_is_recorded_with_its_restated_rows(tmp_path: Path) -> None:
    """Corrections restate: the decisions, the rows that follow from them and the command stand in one chain."""
    path = tmp_path / "ledger.db"
    both = [NewDecision("mix", "fill_1", '{"a":1}'), NewDecision("mix", "fill_2", "{}")]
    with opened(path) as ledger:
        assert decide(ledger, "mix", "fill_1", "{}", "Jo", stamp()) == 1
        rows: list[Evidence] = [*_restated(3), _told("c1")]
        assert ledger.record_decisions(both, "Mina", stamp(1), command="c1", rows=rows) == (2, 1)
        assert (ledger.health().durable, ledger.health().submitted) == (0, 0)
    with reading(path) as connection:
        assert [found.row for found in evidence(connection, DoseRestated)] == _restated(3)
    assert recorded_before(path, "c1") == _told("c1")
    assert recorded_before(path, "c2") is None
    assert verify_file(path).rows == 1 + 1 + 2 + 4


@pytest.mark.parametrize(
    ("body", "row", "error"),
    [
        ("{", sample(DoseRestated), "not JSON"),
        ("{}", sample(DoseRestated, -1), "CHECK constraint failed"),
        ("{}", DoseRestated(*["x"] * 16), "got str, expected int"),  # type: ignore[arg-type]
    ],
    ids=["body", "table", "types"],
)
def test_a_correction_that_is_none_leaves_nothing(tmp_path: Path, body: str, row: DoseRestated, error: str) -> None:
    """All or nothing: no decision stands without its rows, no row without its decision, and evidence goes on."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        with held(path):
            ticket = ledger.submit([Event("before", "")], stamp())
            asked = threading.Thread(target=lambda: refused.append(_refusal(ledger, body, row)))
            refused: list[LedgerError] = []
            asked.start()
        asked.join()
        assert ledger.wait_durable(ticket, WAIT_S)
        assert ledger.health().writable
        keep(ledger, Event("after", ""))
    assert error in str(refused[0])
    assert latest_decisions(path) == ()
    assert (_count(path, DoseRestated), _count(path, CommandAnswered)) == (0, 0)
    assert [event.code for event in events(path)] == ["before", "after"]
    assert verify_file(path).rows == 3


def _refusal(ledger: Ledger, body: str, row: DoseRestated) -> LedgerError:
    decisions = [NewDecision("mix", "fill_1", "{}"), NewDecision("mix", "fill_2", body)]
    with pytest.raises(LedgerError) as refused:
        ledger.record_decisions(decisions, "Mina", stamp(), command="c1", rows=(row, _told("c1")))
    return refused.value


def test_a_decision_on_an_older_version_is_refused_with_what_is_there(tmp_path: Path) -> None:
    """Two people who decide at once do not overwrite each other: the second is told what the first decided."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        ledger.record_decisions([NewDecision("shift", "east", '{"a":1}', expected_version=0)], "Jo", stamp())
        for seen in (0, 2):
            old = [NewDecision("shift", "west", "{}"), NewDecision("shift", "east", "{}", expected_version=seen)]
            with pytest.raises(LedgerVersion, match=f'version 1 by Jo: {{"a":1}}; expected version {seen}'):
                ledger.record_decisions(old, "Mina", stamp())
        with pytest.raises(LedgerVersion, match="got none yet; expected version 1"):
            ledger.record_decisions([NewDecision("shift", "north", "{}", expected_version=1)], "Mina", stamp())
        assert ledger.record_decisions([NewDecision("shift", "east", "{}", 1)], "Mina", stamp()) == (2,)
        assert ledger.health().writable
    assert [(one.key, one.version) for one in latest_decisions(path)] == [("east", 2)]


def test_a_command_that_comes_twice_is_done_once(tmp_path: Path) -> None:
    """The id makes it idempotent: sent again after a restart, or while the first still waits for the disk."""
    path = tmp_path / "ledger.db"
    fates: list[object] = []

    def ask(ledger: Ledger) -> None:
        try:
            fates.append(
                ledger.record_decisions(
                    [NewDecision("mix", "fill_1", "{}")], "Mina", stamp(), command="c1", rows=[_told("c1")]
                )
            )
        except LedgerDone as done:
            fates.append(str(done))

    with opened(path) as ledger:
        threads = [threading.Thread(target=ask, args=(ledger,)) for _ in range(3)]
        with held(path):
            for thread in threads:
                thread.start()
            assert not ledger.wait_durable(1, 0.1)
        for thread in threads:
            thread.join()
    with opened(path) as ledger:
        ask(ledger)
        assert decide(ledger, "mix", "fill_1", "{}", "Jo", stamp()) == 2  # without an id each is its own
    assert sorted(map(str, fates)) == ["(1,)", *["c1 was recorded"] * 3]
    assert _count(path, CommandAnswered) == 1


def test_versions_come_late_but_come(tmp_path: Path) -> None:
    """A decision given up on while its commit hung comes into force all the same when it is recorded in the end."""
    path = tmp_path / "ledger.db"
    late: list[tuple[int, ...]] = []
    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
        decision = [NewDecision("shift", "east", "{}")]
        with held(path), pytest.raises(LedgerUnwritable, match="its commit is under way"):
            ledger.record_decisions(decision, "Mina", stamp(), then=late.append, timeout_s=0.2)
        assert late == []
        keep(ledger, Event("after", ""))
        assert late == [(1,)]
        with (
            files_no_larger_than(os.path.getsize(f"{path}-wal")),
            pytest.raises(LedgerUnwritable, match="not recorded"),
        ):
            ledger.record_decisions(decision, "Mina", stamp(), then=late.append, timeout_s=0.3)
    assert late == [(1,)]


def test_a_unit_is_never_divided(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many rows a correction has, they are one transaction; what waits with it is not forgotten."""
    path = tmp_path / "ledger.db"
    monkeypatch.setattr(writer, "BATCH_ROWS", 3)
    batches: list[int] = []
    commit = store.Store.commit

    def counted(self: store.Store, batch: Sequence[Unit]) -> store.Committed:
        batches.append(sum(len(unit.rows) for unit in batch))
        return commit(self, batch)

    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
        monkeypatch.setattr(store.Store, "commit", counted)
        with held(path):
            ticket = ledger.submit([Event("first", "")], stamp())
            assert not ledger.wait_durable(ticket, 0.1)
            ledger.submit([Event("second", "")], stamp())
            mix = [NewDecision("mix", "fill_1", "{}")]
            asked = threading.Thread(
                target=ledger.record_decisions, args=(mix, "Mina", stamp()), kwargs={"rows": _restated(8)}
            )
            asked.start()
            while len(ledger._queue) < 3:
                asked.join(0.01)
            ticket = ledger.submit([Event("last", "")], stamp())
        asked.join()
        assert ledger.wait_durable(ticket, WAIT_S)
    assert batches == [1, 1, 9, 1]
    assert [event.code for event in events(path)] == ["before", "first", "second", "last"]
    assert _count(path, DoseRestated) == 8
