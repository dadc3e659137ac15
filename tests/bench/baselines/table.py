"""Readings as rows of time, channel and value in one SQLite table."""

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path


def table(path: Path, channels: Iterable[tuple[str, list[tuple[int, float]]]]) -> int:
    """Write every reading; return the bytes of the file."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("CREATE TABLE reading (time INTEGER, channel TEXT, value REAL)")
        for name, rows in channels:
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", ((at, name, value) for at, value in rows))
    return path.stat().st_size
