"""history.db: the readings, for charts. Losing it loses no dose, so that it fails quietly: errors are counted.

What comes in lies in plain rows until its hour is over; then it is packed (spans.py).
"""

import math
import sqlite3
import threading
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from itertools import count
from pathlib import Path

from daemon.keeping import Keeping
from daemon.ledger.errors import sqlite_code
from daemon.ledger.spans import SPAN_SCHEMA, compact, drop_old

FLUSH_SETS = 60
"""Sets of values that make a transaction: about a minute of scans, so that a card is not worn by readings."""
KEPT_SETS = 3600
"""Sets kept while the file cannot be written: about an hour of scans; then the oldest are lost, and counted."""

_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS point (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    "CREATE TABLE IF NOT EXISTS sample (at_ms INTEGER NOT NULL, point INTEGER NOT NULL REFERENCES point (id), "
    "value REAL NOT NULL, PRIMARY KEY (point, at_ms)) WITHOUT ROWID",
    *SPAN_SCHEMA,
)


_AS_NOTHING_IS_SAID = Keeping()


class History:
    """The writer of history.db. `append` costs no disk; `flush` does, and may be called from another thread."""

    def __init__(self, path: Path, keeping: Keeping = _AS_NOTHING_IS_SAID) -> None:
        self._path = path
        self._keeping = keeping
        self._waiting: deque[tuple[int, dict[str, float]]] = deque()
        self._lock = threading.Lock()
        self._connection: sqlite3.Connection | None = None
        self._points: dict[str, int] = {}
        self.errors = 0
        """Flushes that failed since the start."""
        self.lost_sets = 0
        """Sets of values given up because they could not be written for too long."""

    def append(self, at_ms: int, values: Mapping[str, float]) -> bool:
        """Keep one scan's values by the names of their points, and tell whether a flush is due.

        `at_ms` is milliseconds since 1970-01-01 UTC. Values that are not finite are left out. Never raises.
        """
        self._waiting.append((at_ms, {name: value for name, value in values.items() if math.isfinite(value)}))
        if len(self._waiting) > KEPT_SETS:
            self._waiting.popleft()
            self.lost_sets += 1
        return len(self._waiting) >= FLUSH_SETS

    def flush(self) -> None:
        """Write what waits in one transaction. What fails is counted and tried again with the next flush."""
        with self._lock:
            sets = list(self._waiting)
            if not sets:
                return
            try:
                self._write(sets)
            except (sqlite3.Error, OSError) as problem:
                self.errors += 1
                self._disconnect()
                if isinstance(problem, sqlite3.DatabaseError) and _is_damage(problem):
                    self._move_aside()
                return
            for written in sets:
                # An append may have given up the oldest meanwhile.
                if self._waiting and self._waiting[0] is written:
                    self._waiting.popleft()

    def close(self) -> None:
        """Write what waits and close the file."""
        self.flush()
        with self._lock:
            self._disconnect()

    def _write(self, sets: list[tuple[int, dict[str, float]]]) -> None:
        connection = self._connection or self._connect()
        connection.execute("BEGIN IMMEDIATE")
        for name in {name for _, values in sets for name in values} - self._points.keys():
            connection.execute("INSERT OR IGNORE INTO point (name) VALUES (?)", (name,))
            self._points[name] = connection.execute("SELECT id FROM point WHERE name = ?", (name,)).fetchone()[0]
        connection.executemany(
            # A wall clock that was set back comes to the same moment twice: the later reading stands.
            "INSERT OR REPLACE INTO sample (at_ms, point, value) VALUES (?, ?, ?)",
            [(at_ms, self._points[name], value) for at_ms, values in sets for name, value in values.items()],
        )
        newest_ms = sets[-1][0]
        if compact(connection, newest_ms):
            drop_old(connection, newest_ms, self._keeping)
        connection.execute("COMMIT")

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path, isolation_level=None, check_same_thread=False)
        try:
            for pragma in ("journal_mode=WAL", "synchronous=NORMAL", "busy_timeout=1000"):
                connection.execute(f"PRAGMA {pragma}")
            for table in _SCHEMA:
                connection.execute(table)
        except sqlite3.Error:
            connection.close()
            raise
        self._connection = connection
        return connection

    def _disconnect(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = None
        self._points.clear()

    def _move_aside(self) -> None:
        """Put the damaged file and its log out of the way; the next flush begins a new one."""
        n = next(n for n in count(1) if not self._beside(f".damaged-{n}").exists())
        with suppress(OSError):
            self._path.rename(self._beside(f".damaged-{n}"))
            for part in ("-wal", "-shm"):
                self._beside(part).unlink(missing_ok=True)

    def _beside(self, suffix: str) -> Path:
        return self._path.with_name(self._path.name + suffix)


def _is_damage(problem: sqlite3.DatabaseError) -> bool:
    return sqlite_code(problem) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
