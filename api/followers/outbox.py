"""What each destination has still to be told, kept over restarts; and its place in the record."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

_SCHEMA: Final = (
    "CREATE TABLE IF NOT EXISTS cursor (destination TEXT PRIMARY KEY, seq INTEGER NOT NULL)",
    """CREATE TABLE IF NOT EXISTS message (
        id INTEGER PRIMARY KEY, destination TEXT NOT NULL, key TEXT NOT NULL, event TEXT NOT NULL,
        wakes INTEGER NOT NULL, at_ms INTEGER NOT NULL, text TEXT NOT NULL, sent_ms INTEGER,
        UNIQUE (destination, key))""",
    "CREATE TABLE IF NOT EXISTS delivery (destination TEXT NOT NULL, at_ms INTEGER NOT NULL)",
)
_KEPT_MS: Final = 60 * 86_400_000
"""What was sent is remembered for so long, so that it is not told again."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that is not delivered yet."""

    id: int
    event: str
    wakes: bool
    at_ms: int
    text: str


class Outbox:
    """The file. Short transactions, from whichever thread."""

    def __init__(self, path: Path) -> None:
        """Open it, and make it where it is new. Raises sqlite3.Error."""
        self._path = path
        with closing(self._open()) as connection, connection:
            for table in _SCHEMA:
                connection.execute(table)

    def cursor(self, destination: str) -> int | None:
        """Return how far into the record a destination has been told; None for a new one."""
        with closing(self._open()) as connection:
            row = connection.execute("SELECT seq FROM cursor WHERE destination = ?", (destination,)).fetchone()
            return None if row is None else int(row[0])

    def keep(self, destination: str, messages: Sequence[tuple[str, Waiting]], seq: int | None) -> None:
        """Keep messages by their keys, and with them the place up to which the record was read: both or neither.

        A key that was kept before is not kept again.
        """
        with closing(self._open()) as connection, connection:
            connection.executemany(
                "INSERT OR IGNORE INTO message (destination, key, event, wakes, at_ms, text) VALUES (?, ?, ?, ?, ?, ?)",
                [(destination, key, one.event, one.wakes, one.at_ms, one.text) for key, one in messages],
            )
            if seq is not None:
                connection.execute("INSERT OR REPLACE INTO cursor (destination, seq) VALUES (?, ?)", (destination, seq))

    def waiting(self, destination: str) -> list[Waiting]:
        """Return what a destination has still to be told, oldest first."""
        with closing(self._open()) as connection:
            found = connection.execute(
                "SELECT id, event, wakes, at_ms, text FROM message WHERE destination = ? AND sent_ms IS NULL "
                "ORDER BY id",
                (destination,),
            )
            return [Waiting(id_, event, bool(wakes), at_ms, text) for id_, event, wakes, at_ms, text in found]

    def delivered(self, destination: str, messages: Sequence[Waiting], now_ms: int) -> None:
        """Remember one delivery, which may have told of several messages."""
        with closing(self._open()) as connection, connection:
            connection.executemany(
                "UPDATE message SET sent_ms = ? WHERE id = ?", [(now_ms, one.id) for one in messages]
            )
            connection.execute("INSERT INTO delivery (destination, at_ms) VALUES (?, ?)", (destination, now_ms))
            connection.execute("DELETE FROM message WHERE sent_ms < ?", (now_ms - _KEPT_MS,))
            connection.execute("DELETE FROM delivery WHERE at_ms < ?", (now_ms - _KEPT_MS,))

    def deliveries_since(self, destination: str, since_ms: int) -> int:
        """Return how often a destination was told something since a moment."""
        with closing(self._open()) as connection:
            row = connection.execute(
                "SELECT count(*) FROM delivery WHERE destination = ? AND at_ms > ?", (destination, since_ms)
            ).fetchone()
            return int(row[0])

    def _open(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self._path)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA busy_timeout=2000")
        return connection
