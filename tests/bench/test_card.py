"""What a night writes to the card: commits, each of which is a sync, and bytes. Cards wear by both.

The baseline is the plainest of records: a row for each scan in a table of its own, each committed.
"""

import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli.night import Night, on_free_ports, run_night
from daemon.ledger.history import History
from daemon.ledger.store import Store
from tests.figures import record
from tests.night.sites import KESTREL_BEND

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

START = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)
PROGRAMS = ["low_night", "high_night", "grove_night"]
MOST_COMMITS, MOST_MB = 6000, 100.0
"""Loose bounds: they catch a record that has begun to commit every scan."""


def _counted(counts: Counter[str], name: str, work: Callable[..., Any]) -> Callable[..., Any]:
    def call(*arguments: Any) -> Any:
        done = work(*arguments)
        counts[name] += 1
        return done

    return call


def _written_bytes() -> int:
    """Return what this process has had the kernel write to disks."""
    lines = Path("/proc/self/io").read_text("utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def _plain(folder: Path, scans: int) -> float:
    """Commit a row for each scan; return the megabytes written."""
    before = _written_bytes()
    with closing(sqlite3.connect(folder / "plain.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("CREATE TABLE scan (at INTEGER PRIMARY KEY, flow REAL, stock REAL, phase TEXT)")
        for n in range(scans):
            connection.execute("INSERT INTO scan VALUES (?, ?, ?, ?)", (n, 40.0 + n / 7.0, n / 3.0, "INJECT"))
    return (_written_bytes() - before) / 1e6


def test_what_a_night_writes_to_the_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Kestrel Bend's night of three shifts: commits and bytes, beside a commit for each scan."""
    counts: Counter[str] = Counter()
    monkeypatch.setattr(Store, "commit", _counted(counts, "ledger", Store.commit))
    monkeypatch.setattr(History, "flush", _counted(counts, "history", History.flush))
    site = tmp_path / "site.toml"
    site.write_text(on_free_ports((KESTREL_BEND / "site.toml").read_text("utf-8")), "utf-8")
    before = _written_bytes()
    night: Night = uvloop.run(run_night(site, KESTREL_BEND / "decisions.toml", PROGRAMS, tmp_path / "db", START))
    megabytes = (_written_bytes() - before) / 1e6
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
