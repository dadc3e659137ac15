"""What a night writes to the card: commits, each of which is a sync, and bytes. Cards wear by both.

The baseline is the plainest of records: a row for each scan in a table of its own, each committed.
"""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.figures import record

from .long_night import LongNight, written_bytes

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

MOST_COMMITS, MOST_MB = 6000, 100.0
"""Loose bounds: they catch a record that has begun to commit every scan."""


def _plain(folder: Path, scans: int) -> float:
    """Commit a row for each scan; return the megabytes written."""
    before = written_bytes()
    with closing(sqlite3.connect(folder / "plain.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("CREATE TABLE scan (at INTEGER PRIMARY KEY, flow REAL, stock REAL, phase TEXT)")
        for n in range(scans):
            connection.execute("INSERT INTO scan VALUES (?, ?, ?, ?)", (n, 40.0 + n / 7.0, n / 3.0, "INJECT"))
    return (written_bytes() - before) / 1e6


def test_what_a_night_writes_to_the_card(tmp_path: Path, long_night: LongNight) -> None:
    """Kestrel Bend's night of three shifts: commits and bytes, beside a commit for each scan."""
    night, counts, megabytes = long_night.night, long_night.commits, long_night.megabytes
    plain = _plain(tmp_path, night.scans)
    hours, commits = night.simulated_s / 3600.0, counts["ledger"] + counts["history"]
    print(
        f"\na night of {hours:.1f} h, {night.scans} scans: {counts['ledger']} commits of the ledger, "
        f"{counts['history']} of the history, {megabytes:.1f} MB; a commit each scan: {night.scans}, {plain:.1f} MB"
    )
    record(
        "card",
        claim="what a night writes to the card",
        test="tests/bench/test_card.py",
        aim="stated",
        reached=f"Kestrel Bend, {hours:.1f} h of three shifts: {counts['ledger']} commits of the ledger, "
        f"{counts['history']} of the history, {megabytes:.1f} MB written (a commit for each of {night.scans} scans: "
        f"{plain:.1f} MB)",
        limit="as the kernel counts it; what a card makes of it inside is its own",
    )
    assert commits <= MOST_COMMITS and megabytes <= MOST_MB
