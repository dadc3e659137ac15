"""kill -9 of the daemon in each phase, at five points inside a scan (invariants 2, 6 and 7).

The plant's own time-out closes the injector; the next daemon writes the safe set before anything else, has every row
that was acknowledged, closes the run in the record and shows the flush that is owed.
"""

import asyncio
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from daemon.ledger.reports import last_runs, verify_file
from daemon.messages import Snapshot
from tests.process.modbus import set_watchdog
from tests.process.processes import Bench, Daemon, bench, shiftwright, start_run
from tests.process.proxy import READ_INPUTS, WRITE_COILS, Frame, pass_all

pytestmark = pytest.mark.chaos

_WATCHDOG_S = 10.0
"""Of the relay block: the longest that the site allows. A quarter of a second of real time."""
_COMMIT_S = 0.003
"""Real time after the scan's last reply, about when its rows are being committed."""

_POINTS: dict[str, Callable[[Frame], bool]] = {
    "as the relays are read": lambda f: f.bus == "relays" and f.to_plant and f.function == READ_INPUTS,
    "as the signals answer": lambda f: f.bus == "signals" and not f.to_plant and f.function == READ_INPUTS,
    "before the write goes out": lambda f: f.bus == "relays" and f.to_plant and f.function == WRITE_COILS,
    "as the write is confirmed": lambda f: f.bus == "relays" and not f.to_plant and f.function == WRITE_COILS,
    "as the rows are committed": lambda f: f.bus == "relays" and not f.to_plant and f.function == WRITE_COILS,
}

_REACHED: dict[str, Callable[[Snapshot], bool]] = {
    "FILL": lambda s: s.phase == "FILL" and s.outputs["pump"],
    "PREWET": lambda s: s.phase == "PREWET",
    "INJECT": lambda s: s.phase == "INJECT" and s.progress["stock_l"] > 0.5,
    "FLUSH": lambda s: s.phase == "FLUSH" and bool(s.owed),
}
_AFTER = {"FILL": "none", "PREWET": "FILL", "INJECT": "PREWET", "FLUSH": "INJECT"}
"""The last phase that had ended, as the record says after the crash."""


@dataclass(frozen=True, slots=True)
class _Killed:
    """A kill: when, in plant seconds, what was on, and the rows acknowledged until then."""

    at_s: float
    was_on: frozenset[str]
    rows: tuple[tuple[int, str, str], ...]


async def _kill_at(setup: Bench, daemon: Daemon, point: str) -> _Killed:
    """Kill the daemon at the next such moment of a scan."""
    is_it, done = _POINTS[point], asyncio.Event()
    rows: list[tuple[int, str, str]] = []

    async def on_frame(frame: Frame) -> bool:
        if done.is_set() or not is_it(frame):
            return not done.is_set()
        if point == "as the rows are committed":
            asyncio.get_running_loop().call_later(_COMMIT_S, kill)
            return True
        kill()
        return False

    def kill() -> None:
        if not done.is_set():
            rows.extend(_rows(setup.folder))
            daemon.process.kill()
            done.set()

    setup.proxy.on_frame = on_frame
    await asyncio.wait_for(done.wait(), 5.0)
    truth = await setup.truth()
    await daemon.process.wait()
    return _Killed(truth["time_s"], frozenset(name for name, on in truth["outputs"].items() if on), tuple(rows))


def _rows(folder: Path) -> list[tuple[int, str, str]]:
    with closing(sqlite3.connect(f"file:{folder / 'ledger.db'}?mode=ro", uri=True)) as connection:
        return connection.execute("SELECT seq, kind, digest FROM seal ORDER BY seq").fetchall()


async def _everything_off(setup: Bench) -> dict[str, Any]:
    async with asyncio.timeout(5.0):
        while True:
            truth = await setup.truth()
            if not any(truth["outputs"].values()) and not any(truth["contactors"].values()):
                return truth
            await asyncio.sleep(0.01)


async def _assert_dropped_in_time(setup: Bench, killed: _Killed) -> None:
    """The relay block hears nobody, and drops what was on within its own time."""
    truth = await _everything_off(setup)
    for name in killed.was_on:
        drop = truth["drops"][name]
        assert drop["watchdog"], (name, drop)
        assert drop["at_s"] - killed.at_s <= _WATCHDOG_S + 0.2, (name, drop, killed.at_s)


def _assert_safe_first(setup: Bench, since: int) -> None:
    """Invariant 6: the first frame to write anything writes everything off."""
    writes = setup.proxy.writes(since)
    coils = [frame for frame in writes if frame.coils]
    assert coils and set(coils[0].coils) == {"0"}
    assert not any(frame.coils and "1" in frame.coils for frame in writes[:2])


def _assert_record_whole(setup: Bench, killed: _Killed, phase: str) -> None:
    """Invariant 7: nothing acknowledged is lost, nothing has a gap, and the run is closed as what it was."""
    rows = _rows(setup.folder)
    assert rows[: len(killed.rows)] == list(killed.rows)
    assert [seq for seq, _, _ in rows] == list(range(rows[0][0], rows[0][0] + len(rows)))
    assert verify_file(setup.folder / "ledger.db").broken_seq is None
    (last,) = last_runs(setup.folder / "ledger.db", 1)
    assert last.ended is not None and last.ended.row.state == "ABORTED"
    with closing(sqlite3.connect(setup.folder / "ledger.db")) as connection:
        unclean = "SELECT detail FROM event WHERE code = 'unclean-end' ORDER BY seq DESC LIMIT 1"
        assert json.loads(connection.execute(unclean).fetchone()[0]) == {"after_phase": _AFTER[phase]}


async def _owed(daemon: Daemon) -> set[str]:
    """Return the segments that owe a flush, as `status --json` shows them to people."""
    said = await shiftwright("status", "--db", daemon.folder, "--json")
    return {item["segment"] for item in json.loads(said.out)["owed"]}


@pytest.mark.parametrize("phase", _REACHED)
async def test_killed_at_five_points_of_a_scan(phase: str, tmp_path: Path) -> None:
    """Each kill is followed by a start, and that start's run by the next kill: the record carries all of it."""
    async with bench(tmp_path) as setup:
        await set_watchdog(setup.simulator.ports["relays"], _WATCHDOG_S)
        killed, since = None, 0
        for point in (*_POINTS, None):
            async with setup.daemon() as daemon:
                await daemon.until(lambda snapshot: snapshot.ledger["pending_s"] == 0.0)
                if killed is not None:
                    _assert_safe_first(setup, since)
                    _assert_record_whole(setup, killed, phase)
                    if phase in ("INJECT", "FLUSH"):
                        assert await _owed(daemon) == {"main", "creek"}
                    else:
                        assert not (await daemon.snapshot()).owed
                if point is None:
                    return
                await start_run(daemon)
                await daemon.until(_REACHED[phase])
                killed = await _kill_at(setup, daemon, point)
                await _assert_dropped_in_time(setup, killed)
                since, setup.proxy.on_frame = len(setup.proxy.frames), pass_all
