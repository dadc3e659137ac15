"""A killed process, a full disk, a lost answer: what was acknowledged is there, and what was taken is kept."""

import json
import os
import signal
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import NullPool, create_engine

from daemon.clock import real_seconds
from daemon.evidence import CommandAnswered, DoseRestated, Event
from daemon.ledger import migrate, store, writer
from daemon.ledger.batch import NewDecision
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import latest_decisions, verify_file
from tests.daemon.ledger.killed_child import RESTATED
from tests.daemon.ledger.nursery import Nursery
from tests.daemon.ledger.samples import (
    WAIT_S,
    events,
    files_no_larger_than,
    keep,
    opened,
    sample,
    stamp,
    until_unwritable,
)

_KILLS = 20


def test_a_full_disk_keeps_every_row_in_order(tmp_path: Path) -> None:
    """Invariants 1 and 7: on a full disk nothing is lost or acknowledged, the ledger says so, and recovers."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
        with files_no_larger_than(os.path.getsize(f"{path}-wal") + 8192):
            for n in range(20):
                ticket = ledger.submit([Event("full", f"{n} " + "x" * 2000)], stamp(n))
            error = until_unwritable(ledger)
            assert str(path) in error
            assert not ledger.wait_durable(ticket, 0.2)
            assert ledger.submit([Event("water only", "")], stamp()) == ticket + 1
        assert ledger.wait_durable(ticket + 1, WAIT_S)
        assert ledger.health() == writer.LedgerHealth(22, 22, True, None)
    assert [event.detail.split()[0] for event in events(path) if event.code == "full"] == [str(n) for n in range(20)]
    assert verify_file(path).rows == 23


def test_a_ledger_on_a_full_disk_opens_unwritable(tmp_path: Path) -> None:
    """No record, no dose; but an existing ledger that cannot be written lets water run, and is taken up again later."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
    with files_no_larger_than(100):
        ledger = writer.open_ledger(path, simulated=True, stamp=stamp(), now=real_seconds)
        try:
            ticket = ledger.submit([Event("after", "")], stamp())
            assert str(path) in until_unwritable(ledger)
        except BaseException:
            ledger.close(0.0)
            raise
    try:
        assert ledger.wait_durable(ticket, WAIT_S)
    finally:
        ledger.close(WAIT_S)
    assert [event.code for event in events(path)] == ["before", "after"]


def test_a_commit_in_doubt_is_stored_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Invariant 7: a commit that reports failure after it was done is found done, and its rows are not stored twice."""
    path = tmp_path / "ledger.db"
    failures: list[store.Committed] = []

    with opened(path) as ledger:
        certain = store.Store._certain

        def fails_once(self: store.Store, committed: store.Committed) -> store.Committed:
            if not failures:
                failures.append(committed)
                raise OSError("the answer to COMMIT was lost")
            return certain(self, committed)

        monkeypatch.setattr(store.Store, "_certain", fails_once)
        keep(ledger, Event("once", ""))
        keep(ledger, Event("next", ""))
        assert ledger.health().writable
    assert len(failures) == 1
    assert [event.code for event in events(path)] == ["once", "next"]
    assert verify_file(path).broken_seq is None


def test_a_correction_in_doubt_is_stored_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A correction whose commit was done and reported as failed has its version and its rows once."""
    path = tmp_path / "ledger.db"
    failures: list[store.Committed] = []
    certain = store.Store._certain

    def fails_once(self: store.Store, committed: store.Committed) -> store.Committed:
        if not failures:
            failures.append(committed)
            raise OSError("the answer to COMMIT was lost")
        return certain(self, committed)

    with opened(path) as ledger:
        keep(ledger, Event("before", ""))
        monkeypatch.setattr(store.Store, "_certain", fails_once)
        rows = [sample(DoseRestated, n) for n in range(5)]
        assert ledger.record_decisions([NewDecision("mix", "fill_1", "{}")], "Mina", stamp(), rows=rows) == (1,)
    assert len(failures) == 1
    assert [one.version for one in latest_decisions(path)] == [1]
    with reading(path) as connection:
        assert [found.row for found in evidence(connection, DoseRestated)] == rows


def test_every_commit_is_synced_and_checked(tmp_path: Path) -> None:
    """Invariants 1 and 7 rest on SQLite's full syncing and on foreign keys; no other engine is touched."""
    path = tmp_path / "ledger.db"
    with opened(path):
        pass
    mine, other = migrate.immediate_engine(path, store.PRAGMAS), create_engine(f"sqlite:///{path}", poolclass=NullPool)
    found = []
    for engine in (mine, other):
        with engine.connect() as connection:
            pragmas = ("journal_mode", "synchronous", "foreign_keys")
            found.append([connection.exec_driver_sql(f"PRAGMA {name}").scalar_one() for name in pragmas])
        engine.dispose()
    assert found == [["wal", 2, 1], ["wal", 2, 0]]


def test_a_killed_writer_loses_nothing_it_acknowledged(tmp_path: Path) -> None:
    """Invariant 7 under kill -9 (a process crash, not a power cut): acknowledged rows are there, in order, sealed."""
    path = tmp_path / "ledger.db"
    acknowledged = 0
    for kill, last in _kills(path, "rows"):
        acknowledged += last
        details = [event.detail for event in events(path) if event.code == f"kill-{kill}"]
        assert details == [str(n) for n in range(1, len(details) + 1)]
        assert len(details) >= last
    assert acknowledged > _KILLS
    assert verify_file(path).broken_seq is None
    with opened(path) as ledger:
        keep(ledger, Event("after", ""))
    assert verify_file(path).broken_seq is None


def test_a_killed_correction_is_whole_or_not_there(tmp_path: Path) -> None:
    """A correction is recorded with its restated rows and its command or not at all, whenever the process dies."""
    path = tmp_path / "ledger.db"
    acknowledged = 0
    for kill, last in _kills(path, "corrections"):
        acknowledged += last
        with reading(path) as connection:
            bodies = [json.loads(body) for (body,) in connection.execute("SELECT body FROM decision ORDER BY seq")]
            restated = Counter(found.row.why for found in evidence(connection, DoseRestated))
            commands = [found.row.command for found in evidence(connection, CommandAnswered)]
        assert bodies[::2] == bodies[1::2] == commands
        assert restated == dict.fromkeys(commands, RESTATED)
        mine = [command for command in commands if command.startswith(f"kill-{kill}-")]
        assert mine == [f"kill-{kill}-{n}" for n in range(1, len(mine) + 1)]
        assert len(mine) >= last
    assert acknowledged > _KILLS
    assert verify_file(path).broken_seq is None


def _kills(path: Path, what: str) -> Iterator[tuple[int, int]]:
    """Kill one writer after the other; yield the number of each kill and the last number it acknowledged."""
    with Nursery(what) as nursery:
        for kill in range(_KILLS):
            pid = nursery.begin(path, kill)
            last = nursery.acknowledged(1 + 2 * (kill % 5))
            os.kill(pid, signal.SIGKILL)
            yield kill, max(last, nursery.last_words()[0])
