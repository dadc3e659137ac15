"""The writer: what it says is durable is durable, and what it took it keeps (invariants 1, 7 and 8 rest on it)."""

import asyncio
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from daemon.clock import UtcStamp, real_seconds
from daemon.evidence import Checkpoint, CommandAnswered, Event, RunEnded, RunStarted
from daemon.ledger import writer
from daemon.ledger.errors import LedgerClosed, LedgerFull
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import verify_file
from tests.daemon.ledger.samples import (
    WAIT_S,
    events,
    held,
    keep,
    one_of_each,
    opened,
    stamp,
    until_unwritable,
)


def test_all_evidence_comes_back_as_it_was(tmp_path: Path) -> None:
    """Invariant 7: every class of evidence is stored whole, in order, with its stamp."""
    path = tmp_path / "ledger.db"
    rows = [*one_of_each(1), *one_of_each(2)]
    with opened(path) as ledger:
        assert ledger.born
        assert ledger.submit(rows, stamp(7, trusted=False)) == len(rows)
        assert ledger.wait_durable(len(rows), WAIT_S)
        assert ledger.health() == writer.LedgerHealth(len(rows), len(rows), True, None)
    with reading(path) as connection:
        found = sorted(
            (one for row in one_of_each() for one in evidence(connection, type(row))), key=lambda one: one.seq
        )
    assert [one.row for one in found] == rows
    assert [one.seq for one in found] == list(range(2, len(rows) + 2))
    assert {(one.at_ms, one.trusted) for one in found} == {(stamp(7).ms, False)}


def test_durable_moves_only_after_the_commit(tmp_path: Path) -> None:
    """Invariant 1: while a commit hangs no ticket is durable, and the age of the oldest row grows; then all are."""
    path = tmp_path / "ledger.db"
    now_s = [100.0]
    ledger = writer.open_ledger(path, simulated=True, stamp=stamp(), now=lambda: now_s[0])
    try:
        keep(ledger, Event("before", ""))
        assert ledger.oldest_pending_age_s == 0.0
        with held(path):
            ticket = ledger.submit([Event("held", "1"), Event("held", "2")], stamp())
            assert ticket == 3
            assert not ledger.wait_durable(ticket, 0.1)
            assert ledger.durable == 1
            assert ledger.health().writable
            now_s[0] += 6.0
            assert ledger.oldest_pending_age_s == 6.0
            assert ledger.last_success_s == 100.0
            assert "6.0 s" in until_unwritable(ledger)
            ticket = ledger.submit([Event("meanwhile", "")], stamp())
            assert [event.code for event in events(path)] == ["before"]
        assert ledger.wait_durable(ticket, WAIT_S)
        assert ledger.last_success_s == 106.0
        assert ledger.oldest_pending_age_s == 0.0
        assert ledger.health() == writer.LedgerHealth(4, 4, True, None)
    finally:
        ledger.close(WAIT_S)
    assert [event.code for event in events(path)] == ["before", "held", "held", "meanwhile"]


def test_another_writer_is_noticed(tmp_path: Path) -> None:
    """Invariant 12: a chain that somebody else has lengthened is not written on."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, Event("mine", ""))
        with opened(path) as other:
            keep(other, Event("theirs", ""))
        ledger.submit([Event("mine again", "")], stamp())
        assert "another program writes this file" in until_unwritable(ledger)
        assert not ledger.close(0.0)
    assert [event.code for event in events(path)] == ["mine", "theirs"]


@pytest.mark.parametrize(
    "bad",
    [
        RunEnded("run-1", "COMPLETE", "PERFECT", "", 1, 1),
        Checkpoint("run-1", "a", "INJECT", -1, 0, 0, 0),
        RunStarted("run-0", "east", "d", "{}"),
        Checkpoint("run-1", "a", "INJECT", 1.5, 0, 0, 0),  # type: ignore[arg-type]
        Checkpoint("run-1", "a", "INJECT", 2**63, 0, 0, 0),
    ],
    ids=["unknown word", "negative", "second start", "float", "too large"],
)
def test_a_row_that_no_table_takes_is_kept_and_bars_the_dose(tmp_path: Path, bad: RunEnded) -> None:
    """Invariant 7: a refused row is kept whole as an event; it stops no row after it, and bars the dose."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, RunStarted("run-0", "east", "d", "{}"))
        keep(ledger, Event("before", ""), bad, Event("after", ""))
        health = ledger.health()
        assert (health.durable, health.writable) == (4, False)
        assert "kept as an event" in str(health.error)
    kept = events(path)
    assert [event.code for event in kept] == ["before", "ledger_row_refused", "after"]
    assert bad.run in kept[1].detail
    assert verify_file(path).broken_seq is None


