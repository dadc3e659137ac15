"""The ledger's one writer: a thread that seals rows and commits them, all that wait in one transaction.

The scan only leaves rows here and reads how far they are durable. A commit that fails is tried again with its rows in
their order for as long as it takes; nothing that was taken is dropped while the process lives.
"""

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from itertools import accumulate, islice, takewhile
from pathlib import Path

from sqlalchemy.exc import DBAPIError

from daemon.clock import UtcStamp
from daemon.evidence import Evidence
from daemon.ledger.batch import NewDecision, Unit, columns_of, record_unit
from daemon.ledger.errors import LedgerClosed, LedgerError, LedgerFull, LedgerUnwritable
from daemon.ledger.opening import prepare
from daemon.ledger.store import Committed, Store

QUEUE_ROWS = 50_000
"""Rows taken while the ledger cannot be written: more than a day of water with a row every two seconds."""
BATCH_ROWS = 2_000
"""Rows of one transaction, so that the one after a long outage is not the next outage. A unit is never divided."""
RETRY_S = 1.0
"""Real seconds between two tries of a commit that fails."""
DEADLINE_S = 5.0
"""Age of the oldest waiting row from which the ledger counts as unwritable, be it only slow."""


@dataclass(frozen=True, slots=True)
class LedgerHealth:
    """How the ledger does, as the scan sees it."""

    durable: int
    """Rows of evidence made durable since the ledger was opened."""
    submitted: int
    """Rows of evidence taken since the ledger was opened."""
    writable: bool
    """Whether a dose may rest on it. False from a failed commit to the next good one, while a commit takes longer than
    the deadline, and for good once a row had to be refused."""
    error: str | None
    """Why it is not writable."""


@dataclass(eq=False, slots=True)
class _Waiting:
    """A unit in the queue. With a record command somebody waits for its versions."""

    unit: Unit
    since_s: float
    versions: "Future[tuple[int, ...]] | None" = None


def open_ledger(
    path: Path,
    *,
    simulated: bool,
    stamp: UtcStamp,
    now: Callable[[], float],
    notify: Callable[[], None] | None = None,
    site_digest: str = "",
) -> "Ledger":
    """Open the ledger at `path`, or make it; start its writer.

    `now` returns monotonic seconds of real time: a disk keeps no simulated time. `notify` is called from the writer's
    thread after each commit and after each first failure. An existing ledger on a disk that is full or read-only opens,
    unwritable. Raises LedgerNewer, LedgerKind, LedgerDamaged, LedgerUnwritable (see opening.prepare).
    """
    born = prepare(path, simulated=simulated, stamp=stamp, site_digest=site_digest)
    return Ledger(path, now=now, notify=notify, born=born)


