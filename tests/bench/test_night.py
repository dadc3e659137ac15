"""A night in stepped time through real sockets with the ledger written, and `decide` inside it."""

import time  # noqa: TID251 - the one thing measured here is time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli.night import on_free_ports, run_night
from daemon.control.decide import Decision, decide
from daemon.runtime import scan

from .conftest import KESTREL_BEND

pytestmark = pytest.mark.bench

LEAST_TIMES_REAL = 1000.0
MOST_MEDIAN_US = 100.0


def night(folder: Path) -> tuple[float, float]:
    """Run the demo's night; return how many times faster than real time it was, and its requests a scan."""
    site = folder / "site.toml"
    site.write_text(on_free_ports((KESTREL_BEND / "site.toml").read_text("utf-8")), "utf-8")
    start = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)
    ran = uvloop.run(run_night(site, KESTREL_BEND / "decisions.toml", "creek_night", folder / "db", start))
    return ran.simulated_s / ran.wall_s, ran.requests / ran.scans


def test_night_runs_a_thousand_times_faster_than_real_time(tmp_path: Path) -> None:
    """The demo's night, through the socket and with the ledger written, best of three."""
    runs = []
    for number in range(3):
        folder = tmp_path / str(number)
        folder.mkdir()
        runs.append(night(folder))
    times_real = max(times for times, _ in runs)
    print(f"\n{times_real:.0f} times real time, {runs[0][1]:.3f} requests a scan")
    assert times_real >= LEAST_TIMES_REAL


def test_decide_is_a_small_part_of_a_scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`decide` takes at most a tenth of a millisecond in the median of a whole night."""
    took_us: list[float] = []
    monkeypatch.setattr(scan, "decide", timed(decide, took_us))
    night(tmp_path)
    took_us.sort()
    median, most = took_us[len(took_us) // 2], took_us[round(0.999 * len(took_us))]
    print(f"\ndecide: median {median:.0f} us, p99.9 {most:.0f} us over {len(took_us)} scans")
    assert median <= MOST_MEDIAN_US


def timed(function: Callable[..., Decision], took_us: list[float]) -> Callable[..., Decision]:
    """Return `function` with the time of each call noted."""

    def call(*arguments: Any) -> Decision:
        began_ns = time.perf_counter_ns()
        decision = function(*arguments)
        took_us.append((time.perf_counter_ns() - began_ns) / 1000.0)
        return decision

    return call
