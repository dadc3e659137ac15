"""Somebody else's master reads and writes the simulator: its Modbus is not only what our own client believes."""

import asyncio
import re
import shutil
from pathlib import Path

import pytest

from tests.process.processes import Bench, bench, end

pytestmark = [
    pytest.mark.peer,
    pytest.mark.skipif(shutil.which("mbpoll") is None, reason="mbpoll is not installed (Debian: apt install mbpoll)"),
]

_SIGNALS, _RELAYS = 2, 1


async def _mbpoll(setup: Bench, bus: str, unit: int, *words: str) -> dict[int, int]:
    """Run mbpoll once, addresses from 0; return the values it shows by address."""
    options = ("-m", "tcp", "-p", str(setup.simulator.ports[bus]), "-a", str(unit), "-0", "-1", "-q")
    process = await asyncio.create_subprocess_exec(
        "mbpoll", *options, *words[:-1], "127.0.0.1", *words[-1].split(), stdout=asyncio.subprocess.PIPE
    )
    try:
        out, _ = await asyncio.wait_for(process.communicate(), 10.0)
    finally:
        await end(process)
    assert process.returncode == 0, out
    return {int(at): int(value) for at, value in re.findall(r"\[(\d+)\]:\s+(\d+)", out.decode())}


async def test_mbpoll_reads_and_writes_the_simulator(tmp_path: Path) -> None:
    """Input registers of the signal block, a coil of the relay block there and back, and what the plant made of it."""
    async with bench(tmp_path) as setup:
        currents = await _mbpoll(setup, "signals", _SIGNALS, "-t", "3", "-r", "0", "-c", "5", "")
        assert list(currents) == [0, 1, 2, 3, 4]
        assert all(3600 <= microamperes <= 21000 for microamperes in currents.values())
        await _mbpoll(setup, "relays", _RELAYS, "-t", "0", "-r", "1", "1")
        assert await _mbpoll(setup, "relays", _RELAYS, "-t", "0", "-r", "0", "-c", "4", "") == {0: 0, 1: 1, 2: 0, 3: 0}
        assert (await setup.truth())["outputs"]["block.creek"]
