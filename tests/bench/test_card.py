"""What a night writes to the card: commits, each of which is a sync, and bytes. Cards wear by both.

The baseline is the plainest of records: a row for each scan in a table of its own, each committed.
"""

from pathlib import Path

import pytest

from daemon.clock import real_seconds
from daemon.folder import LEDGER
from daemon.keeping import Keeping
from daemon.ledger.writer import open_ledger
from tests.bench.baselines.commits import commits as plain_commits
from tests.bench.figures import keep
from tests.daemon.ledger.samples import stamp
from tests.figures import record

from .long_night import LongNight, written_bytes

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

MOST_COMMITS, MOST_MB = 6000, 100.0
"""Loose bounds: they catch a record that has begun to commit every scan."""


def _plain(folder: Path, scans: int) -> float:
    """Commit a row for each scan; return the megabytes written."""
    before = written_bytes()
    plain_commits(folder / "plain.db", scans)
    return (written_bytes() - before) / 1e6


def _grown_mb(night: Path, born: Path) -> float:
    """Return what a night adds to a ledger, in megabytes."""
    open_ledger(born / LEDGER, simulated=True, stamp=stamp(), now=real_seconds).close(20.0)
    return ((night / LEDGER).stat().st_size - (born / LEDGER).stat().st_size) / 1e6


def test_what_a_night_writes_to_the_card(tmp_path: Path, long_night: LongNight) -> None:
    """Kestrel Bend's night of three shifts: commits and bytes, beside a commit for each scan."""
    night, counts, megabytes = long_night.night, long_night.commits, long_night.megabytes
    plain = _plain(tmp_path, night.scans)
    hours, commits = night.simulated_s / 3600.0, counts["ledger"] + counts["history"]
    keep(11, "commits of a night of three shifts", commits, "", "stated", "one each scan", night.scans)
    keep(11, "written to the card in it", megabytes, "MB", "stated", "the plainest record", plain)
    seasons_gb = (3000 * _grown_mb(long_night.folder, tmp_path) + Keeping().readings_mb) / 1e3
    keep(12, "record and readings of ten seasons, 3,000 such nights", seasons_gb, "GB", "<= 2 GB")
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
    assert seasons_gb <= 2.0
    assert commits <= MOST_COMMITS and megabytes <= MOST_MB
