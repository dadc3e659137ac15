"""A farm for the api's tests: Kestrel Bend's record with one real night, and the daemon's own end of the socket.

Decisions are judged and recorded by the daemon's code; commands are answered by a stand-in that keeps them.
"""

import asyncio
import shutil
import tomllib
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import uvloop

from api.access.lockout import Lockout
from api.access.passwords import Passwords, hash_of
from api.access.roles import Role
from api.access.store import AccessStore
from api.app import make_app
from api.farm import Farm
from api.limits import COOKIE
from api.link import DaemonLink
from api.rehearsal import Rehearsal
from daemon.cli.night import on_free_ports, run_night
from daemon.cli.simulator import Simulator
from daemon.clock import Clock, UtcStamp, real_seconds
from daemon.control.states import Phase
from daemon.decisions.timetable import Timetable
from daemon.evidence import Evidence
from daemon.folder import ACCESS, LEDGER, SOCKET
from daemon.ledger.writer import Ledger, open_ledger
from daemon.local_socket.server import LocalServer
from daemon.messages import Answer, Command, Snapshot
from daemon.runtime.decided import Decided
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from daemon.runtime.snapshot import make_snapshot
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.api.steps import attempt_rows
from tests.night.places import Place, kestrel
from tests.night.sites import START

NOW = datetime.fromisoformat("2026-10-13T21:30:00+00:00")
"""Breakfast at Kestrel Bend."""
PASSWORD = "creek-and-ridge-7"
PASSWORD_HASH = hash_of(PASSWORD)
_STAMP = UtcStamp(NOW, True)


class StandingClock:
    """A clock that stands until it is moved."""

    kind = "stepped"

    def __init__(self) -> None:
        self.at_s = 1000.0

    def monotonic_s(self) -> float:
        """Return its seconds."""
        return self.at_s

    def stamp(self) -> UtcStamp:
        """Return its wall time."""
        return UtcStamp(NOW + timedelta(seconds=self.at_s - 1000.0), True)

    async def wait_until_s(self, monotonic_s: float) -> None:
        """Be there at once."""
        self.at_s = max(self.at_s, monotonic_s)


@dataclass(frozen=True)
class Recorded:
    """A folder with a record that may be copied, and what made it."""

    folder: Path
    plant: Plant
    snapshot: Snapshot
    """At breakfast."""
    injecting: Snapshot
    """In the middle of the last shift's fertiliser."""
    run: str


@dataclass
class Given:
    """A served farm in a test's hands."""

    farm: Farm
    clock: StandingClock
    run: str
    """The night's first."""
    snapshot: Snapshot
    """What the daemon's end says."""
    commands: list[Command] = field(default_factory=list)
    steps: list[dict[str, Any]] = field(default_factory=list)
    clients: list[httpx.AsyncClient] = field(default_factory=list)

    def client(self, *, address: str = "192.0.2.7", **headers: str) -> httpx.AsyncClient:
        """Return a client that has not logged in."""
        transport = httpx.ASGITransport(self.app, client=(address, 5000))
        made = httpx.AsyncClient(transport=transport, base_url="http://localhost", headers=headers)
        self.clients.append(made)
        return made

    def person(self, role: Role, name: str = "") -> httpx.AsyncClient:
        """Return the browser of somebody of a role who has logged in, on the farm's own page."""
        name = name or role.value
        if self.farm.store.person(name) is None:
            self.farm.store.add(name, role, self.farm.now_ms(), PASSWORD_HASH)
        secret = self.farm.store.begin_session(name, self.farm.now_ms())
        made = self.client(Origin="http://localhost")
        made.cookies.set(COOKIE, secret)
        return made

    def software(self, role: Role) -> httpx.AsyncClient:
        """Return other software with a token of a role."""
        if self.farm.store.person("owner") is None:
            self.farm.store.add("owner", Role.TECHNICIAN, self.farm.now_ms(), PASSWORD_HASH)
        _, secret = self.farm.store.add_token("owner", "office", role, 30, self.farm.now_ms())
        return self.client(Authorization=f"Bearer {secret}")

    password_hash: str = PASSWORD_HASH
    ledger: Ledger = field(init=False)

    def record_rows(self, *rows: Evidence) -> None:
        """Have the daemon's end record something more."""
        assert self.ledger.wait_durable(self.ledger.submit(rows, self.clock.stamp()), 20.0)

    server: LocalServer = field(init=False)
    """The daemon's end."""

    def publish(self, snapshot: Snapshot) -> None:
        """Have the daemon's end say something else."""
        self.snapshot = snapshot
        self.server.published()

    def __post_init__(self) -> None:
        self.app = make_app(self.farm)

    async def on_command(self, command: Command) -> Answer:
        """Keep a command, and accept it."""
        self.commands.append(command)
        return Answer(command.id, True, "It is done.")

    async def on_step(self, asked: dict[str, Any]) -> Answer:
        """Keep what is asked of the commissioning, and accept it."""
        self.steps.append(asked)
        return Answer(str(asked["id"]), True, "It goes on.")


