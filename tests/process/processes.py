"""Real processes: the command line, the daemon, and a plant behind a proxy. Every one is ended by its own pid."""

import asyncio
import contextlib
import itertools
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.cli.simulator import Simulator
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import LocalSocketFault
from daemon.messages import Answer, Command, Snapshot, Verb
from tests.night.sites import CREEK, PROGRAM, TWO_BUSES, edited
from tests.process.proxy import Proxy

SHIFTWRIGHT = str(Path(sys.executable).with_name("shiftwright"))
SPEED = 25.0
"""A scan takes 25 ms."""
PATIENCE_S = 20.0
"""Real seconds for anything that is waited for; a failure, when they are over."""
_POLL_S = 0.02
_IDS = itertools.count()
"""Of commands: a repeated id is answered and not done."""

STOCK_L = 800.0
TINY_PIPES = {
    "pipes = [{ length_m = 420.0": "pipes = [{ length_m = 10.0",
    "submain = { length_m = 150.0": "submain = { length_m = 5.0",
    "lateral = { length_m = 100.0": "lateral = { length_m = 1.0",
    "min_off_s = 300.0": "min_off_s = 3.0",
    "max_starts_per_hour = 6": "max_starts_per_hour = 60",
    "run_down_s = 10.0": "run_down_s = 3.0",
    "travel_s = 8.0": "travel_s = 3.0",
    "settle_s = 20.0": "settle_s = 4.0",
    "pause_max_s = 300.0": "pause_max_s = 60.0",
    "checkpoint_s = 10.0": "checkpoint_s = 3.0",
}
"""Every phase is reached within seconds of real time: 0.1 m3 of pipes and a transit of 0.3 m3."""
TINY_NIGHT = {
    "dose_kg_ha = 3.0": "dose_kg_ha = 0.03",
    "water_m3 = 84.0": "water_m3 = 1.15",
    "inject_m3 = 42.0": "inject_m3 = 0.3",
}


@dataclass(frozen=True, slots=True)
class Said:
    """What a command that has ended said, and its exit code."""

    code: int
    out: str
    err: str


async def shiftwright(*words: object, timeout_s: float = PATIENCE_S, program: tuple[str, ...] = (SHIFTWRIGHT,)) -> Said:
    """Run one command of the command line to its end; `program` may run it through something else."""
    process = await asyncio.create_subprocess_exec(
        *program, *map(str, words), stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    try:
        out, err = await asyncio.wait_for(process.communicate(), timeout_s)
    finally:
        await end(process)
    return Said(process.returncode or 0, out.decode(), err.decode())


def memory_kb(pid: int, kind: str = "VmRSS") -> int:
    """Return what a process has in memory; the most that it has had, as "VmHWM"."""
    status = Path(f"/proc/{pid}/status").read_text("utf-8")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith(kind))


