"""Kestrel Bend's night of three shifts, run once for the benches that look at what it wrote."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli.night import Night, on_free_ports, run_night
from daemon.ledger.history import History
from daemon.ledger.store import Store
from tests.night.sites import KESTREL_BEND

_START = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)
_PROGRAMS = ("low_night", "high_night", "grove_night")


@dataclass(frozen=True, slots=True)
class LongNight:
    """The night, and what it cost the disk."""

    night: Night
    folder: Path
    """Of the record."""
    commits: Counter[str]
    """By "ledger" and "history"."""
    megabytes: float
    """That the kernel was given to write meanwhile."""


def run_long_night(folder: Path) -> LongNight:
    """Run it in stepped time, with this process as the daemon."""
    commits: Counter[str] = Counter()
    site = folder / "site.toml"
    site.write_text(on_free_ports((KESTREL_BEND / "site.toml").read_text("utf-8")), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Store, "commit", _counted(commits, "ledger", Store.commit))
        patch.setattr(History, "flush", _counted(commits, "history", History.flush))
        before = written_bytes()
        decisions = KESTREL_BEND / "decisions.toml"
        night = uvloop.run(run_night(site, decisions, _PROGRAMS, folder / "db", _START))
        return LongNight(night, folder / "db", commits, (written_bytes() - before) / 1e6)


def written_bytes() -> int:
    """Return what this process has had the kernel write to disks."""
    lines = Path("/proc/self/io").read_text("utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def _counted(counts: Counter[str], name: str, work: Callable[..., Any]) -> Callable[..., Any]:
    def call(*arguments: Any) -> Any:
        done = work(*arguments)
        counts[name] += 1
        return done

    return call