def recorded(
    folder: Path, programs: Sequence[str] = ("low_night",), faults: Sequence[tuple[str, float]] = (), part: float = 0.05
) -> Recorded:
    """Run a night at Kestrel Bend, over Modbus TCP and cut to a part of its size, with all that was decided there.

    `faults` are (name, second of the night).
    """
    folder.mkdir(parents=True, exist_ok=True)
    place = kestrel(folder, "kestrel_bend", part=part, share=part)
    place.site_file.write_text(on_free_ports(place.site_file.read_text("utf-8")), "utf-8")
    decisions = folder / "decisions.toml"
    decisions.write_text(place.decisions, "utf-8")
    scans: list[Scanned] = []
    injecting: list[Scanned] = []

    def watch(service: Service, simulator: Simulator, scanned: Scanned) -> None:
        scans[:] = [scanned]
        if scanned.decision.state.unit.phase is Phase.INJECT:
            injecting.append(scanned)

    options = ["--seed", "7"]
    night = uvloop.run(
        run_night(place.site_file, decisions, programs, folder, START, options=options, faults=faults, watch=watch)
    )
    plant = parse_site(place.site_file.read_text("utf-8"), load_profiles())
    _decide(folder, plant, place)
    at_breakfast, then = (
        make_snapshot(plant, replace(one, stamp=_STAMP), True, {}, {}, {"next": None, "notices": []})
        for one in (scans[-1], injecting[len(injecting) // 2])
    )
    return Recorded(folder, plant, at_breakfast, then, night.runs[0])


def _decide(folder: Path, plant: Plant, place: Place) -> None:
    """Record the timetables too, which a night that is started by hand leaves out, and a step of the commissioning."""
    ledger = open_ledger(folder / LEDGER, simulated=True, stamp=_STAMP, now=real_seconds)
    try:
        decided = Decided(plant, ledger, StandingClock())
        decided.load(folder / LEDGER)
        timetables = tomllib.loads(place.decisions)[Timetable.kind]
        asked = [{"kind": Timetable.kind, "key": key, "body": body} for key, body in timetables.items()]
        assert asyncio.run(decided.record({"id": "season", "who": "Mina", "decisions": asked})).accepted
        ledger.record_decisions((), "", _STAMP, rows=attempt_rows(plant.site))
    finally:
        ledger.close(20.0)


@asynccontextmanager
async def served(
    made: Recorded, folder: Path, *, is_silent: bool = False, clock: Clock | None = None
) -> AsyncIterator[Given]:
    """Serve a copy of a recorded farm from `folder`, with the daemon's end of the socket unless it is silent."""
    shutil.copytree(made.folder, folder, dirs_exist_ok=True)
    standing = StandingClock()
    clock = clock or standing
    store = AccessStore(folder / ACCESS)
    link = DaemonLink(folder / SOCKET, clock)
    lockout = Lockout(store, clock.monotonic_s())
    farm = Farm(
        made.plant,
        folder,
        clock,
        store,
        Passwords(),
        lockout,
        link,
        Rehearsal(folder / "kestrel_bend.toml", folder),
        "0.1.0",
    )
    given = Given(farm, standing, made.run, made.snapshot)
    ledger = open_ledger(folder / LEDGER, simulated=True, stamp=_STAMP, now=real_seconds)
    decided = Decided(made.plant, ledger, clock)
    decided.load(folder / LEDGER)
    server = LocalServer(folder / SOCKET, given.on_command, decided.answer, given.on_step, lambda: given.snapshot)
    given.ledger = ledger
    try:
        given.server = server
        if not is_silent:
            await server.start()
        link.start()
        if not is_silent:
            async for _ in link.snapshots():
                break
        yield given
    finally:
        for client in given.clients:
            await client.aclose()
        await farm.rehearsal.close()
        await server.close()
        link.close()
        ledger.close(20.0)
        store.close()
