"""An api process beside a real daemon, and how late the daemon's scans begin meanwhile."""

import asyncio
import contextlib
import socket
import sys
from collections.abc import AsyncIterator, Awaitable
from dataclasses import dataclass
from pathlib import Path

import httpx

from api.access.passwords import hash_of
from api.access.roles import Role
from api.access.store import AccessStore
from daemon.folder import ACCESS, SOCKET
from tests.night.sites import edited
from tests.process.processes import PATIENCE_S, SHIFTWRIGHT, Daemon, bench, end, memory_kb, running

_NOW_MS = 1_791_000_000_000


@dataclass
class Serving:
    """A daemon at the pace of the shed, an api beside it, and a way to ask."""

    daemon: Daemon
    site: Path
    folder: Path
    port: int
    secret: str
    process: asyncio.subprocess.Process

    @property
    def url(self) -> str:
        """Where it is reached."""
        return f"http://127.0.0.1:{self.port}/v1"

    def client(self) -> httpx.AsyncClient:
        """Return other software that may ask."""
        limits = httpx.Limits(max_connections=200)
        headers = {"Authorization": f"Bearer {self.secret}", "Host": "localhost"}
        return httpx.AsyncClient(base_url=self.url, headers=headers, timeout=30.0, limits=limits)

    def rss_kb(self) -> int:
        """Return the most memory that the api has had."""
        return memory_kb(self.process.pid, "VmHWM")

    async def begin(self) -> None:
        """Start the api, and wait until it hears the daemon."""
        self.process = await started(self.site, self.folder)
        async with self.client() as client:
            async with asyncio.timeout(PATIENCE_S):
                while True:
                    with contextlib.suppress(httpx.TransportError):
                        if (await client.get("/health")).json()["controller"] == "heard":
                            return
                    await asyncio.sleep(0.05)


async def started(site: Path, folder: Path) -> asyncio.subprocess.Process:
    """Start the api on a daemon's folder."""
    nowhere = asyncio.subprocess.DEVNULL
    return await asyncio.create_subprocess_exec(
        SHIFTWRIGHT, "serve", str(site), "--db", str(folder), stdout=nowhere, stderr=nowhere
    )


def free_port() -> int:
    """Return a port that nobody listens at."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextlib.asynccontextmanager
async def serving(tmp_path: Path, *, scan_s: float = 0.1) -> AsyncIterator[Serving]:
    """Run a plant, its daemon in real time and the api."""
    async with bench(tmp_path) as plant:
        port = free_port()
        site = tmp_path / "served.toml"
        text = edited(plant.site.read_text("utf-8"), {"scan_s = 1.0": f"scan_s = {scan_s}"})
        site.write_text(f"{text}\n[api]\nport = {port}\n", "utf-8")
        async with running(site, plant.folder, "--decisions", plant.decisions) as daemon:
            await daemon.until(lambda snapshot: snapshot.scan > 2)
            with contextlib.closing(AccessStore(plant.folder / ACCESS)) as store:
                store.add("theo", Role.TECHNICIAN, _NOW_MS, hash_of("creek-and-ridge-7"))
                _, secret = store.add_token("theo", "a test", Role.TECHNICIAN, 3650, _NOW_MS)
            found = Serving(daemon, site, plant.folder, port, secret, await started(site, plant.folder))
            try:
                await end(found.process)
                await found.begin()
                yield found
            finally:
                await end(found.process)


_WATCH = """
import sys
from pathlib import Path
from daemon.local_socket.client import LocalClient
with LocalClient(Path(sys.argv[1]), 20.0) as daemon:
    for snapshot in daemon.snapshots():
        print(snapshot.scan, snapshot.late_s, flush=True)
"""


async def lateness(serving_: Serving, work: Awaitable[object]) -> list[float]:
    """Return how late each scan began while something else went on; a process of its own looks, and misses none."""
    watching = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _WATCH, str(serving_.folder / SOCKET), stdout=asyncio.subprocess.PIPE
    )
    assert watching.stdout is not None
    first = await watching.stdout.readline()
    rest = asyncio.create_task(watching.stdout.read())  # all the while: a pipe that is full would hold it up
    try:
        await work
    finally:
        watching.terminate()
        lines = (first + await rest).decode().splitlines()
        await watching.wait()
    scans = [int(line.split()[0]) for line in lines]
    assert scans == list(range(scans[0], scans[0] + len(scans))), "no scan is left out"
    return [float(line.split()[1]) for line in lines]


def p99(values: list[float]) -> float:
    """Return what 99 of 100 values are not above."""
    return sorted(values)[int(0.99 * len(values))]
