"""history.db: the readings, for charts. Losing it loses no dose, so that it fails quietly: errors are counted."""

import math
import sqlite3
import threading
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from itertools import count
from pathlib import Path

from daemon.ledger.errors import sqlite_code

FLUSH_SETS = 60
"""Sets of values that make a transaction: about a minute of scans, so that a card is not worn by readings."""
_PAGE = 5_000
KEPT_SETS = 3600
"""Sets kept while the file cannot be written: about an hour of scans; then the oldest are lost, and counted."""

_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS point (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    "CREATE TABLE IF NOT EXISTS sample (at_ms INTEGER NOT NULL, point INTEGER NOT NULL REFERENCES point (id), "
    "value REAL NOT NULL, PRIMARY KEY (point, at_ms)) WITHOUT ROWID",
)


class History:
    """The writer of history.db. `append` costs no disk; `flush` does, and may be called from another thread."""

    def __init__(self, path: Path) -> None:
        self._path = path
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


def read(path: Path, point: str, from_ms: int, to_ms: int) -> list[tuple[int, float]]:
    """Return the moments (milliseconds since 1970-01-01 UTC) and values of a point, both ends included.

    Nothing for a point or a file that is not there. Raises sqlite3.Error for a file that cannot be read.
    """
    if not path.exists():
        return []
    with _reading(path) as connection:
        return connection.execute(
            "SELECT at_ms, value FROM sample JOIN point ON point.id = sample.point "
            "WHERE name = ? AND at_ms BETWEEN ? AND ? ORDER BY at_ms",
            (point, from_ms, to_ms),
        ).fetchall()


def points(path: Path) -> tuple[str, ...]:
    """Return the names of all points that have readings. Raises sqlite3.Error for a file that cannot be read."""
    if not path.exists():
        return ()
    with _reading(path) as connection:
        return tuple(name for (name,) in connection.execute("SELECT name FROM point ORDER BY name"))


def newest_ms(path: Path) -> int | None:
    """Return the moment of the newest reading; None where there is none. Raises sqlite3.Error as `points` does."""
    if not path.exists():
        return None
    with _reading(path) as connection:
        found: int | None = connection.execute(
            "SELECT max((SELECT max(at_ms) FROM sample WHERE sample.point = point.id)) FROM point"
        ).fetchone()[0]
        return found


def thinned(path: Path, point: str, from_ms: int, to_ms: int, most: int) -> list[tuple[int, float, float, float]]:
    """Return at most so many parts of a span, each with its first moment, and the least, mean and highest value in it.

    Parts without readings are left out. Raises sqlite3.Error for a file that cannot be read.
    """
    if not path.exists() or to_ms < from_ms:
        return []
    part_ms = max(1, -(-(to_ms - from_ms + 1) // most))
    with _reading(path) as connection:
        return connection.execute(
            "SELECT min(at_ms), min(value), avg(value), max(value) FROM sample JOIN point ON point.id = sample.point "
            "WHERE name = ? AND at_ms BETWEEN ? AND ? GROUP BY (at_ms - ?) / ? ORDER BY 1",
            (point, from_ms, to_ms, from_ms, part_ms),
        ).fetchall()


def pages(path: Path, point: str, from_ms: int, to_ms: int) -> Iterator[list[tuple[int, float]]]:
    """Yield a span's readings in parts, each read in a transaction of its own, so that none holds the file for long.

    Raises sqlite3.Error for a file that cannot be read.
    """
    while from_ms <= to_ms and path.exists():
        with _reading(path) as connection:
            found = connection.execute(
                "SELECT at_ms, value FROM sample JOIN point ON point.id = sample.point "
                "WHERE name = ? AND at_ms BETWEEN ? AND ? ORDER BY at_ms LIMIT ?",
                (point, from_ms, to_ms, _PAGE),
            ).fetchall()
        if not found:
            return
        yield found
        from_ms = found[-1][0] + 1


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        yield connection


def _is_damage(problem: sqlite3.DatabaseError) -> bool:
    return sqlite_code(problem) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