class Ledger:
    """The owner of ledger.db. Made by `open_ledger`; its methods may be called from any thread."""

    def __init__(self, path: Path, *, now: Callable[[], float], notify: Callable[[], None] | None, born: bool) -> None:
        self.path = path
        self.born = born
        """Whether this opening made the ledger: then nothing is known of what the plant was left in."""
        self._now = now
        self._notify = notify
        self._changed = threading.Condition()
        self._queue: deque[_Waiting] = deque()
        self._in_commit = 0
        self._submitted = 0
        self._durable = 0
        self._last_success_s = now()
        self._error: str | None = None
        self._refused: str | None = None
        self._closing = False
        self._abandoned = False
        self._store = Store(path)
        self._thread = threading.Thread(target=self._run, name="ledger", daemon=True)
        self._thread.start()

    def submit(self, rows: Sequence[Evidence], stamp: UtcStamp) -> int:
        """Take rows for the record and return at once, with the ticket of the last: rows taken since the opening.

        Raises LedgerFull when the queue has no room (then none of `rows` is taken) and LedgerClosed after `close`.
        """
        since_s = self._now()
        waiting = [_Waiting(Unit((columns_of(row, stamp),)), since_s) for row in rows]
        with self._changed:
            self._admit(waiting)
            self._submitted += len(waiting)
            return self._submitted

    def record_decisions(
        self,
        decisions: Sequence[NewDecision],
        who: str,
        stamp: UtcStamp,
        *,
        command: str = "",
        rows: Sequence[Evidence] = (),
        then: Callable[[tuple[int, ...]], None] | None = None,
        timeout_s: float = 10.0,
    ) -> tuple[int, ...]:
        """Record each decision as one more version, with `rows` of evidence that go with them, all or nothing.

        Waits until they are durable and returns the versions (the first of a decision is 1). A `command` of which a
        row among `rows` tells is done once. `then` gets the versions once they are durable, from the writer's thread,
        also when that is after `timeout_s`.

        Blocks, so call it off the event loop. Raises LedgerRow for an empty name or a body that is not JSON,
        LedgerVersion when another version is there than a decision expects, LedgerDone for a command done before, and
        LedgerUnwritable after `timeout_s` real seconds: all is then withdrawn, unless its commit is under way, which
        the message says.
        """
        versions: Future[tuple[int, ...]] = Future()
        if then is not None:
            versions.add_done_callback(lambda done: None if done.exception() else then(done.result()))
        made = _Waiting(record_unit(decisions, rows, who, stamp, command), self._now(), versions)
        with self._changed:
            self._admit([made])
        try:
            return versions.result(timeout_s)
        except TimeoutError:
            withdrawn = self._withdraw(made)
        if versions.done():
            return versions.result()
        why = self.health().error or "slow disk"
        fate = "it is not recorded" if withdrawn else "its commit is under way: look it up before you repeat it"
        what = ", ".join(f"{decision.kind} {decision.key}" for decision in decisions)
        raise LedgerUnwritable(f"decision {what}: no commit in {timeout_s:g} s ({why}); {fate}")

    def wait_durable(self, ticket: int, timeout_s: float) -> bool:
        """Block until the row of `ticket` is durable; return whether it is within `timeout_s` real seconds."""
        with self._changed:
            return self._changed.wait_for(lambda: self._durable >= ticket, timeout_s)

    @property
    def durable(self) -> int:
        """Rows of evidence made durable since the opening."""
        return self._durable

    @property
    def last_success_s(self) -> float:
        """When the last commit succeeded, or the ledger was opened, in `now`'s seconds."""
        return self._last_success_s

    @property
    def oldest_pending_age_s(self) -> float:
        """Seconds that the oldest row has waited to be durable; 0 when none waits. Sees a commit that hangs."""
        with self._changed:
            return self._now() - self._queue[0].since_s if self._queue else 0.0

    def health(self) -> LedgerHealth:
        """Return how the ledger does now."""
        age_s = self.oldest_pending_age_s
        with self._changed:
            error = self._error or self._refused
            if error is None and age_s > DEADLINE_S:
                error = f"a commit has taken {age_s:.1f} s, expected {DEADLINE_S:g} s at most: see to the disk"
            if error is None and not self._thread.is_alive():
                error = "the ledger is closed"
            return LedgerHealth(self._durable, self._submitted, error is None, error)

    def close(self, timeout_s: float) -> bool:
        """Commit what waits, stop the writer and close the file; return whether all was made durable in time."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        with self._changed:
            self._abandoned = True
            self._changed.notify_all()
        # A last try may be under way; a commit that hangs must not hold up the safe stop.
        self._thread.join(RETRY_S)
        return not self._queue

    def _admit(self, waiting: Sequence[_Waiting]) -> None:
        if self._closing:
            raise LedgerClosed("got rows after the close of the ledger, expected none")
        if len(self._queue) + len(waiting) > QUEUE_ROWS:
            raise LedgerFull(
                f"{self.path}: got more than the {QUEUE_ROWS} rows that may wait; see to the disk ({self._error})"
            )
        self._queue.extend(waiting)
        self._changed.notify_all()

    def _withdraw(self, waiting: _Waiting) -> bool:
        """Take a row out of the queue again, unless it is in the commit that is under way."""
        with self._changed:
            place = next((n for n, other in enumerate(self._queue) if other is waiting), None)
            if place is None or place < self._in_commit:
                return False
            del self._queue[place]
            return True

    def _run(self) -> None:
        try:
            while batch := self._next_batch():
                try:
                    committed = self._store.commit([waiting.unit for waiting in batch])
                except Exception as problem:  # whatever it is, the rows stay and the writer lives
                    self._failed(problem)
                else:
                    self._committed(batch, committed)
        finally:
            self._store.close()

    def _next_batch(self) -> list[_Waiting]:
        """Wait for rows and return them; none when the writer is to end."""
        with self._changed:
            self._changed.wait_for(lambda: self._queue or self._closing)
            if self._abandoned:
                return []
            # A batch that may be in the file already comes again as it was.
            batch = list(islice(self._queue, self._in_commit or _units_in(self._queue, BATCH_ROWS)))
            self._in_commit = len(batch)
            return batch

    def _committed(self, batch: Sequence[_Waiting], committed: Committed) -> None:
        with self._changed:
            for _ in batch:
                self._queue.popleft()
            self._in_commit = 0
            self._durable += sum(waiting.versions is None for waiting in batch)
            self._last_success_s = self._now()
            self._error = None
            if committed.refused and self._refused is None:
                self._refused = f"a row could not be stored as it was and is kept as an event: {committed.refused}"
            self._changed.notify_all()
        for waiting, fate in zip(batch, committed.fates, strict=True):
            if waiting.versions is None:
                continue
            if isinstance(fate, LedgerError):
                waiting.versions.set_exception(fate)
            else:
                waiting.versions.set_result(fate)
        self._tell()

    def _failed(self, problem: Exception) -> None:
        cause = problem.orig if isinstance(problem, DBAPIError) else problem
        with self._changed:
            first = self._error is None
            self._in_commit = self._in_commit if self._store.in_doubt else 0
            self._error = f"could not commit to {self.path}: {cause}"
        if first:
            self._tell()
        with self._changed:
            self._changed.wait_for(lambda: self._abandoned, RETRY_S)

    def _tell(self) -> None:
        if self._notify is not None:
            # The loop to be woken may have closed before the ledger.
            with contextlib.suppress(RuntimeError):
                self._notify()


def _units_in(queue: Iterable[_Waiting], rows: int) -> int:
    """Return how many of the first units hold no more than so many rows together; at least one."""
    sums = accumulate(len(waiting.unit.rows) for waiting in queue)
    return max(1, sum(1 for _ in takewhile(lambda total: total <= rows, sums)))
