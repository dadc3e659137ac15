"""A night in stepped time, ledger and sockets and all, beside its bare requests; and `decide` alone."""

import time  # noqa: TID251 - the one thing measured here is time
from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli.night import Night, on_free_ports, run_night
from daemon.cli.simulator import Simulator
from daemon.control.decide import Decision, State, decide
from daemon.runtime import scan
from tests.bench.baselines import read as bare
from tests.bench.baselines.night import scan_s
from tests.bench.figures import keep

from .conftest import CREEK, RELAYS, Serve

pytestmark = pytest.mark.bench

# What is reached stands in DEVELOPERS.md; these bounds catch a change that makes it much worse on any machine.
BARE_SCANS = 3000
MOST_TIMES_BARE = 4.0
BARE_READS = 3000
MOST_DECIDE_OF_A_READ = 3.0
ROUNDS = 3


def a_site(folder: Path) -> Path:
    """Return the creek plant's site file on a free port."""
    folder.mkdir(exist_ok=True)
    site = folder / "site.toml"
    site.write_text(on_free_ports((CREEK / "site.toml").read_text("utf-8")), "utf-8")
    return site


def a_night(folder: Path) -> Night:
    """Run the creek plant's night: one block, a scan a second."""
    start = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)
    site = a_site(folder)
    return uvloop.run(run_night(site, CREEK / "decisions.toml", ["creek_night"], folder / "db", start))


async def bare_scan_s(site: Path) -> float:
    """Return what one scan's two requests and one second of the same simulator take bare."""
    simulator = await Simulator.start(site)
    try:
        return await scan_s(simulator.ports["shed"], lambda: simulator.advance(1.0), BARE_SCANS)
    finally:
        await simulator.close()


def test_night_against_its_bare_requests(tmp_path: Path) -> None:
    """A night, ledger and all, costs at most so many times its bare requests; and how fast that is here."""
    found = []
    for number in range(3):
        bare_s = uvloop.run(bare_scan_s(a_site(tmp_path / f"bare{number}")))
        night = a_night(tmp_path / str(number))
        found.append((night.wall_s / night.scans / bare_s, bare_s, night))
    ratio, bare_s, night = min(found, key=lambda one: one[0])
    what = f"a stepped night over TCP with its ledger, {night.requests / night.scans:.2f} requests a scan of a second"
    times = night.simulated_s / night.wall_s
    keep(12, what, times, "x real time", ">= 1,000", "its requests and its plant's seconds bare", 1.0 / bare_s)
    assert ratio <= MOST_TIMES_BARE


def test_decide_against_a_bare_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, serve: Serve) -> None:
    """`decide`, run again over every image of a night, costs about what a bare read or two through pymodbus cost."""
    inputs: deque[tuple[Any, ...]] = deque()
    in_place_us: list[float] = []
    monkeypatch.setattr(scan, "decide", timed(decide, in_place_us, inputs))
    a_night(tmp_path)
    images, port, ratios = list(inputs), serve(*RELAYS), []
    for _ in range(ROUNDS):  # one beside the other, and the best of some: a machine's speed drifts between the two
        alone_us: list[float] = []
        again, state = timed(decide, alone_us, deque(maxlen=1)), State()
        for plant, image, requests, now in images:
            state = again(plant, state, image, requests, now).state
        read_us = uvloop.run(bare.read_us(port, BARE_READS))
        ratios.append((sorted(alone_us)[len(alone_us) // 2] / read_us, read_us, alone_us))
    ratio, read_us, alone_us = min(ratios)
    print(f"\ndecide alone {summary(alone_us)}; between requests {summary(in_place_us)}")
    keep(6, "decide, median of a night's images", ratio * read_us, "µs", "100 µs", "one read bare", read_us)
    core_x = len(alone_us) / (sum(alone_us) / 1e6)
    keep(12, "the core alone, scans of a second", core_x, "x real time", ">= 5,000", "one read bare", 1e6 / read_us)
    assert ratio <= MOST_DECIDE_OF_A_READ


def timed(
    function: Callable[..., Decision], took_us: list[float], inputs: deque[tuple[Any, ...]]
) -> Callable[..., Decision]:
    """Return `function` with the time of each call kept, and all of its arguments but the state."""

    def call(plant: Any, state: State, *rest: Any) -> Decision:
        inputs.append((plant, *rest))
        began_ns = time.perf_counter_ns()
        decision = function(plant, state, *rest)
        took_us.append((time.perf_counter_ns() - began_ns) / 1000.0)
        return decision

    return call


def summary(took_us: list[float]) -> str:
    """Return median and 99.9th percentile in words."""
    ordered = sorted(took_us)
    return f"median {ordered[len(ordered) // 2]:.0f} us, p99.9 {ordered[round(0.999 * len(ordered))]:.0f} us"
