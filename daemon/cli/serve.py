"""`serve`: the api, apart from the daemon. It reads the record, and asks the daemon over the local socket."""

import argparse
import asyncio
import contextlib
import io
import signal
import socket
import sys
from collections.abc import AsyncIterator
from importlib.metadata import version
from pathlib import Path

import segno
import uvloop

from api.access.lockout import Lockout
from api.access.passwords import Passwords
from api.access.roles import Role
from api.access.store import AccessStore
from api.farm import Farm
from api.link import DaemonLink
from api.rehearsal import Rehearsal
from api.serving import listen, serve
from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.clock import Clock, RealClock
from daemon.equipment import Api
from daemon.folder import ACCESS, SOCKET
from daemon.site import Plant

FIRST = "technician"
"""Who logs in first, where nobody is known yet."""
_FIRST_MS = 15 * 60_000
_STOP_S = 8.0
_ELSEWHERE = ("192.0.2.1", 9)
"""An address of documentation (RFC 5737): nothing is sent there, it only tells which of our own would be used."""


def add_serve(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of serve."""
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)


def main(arguments: argparse.Namespace) -> int:
    """Serve until SIGTERM or SIGINT."""
    uvloop.run(serve_until_stopped(arguments.site, read_plant(arguments.site), arguments.db, RealClock()))
    return 0


async def serve_until_stopped(site: Path, plant: Plant, folder: Path, clock: Clock) -> None:
    """Serve a daemon's folder, by its clock, until SIGTERM or SIGINT. Raises InputError, ServingError."""
    stop = asyncio.Event()
    for signal_number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(signal_number, stop.set)
    if not folder.is_dir():
        raise InputError(f"--db: got {folder}; expected the daemon's folder. Start the daemon once, or see --db")
    settings = plant.site.api
    with contextlib.closing(listen(settings.host, settings.port)) as listener:
        with contextlib.closing(AccessStore(folder / ACCESS)) as store:
            lockout = Lockout(store, clock.monotonic_s())
            link = DaemonLink(folder / SOCKET, clock)
            farm = Farm(
                plant, folder, clock, store, Passwords(), lockout, link, Rehearsal(site, folder), version("shiftwright")
            )
            for line in greeting(settings, store, clock.stamp().ms):
                print(line, file=sys.stderr, flush=True)
            await _serve_and_tell(farm, listener, stop)


async def _serve_and_tell(farm: Farm, listener: socket.socket, stop: asyncio.Event) -> None:
    """Serve, and have the site's destinations told meanwhile. A credential file that cannot be used stops it."""
    tasks = [asyncio.create_task(asyncio.to_thread(farm.warm))]
    alerts = farm.plant.site.alerts
    if alerts.to or alerts.heartbeat is not None:
        from api.followers.credentials import read_credentials
        from api.followers.following import Following

        follows = Following(farm, read_credentials(alerts), lambda text: print(text, file=sys.stderr, flush=True))
        farm.link.start()
        tasks.append(asyncio.create_task(follows.run()))
    try:
        await serve(farm, listener, stop)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def greeting(settings: Api, store: AccessStore, now_ms: int) -> list[str]:
    """Return where the farm is reached; and, while nobody has logged in yet, a code for the first to do so."""
    address = address_of(settings)
    if store.is_claimed():
        return [f"Serving at {address}"]
    if store.person(FIRST) is None:
        store.add(FIRST, Role.TECHNICIAN, now_ms)
    return [f"Serving at {address}", *told_code(address, store.add_pairing(FIRST, now_ms, _FIRST_MS), _FIRST_MS)]


def told_code(address: str, code: str, lasts_ms: int) -> list[str]:
    """Return a code for people, and as a picture for a phone."""
    url = f"{address}/pair#{code}"
    picture = io.StringIO()
    segno.make(url, error="m").terminal(picture, compact=True)
    return [picture.getvalue().rstrip(), url, f"Log-in code, once and within {lasts_ms // 60_000} minutes: {code}"]


def address_of(settings: Api) -> str:
    """Return the address that another computer would use."""
    scheme = "https" if settings.certificate is not None else "http"
    host = settings.names[0] if settings.names else settings.host
    if host in ("0.0.0.0", "::"):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            try:
                out.connect(_ELSEWHERE)
                host = out.getsockname()[0]
            except OSError:
                host = socket.gethostname()
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{settings.port}"


@contextlib.asynccontextmanager
async def api_beside(site: Path, folder: Path) -> AsyncIterator[None]:
    """Run the api in a process of its own, and stop it in the end."""
    words = ["-P", "-c", "from daemon.cli.main import run; run()", "serve", str(site), "--db", str(folder)]
    # Its own group: Ctrl-C is for whoever started it, who stops it in its turn.
    process = await asyncio.create_subprocess_exec(sys.executable, *words, start_new_session=True)
    try:
        yield
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.terminate()
        try:
            await asyncio.wait_for(process.wait(), _STOP_S)
        except TimeoutError:
            process.kill()
            await process.wait()