async def end(process: asyncio.subprocess.Process) -> None:
    """Kill a process that still runs, by its pid, and wait for it."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
    await process.wait()


class Daemon:
    """One `shiftwright run`, and what it says."""

    def __init__(self, process: asyncio.subprocess.Process, folder: Path, words: Path) -> None:
        self.process = process
        self.folder = folder
        self._words = words

    def said(self) -> str:
        """Return what it has said so far."""
        return self._words.read_text("utf-8")

    async def snapshot(self) -> Snapshot:
        """Return its newest snapshot."""
        return await asyncio.to_thread(_snapshot, self.folder)

    async def command(self, verb: Verb, **arguments: Any) -> Answer:
        """Give a control command and return the answer."""
        return await asyncio.to_thread(_command, self.folder, verb, arguments)

    async def until(self, what: Callable[[Snapshot], bool]) -> Snapshot:
        """Return the first snapshot seen of which `what` holds."""
        newest: Snapshot | None = None
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(PATIENCE_S):
                while self.process.returncode is None:
                    with contextlib.suppress(LocalSocketFault):  # not up yet
                        if what(newest := await self.snapshot()):
                            return newest
                    await asyncio.sleep(_POLL_S)
        raise AssertionError(f"in vain; exit {self.process.returncode}, last seen {newest}, said {self.said()}")

    async def until_it_says(self, text: str) -> None:
        """Wait until it has said `text`."""
        async with asyncio.timeout(PATIENCE_S):
            while text not in self.said():
                assert self.process.returncode is None, self.said()
                await asyncio.sleep(_POLL_S)

    async def terminate(self) -> int:
        """Ask it to stop, as systemd does; return its exit code."""
        self.process.terminate()
        return await asyncio.wait_for(self.process.wait(), PATIENCE_S)


def _snapshot(folder: Path) -> Snapshot:
    with LocalClient(folder / "daemon.sock", PATIENCE_S) as client:
        return client.snapshot()


def _command(folder: Path, verb: Verb, arguments: dict[str, Any]) -> Answer:
    command = Command(f"test-{next(_IDS)}", "test", "operator", verb, arguments)
    with LocalClient(folder / "daemon.sock", PATIENCE_S) as client:
        return client.command(command)


@contextlib.asynccontextmanager
async def running(
    site: Path,
    folder: Path,
    *options: object,
    program: tuple[str, ...] = (SHIFTWRIGHT,),
    environment: Mapping[str, str] | None = None,
) -> AsyncIterator[Daemon]:
    """Run the daemon on `site` with its record in `folder`; kill it in the end where it still runs.

    `environment` is all that it has of one; None: this process's own.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    words = folder.with_suffix(".said")
    with words.open("wb") as said:
        process = await asyncio.create_subprocess_exec(
            *program,
            "run",
            str(site),
            "--db",
            str(folder),
            *map(str, options),
            stdout=said,
            stderr=said,
            env=environment,
        )
    try:
        yield Daemon(process, folder, words)
    finally:
        await end(process)


@dataclass(slots=True)
class Bench:
    """A plant that paces itself, a proxy before it, and the files for a daemon that meets them."""

    simulator: Simulator
    proxy: Proxy
    site: Path
    decisions: Path
    folder: Path
    speed: float

    def daemon(self, *options: object) -> "contextlib.AbstractAsyncContextManager[Daemon]":
        """Run a daemon on this plant at its speed."""
        return running(self.site, self.folder, "--speed", self.speed, "--decisions", self.decisions, *options)

    async def truth(self) -> dict[str, Any]:
        """Return the plant's own account."""
        return await self.simulator.ask("truth")


@contextlib.asynccontextmanager
async def bench(
    folder: Path, *, is_simulator: bool = True, speed: float = SPEED, night: Mapping[str, str] = TINY_NIGHT
) -> AsyncIterator[Bench]:
    """Start a charged plant with tiny pipes and a proxy before it; the plant may seem to be hardware."""
    folder.mkdir(exist_ok=True)
    plant_site, site, decisions = folder / "plant.toml", folder / "site.toml", folder / "decisions.toml"
    text = edited(TWO_BUSES.read_text("utf-8"), TINY_PIPES)
    plant_site.write_text(edited(text, {"port = 15020": "port = 0", "port = 15021": "port = 0"}), "utf-8")
    decisions.write_text(edited((CREEK / "decisions.toml").read_text("utf-8"), night), "utf-8")
    simulator = await Simulator.start(plant_site, ["--perfect", "--pace", str(speed)])
    try:
        stock = {"nutrients_g_l": {"N": 31.0, "Ca": 37.0}, "product_g_l": 200.0, "ec_ms_cm_per_g_l": 1.1}
        await simulator.ask("charge", tank="a", litres=STOCK_L, **stock)
        async with Proxy(simulator.ports) as proxy:
            proxy.is_simulator = is_simulator
            ports = {
                "port = 15020": f"port = {proxy.ports['relays']}",
                "port = 15021": f"port = {proxy.ports['signals']}",
            }
            site.write_text(edited(text, ports), "utf-8")
            yield Bench(simulator, proxy, site, decisions, folder / "db", speed)
    finally:
        await simulator.close()


async def start_run(daemon: Daemon) -> Snapshot:
    """Start the program and return the snapshot of its first scan seen."""
    await daemon.until(lambda snapshot: True)
    answer = await daemon.command(Verb.START, programs=[PROGRAM])
    assert answer.accepted, (answer.reason, (await daemon.snapshot()).links)
    return await daemon.until(lambda snapshot: snapshot.phase is not None)
