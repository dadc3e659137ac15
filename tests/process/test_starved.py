"""Group P of the chaos list: a daemon that hangs, that gets no memory and no files, and that falls again and again.

Invariants 2, 6 and 7: the module lets go by itself, the next daemon writes the safe set first, and the record is whole.
"""

import asyncio
import resource
import signal
from pathlib import Path

import pytest

from daemon.ledger.reports import last_runs, verify_file
from daemon.messages import Snapshot
from tests.process.modbus import set_watchdog
from tests.process.processes import SPEED, Bench, Daemon, bench, start_run

pytestmark = pytest.mark.chaos

_WATCHDOG_S = 10.0
"""Of the relay block, in plant seconds: less than half a second of real time."""
_CRASHES = 50


def _is_injecting(snapshot: Snapshot) -> bool:
    return bool(snapshot.outputs["channels"].get("a", {}).get("run", False))


async def _injecting(setup: Bench, daemon: Daemon) -> None:
    await set_watchdog(setup.simulator.ports["relays"], _WATCHDOG_S)
    await start_run(daemon)
    await daemon.until(_is_injecting)


async def _off(setup: Bench) -> float:
    """Wait until nothing has energy; return the stock injected by then."""
    async with asyncio.timeout(10.0):
        while True:
            truth = await setup.truth()
            if not any((*truth["outputs"].values(), *truth["contactors"].values())):
                return float(truth["stock_injected_l"]["a"])
            await asyncio.sleep(0.01)


def _assert_whole(setup: Bench) -> None:
    ledger = setup.folder / "ledger.db"
    assert verify_file(ledger).broken_seq is None
    assert all(run.ended is not None for run in last_runs(ledger, 100))


async def test_p4_a_daemon_that_is_stopped_and_goes_on(tmp_path: Path) -> None:
    """SIGSTOP for 30 s: the module lets go; awake again, no stock flows from the intent it had."""
    async with bench(tmp_path) as setup, setup.daemon() as daemon:
        await _injecting(setup, daemon)
        daemon.process.send_signal(signal.SIGSTOP)
        injected_l = await _off(setup)
        await asyncio.sleep(30.0 / SPEED)
        daemon.process.send_signal(signal.SIGCONT)
        ended = await daemon.until(lambda s: s.procedure not in ("RUNNING", "HELD", "HOLDING", "STOPPING"))
        assert ended.procedure in ("STOPPED", "COMPLETE", "ABORTED"), ended
        assert await _off(setup) == injected_l
        assert await daemon.terminate() == 0
        _assert_whole(setup)


@pytest.mark.proof
async def test_p7_a_loop_that_is_blocked_for_a_moment(tmp_path: Path) -> None:
    """Less than the module's own time-out: nothing is let go, and the run ends whole."""
    async with bench(tmp_path) as setup, setup.daemon() as daemon:
        await _injecting(setup, daemon)
        daemon.process.send_signal(signal.SIGSTOP)
        await asyncio.sleep(2.0 / SPEED)
        daemon.process.send_signal(signal.SIGCONT)
        ended = await daemon.until(lambda s: s.procedure not in ("RUNNING", "HELD", "HOLDING", "STOPPING"))
        assert ended.progress["water_m3"] >= ended.progress["planned_water_m3"] or ended.procedure == "STOPPED"
        await _off(setup)
        assert await daemon.terminate() == 0
        _assert_whole(setup)


@pytest.mark.proof
async def test_p3_sigkill_while_sigterm_is_being_obeyed(tmp_path: Path) -> None:
    """In the middle of the ordered stop: the module lets go of the rest, and the next daemon closes the run."""
    async with bench(tmp_path) as setup:
        async with setup.daemon() as daemon:
            await _injecting(setup, daemon)
            daemon.process.terminate()
            await asyncio.sleep(1.5 / SPEED)
            daemon.process.kill()
            await daemon.process.wait()
            await _off(setup)
        async with setup.daemon() as daemon:
            await daemon.until(lambda snapshot: bool(snapshot.owed))
            assert await daemon.terminate() == 0
        _assert_whole(setup)


@pytest.mark.proof
@pytest.mark.parametrize("what", [resource.RLIMIT_AS, resource.RLIMIT_NOFILE], ids=["memory", "files"])
async def test_p5_p8_no_more_memory_or_files(what: int, tmp_path: Path) -> None:
    """From one moment on none is given: it waters on or falls, all comes off in the end, and a start is whole."""
    async with bench(tmp_path) as setup:
        async with setup.daemon() as daemon:
            await _injecting(setup, daemon)
            least = _held(daemon.process.pid, what)
            resource.prlimit(daemon.process.pid, what, (least, least))
            async with asyncio.timeout(20.0):
                while daemon.process.returncode is None:
                    truth = await setup.truth()
                    if not any((*truth["outputs"].values(), *truth["contactors"].values())):
                        break
                    await asyncio.sleep(0.05)
            await _off(setup)
            if daemon.process.returncode is None:
                daemon.process.kill()
                await daemon.process.wait()
        async with setup.daemon() as daemon:
            await daemon.until(lambda snapshot: snapshot.ledger["pending_s"] == 0.0)
            assert await daemon.terminate() == 0
        _assert_whole(setup)


def _held(pid: int, what: int) -> int:
    """Return what the process holds of it now."""
    if what == resource.RLIMIT_NOFILE:
        return len(list(Path(f"/proc/{pid}/fd").iterdir()))
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[0])
    return pages * resource.getpagesize()


@pytest.mark.proof
@pytest.mark.timeout(400)
async def test_p9_falls_fifty_times(tmp_path: Path) -> None:
    """Fifty crashes after one another: the debt of the first run is neither lost nor doubled."""
    async with bench(tmp_path) as setup:
        for number in range(_CRASHES):
            async with setup.daemon() as daemon:
                if number == 0:
                    await _injecting(setup, daemon)
                else:
                    await daemon.until(lambda snapshot: snapshot.scan > 0)
                daemon.process.kill()
                await daemon.process.wait()
        injected_l = await _off(setup)
        async with setup.daemon() as daemon:
            seen = await daemon.until(lambda snapshot: snapshot.ledger["pending_s"] == 0.0)
            assert {item["segment"] for item in seen.owed} == {"main", "creek"}
            assert await daemon.terminate() == 0
        assert await _off(setup) == injected_l, "a start gave stock by itself"
        _assert_whole(setup)
        assert len(last_runs(setup.folder / "ledger.db", 100)) == 1
