"""What the tests of the local socket share: a server with a stand-in for the scan, and a client without manners."""

import asyncio
import contextlib
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from daemon.local_socket.server import STOP_VERBS, LocalServer
from daemon.messages import PROTOCOL, Answer, Command, Snapshot, Verb

FIRST = Snapshot(
    at_ms=1_791_000_000_000,
    clock_trusted=True,
    simulated=True,
    site="Kestrel Bend",
    scan=1,
    mode="AUTOMATIC",
    procedure="RUNNING",
    phase="INJECT",
    run="r1",
    shift="2",
    queue=[],
    readings={"flow_m3_h": {"value": 31.5, "quality": "GOOD"}},
    outputs={"pump": True},
    progress={"stock_l": 12.5},
    estimates=[],
    owed=[],
    alarms=[],
    leases=[],
    ledger={},
    links={},
    tonight={},
    devices={},
)


class Scan:
    """Stands for the scan: keeps what it was given, and decides Stop at once, all else when `decide` is set."""

    def __init__(self) -> None:
        self.given: list[Command | dict[str, Any]] = []
        self.decided: list[str] = []
        self.decide = asyncio.Event()
        self.newest: Snapshot | None = FIRST

    async def on_command(self, command: Command) -> Answer:
        self.given.append(command)
        if command.verb not in STOP_VERBS:
            await self.decide.wait()
        self.decided.append(command.id)
        return Answer(command.id, True, f"{command.verb.value} for {command.who}")

    async def on_decision(self, decision: dict[str, Any]) -> Answer:
        self.given.append(decision)
        await self.decide.wait()
        return Answer(decision["id"], False, "ETag is old: read it again")


class Raw:
    """A client without manners: sends and reads frames as the test says."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    def send(self, *bodies: Any) -> None:
        for body in bodies:
            text = body if isinstance(body, bytes) else json.dumps(body).encode()
            self.writer.write(len(text).to_bytes(4, "big") + text)

    async def read(self) -> Any:
        """Return the next frame, None at the end of the stream."""
        async with asyncio.timeout(5.0):
            try:
                length = int.from_bytes(await self.reader.readexactly(4), "big")
                return json.loads(await self.reader.readexactly(length))
            except (asyncio.IncompleteReadError, ConnectionError):
                return None

    async def close(self) -> None:
        self.writer.close()
        with contextlib.suppress(OSError):
            await self.writer.wait_closed()


class House:
    """A server, its scan, and raw clients that are closed at the end."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.scan = Scan()
        self.server = LocalServer(
            path, self.scan.on_command, self.scan.on_decision, self.scan.on_decision, lambda: self.scan.newest
        )
        self.clients: list[Raw] = []

    async def stranger(self) -> Raw:
        """Return a client that has read the daemon's hello and said nothing."""
        raw = Raw(*await asyncio.open_unix_connection(self.path))
        self.clients.append(raw)
        assert await raw.read() == {"hello": {"protocol": PROTOCOL}}
        return raw

    async def client(self) -> Raw:
        """Return a client after both hellos."""
        raw = await self.stranger()
        raw.send({"hello": {"protocol": PROTOCOL}})
        return raw

    def publish(self, scan: int, **changes: Any) -> None:
        self.scan.newest = replace(FIRST, scan=scan, **changes)
        self.server.published()


def command(verb: Verb, identity: str = "c1") -> Command:
    return Command(identity, "ana", "operator", verb, {"program": "p1"})


def wire(verb: Verb | str, identity: str = "c1", **changes: Any) -> dict[str, Any]:
    name = verb if isinstance(verb, str) else verb.value
    body = {"id": identity, "who": "ana", "role": "operator", "verb": name, "arguments": {}, **changes}
    return {"command": body}


async def until(condition: Any) -> None:
    """Wait until something holds; fail after two seconds."""
    async with asyncio.timeout(2.0):
        while not condition():
            await asyncio.sleep(0.002)


def command_ids(house: House) -> list[str]:
    return [given.id for given in house.scan.given if isinstance(given, Command)]
