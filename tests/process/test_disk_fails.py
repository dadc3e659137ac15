"""The disk of a running daemon fails in INJECT, by faults in its system calls: no record, no dose; water goes on."""

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daemon.control.states import ENDED
from daemon.ledger.reports import last_runs, verify_file
from tests.process.processes import Daemon, bench, end, start_run

pytestmark = [pytest.mark.chaos, pytest.mark.proof, pytest.mark.peer]

_HAS_ENDED = {state.value for state in ENDED}


@contextlib.asynccontextmanager
async def _failing(daemon: Daemon, call: str, error: str) -> AsyncIterator[None]:
    """Have a system call of the daemon and its threads fail, each time, until the end."""
    tracer = await asyncio.create_subprocess_exec(
        *("strace", "-f", "-o", "/dev/null", "-e", f"trace={call}", "-e", f"inject={call}:error={error}"),
        *("-p", str(daemon.process.pid)),
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        assert tracer.stderr is not None
        assert b"attached" in await tracer.stderr.readline()
        yield
    finally:
        tracer.terminate()  # it lets go of the daemon first
        await tracer.wait()
        await end(tracer)


@pytest.mark.parametrize(("call", "error"), [("fdatasync", "EIO"), ("pwrite64", "ENOSPC"), ("pwrite64", "EROFS")])
async def test_no_record_no_dose_and_water_goes_on(tmp_path: Path, call: str, error: str) -> None:
    """Invariant 1: the injector shuts while commits fail; the run ends by itself; what was said is written later."""
    async with bench(tmp_path) as farm, farm.daemon() as daemon:
        await start_run(daemon)
        await daemon.until(lambda s: s.phase == "INJECT" and s.progress["stock_l"] > 0.3)
        async with _failing(daemon, call, error):
            seen = await daemon.until(lambda s: not s.outputs["channels"].get("a", {}).get("run", False))
            assert seen.outputs["pump"] and not seen.ledger["writable"], seen
            injected_l = (await farm.truth())["stock_injected_l"]["a"]
            ended = await daemon.until(lambda s: s.procedure in _HAS_ENDED)
            assert "record" in " ".join(alarm["code"] for alarm in ended.alarms), ended.alarms
            assert (await farm.truth())["stock_injected_l"]["a"] <= injected_l + 0.1
        await daemon.until(lambda s: s.ledger["writable"] and s.ledger["pending_s"] == 0.0)
        assert await daemon.terminate() == 0
    (run,) = last_runs(farm.folder / "ledger.db", 5)
    assert run.ended is not None and run.ended.row.water_ml >= 1.1e6, "the disk cost water"
    assert verify_file(farm.folder / "ledger.db").broken_seq is None