def test_text_from_outside_never_stops_the_record(tmp_path: Path) -> None:
    """Invariant 11's command is answered and recorded whatever its sender put into it: half a surrogate, or NUL."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, CommandAnswered("c\0", "\ud800Mina 😀", "operator", "stop-everything", "{}", True, ""))
        assert ledger.health().writable
    with reading(path) as connection:
        (found,) = evidence(connection, CommandAnswered)
    assert (found.row.command, found.row.who) == ("c?", "?Mina 😀")


def test_the_queue_is_bounded_and_takes_all_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A ledger that is away for days does not eat the computer's memory, and tickets stay true."""
    path = tmp_path / "ledger.db"
    monkeypatch.setattr(writer, "QUEUE_ROWS", 3)
    with opened(path) as ledger:
        with held(path):
            assert ledger.submit([Event("a", ""), Event("b", "")], stamp()) == 2
            with pytest.raises(LedgerFull, match="the 3 rows that may wait"):
                ledger.submit([Event("c", ""), Event("d", "")], stamp())
            assert ledger.submit([Event("e", "")], stamp()) == 3
        assert ledger.wait_durable(3, WAIT_S)
    assert [event.code for event in events(path)] == ["a", "b", "e"]


def test_close_drains_and_then_takes_nothing(tmp_path: Path) -> None:
    """Invariant 7: an orderly end loses no row that was taken; rows after it are refused, not lost in silence."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        ledger.submit([Event("last", str(n)) for n in range(500)], stamp())
        assert ledger.close(WAIT_S)
        with pytest.raises(LedgerClosed):
            ledger.submit([Event("late", "")], stamp())
        assert ledger.health().error == "the ledger is closed"
    assert len(events(path)) == 500
    with opened(path) as again:
        assert not again.born


async def test_the_loop_is_woken_after_each_commit(tmp_path: Path) -> None:
    """The scan learns of durability without polling: notify comes from the thread, once `durable` has moved."""
    loop, woken = asyncio.get_running_loop(), asyncio.Event()
    seen: list[tuple[str, int]] = []

    def notify() -> None:
        seen.append((threading.current_thread().name, ledger.durable))
        loop.call_soon_threadsafe(woken.set)

    with opened(tmp_path / "ledger.db", notify=notify) as ledger:
        ledger.submit([Event("a", ""), Event("b", "")], stamp())
        await asyncio.wait_for(woken.wait(), WAIT_S)
        assert seen[0] == ("ledger", 2)


def test_notify_of_a_closed_loop_does_not_end_the_writer(tmp_path: Path) -> None:
    """Invariant 7: rows given after the loop is gone are still committed."""
    loop = asyncio.new_event_loop()
    loop.close()

    def notify() -> None:
        loop.call_soon_threadsafe(loop.stop)

    with opened(tmp_path / "ledger.db", notify=notify) as ledger:
        keep(ledger, Event("a", ""))
        keep(ledger, Event("b", ""))


def test_a_birth_in_1970_is_kept_as_untrusted(tmp_path: Path) -> None:
    """Invariant 10: a computer that boots in 1970 records, and says that its clock was not trusted."""
    path = tmp_path / "ledger.db"
    early = UtcStamp(datetime(1970, 1, 1, 0, 0, 5, tzinfo=UTC), False)
    writer.open_ledger(path, simulated=False, stamp=early, now=real_seconds).close(WAIT_S)
    with reading(path) as connection:
        assert connection.execute("SELECT born, at_ms, trusted FROM meta").fetchall() == [("real", 5000, 0)]
