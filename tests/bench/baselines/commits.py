"""The plainest of records: a row for each scan in a table, each committed."""

import sqlite3
from contextlib import closing
from pathlib import Path


def commits(path: Path, scans: int) -> None:
    """Write so many scans."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("CREATE TABLE scan (at INTEGER PRIMARY KEY, flow REAL, stock REAL, phase TEXT)")
        for n in range(scans):
            connection.execute("INSERT INTO scan VALUES (?, ?, ?, ?)", (n, 40.0 + n / 7.0, n / 3.0, "INJECT"))
