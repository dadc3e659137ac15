"""A Modbus TCP proxy in the test's own process: it sees every frame between daemon and plant before it goes on."""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass
from types import TracebackType
from typing import Self

_HEAD = 6
"""Transaction, protocol and length; the length counts what follows."""
_SIMULATOR, _HARDWARE = b"SIMULATOR", b"HARDWARE1"
READ_INPUTS, WRITE_COILS, WRITE_REGISTERS = 4, 15, 16
_WRITES = frozenset({5, 6, WRITE_COILS, WRITE_REGISTERS, 22, 23})


@dataclass(frozen=True, slots=True)
class Frame:
    """One request or reply on the wire."""

    bus: str
    connection: int
    to_plant: bool
    data: bytes

    @property
    def function(self) -> int:
        """The Modbus function code."""
        return self.data[7]

    @property
    def is_write(self) -> bool:
        """Whether it asks for a change of the plant."""
        return self.to_plant and self.function in _WRITES

    @property
    def coils(self) -> str:
        """The coils that a request writes, the lowest address first, such as 1101; empty for any other frame."""
        if not self.to_plant or self.function != WRITE_COILS:
            return ""
        count, packed = int.from_bytes(self.data[10:12], "big"), int.from_bytes(self.data[13:], "little")
        return f"{packed:0{count}b}"[::-1]


async def pass_all(frame: Frame) -> bool:
    """Let every frame through."""
    return True


class Proxy:
    """Stands on a free port for each bus while it is entered, and passes frames that `on_frame` lets through."""

    def __init__(self, plant_ports: Mapping[str, int]) -> None:
        self.ports: dict[str, int] = {}
        self.frames: list[Frame] = []
        self.connections = 0
        self.on_frame: Callable[[Frame], Awaitable[bool]] = pass_all
        """Asked before a frame goes on; False swallows it."""
        self.is_simulator = True
        """Whether the plant may say so; else it seems to be hardware."""
        self._plant_ports = plant_ports
        self._servers: list[asyncio.Server] = []
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        for bus in self._plant_ports:
            server = await asyncio.start_server(self._connected(bus), "127.0.0.1", 0)
            self._servers.append(server)
            self.ports[bus] = server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        for server in self._servers:
            server.close()
        await _cancel(tuple(self._tasks))
        for server in self._servers:
            await server.wait_closed()

    def writes(self, since: int = 0) -> list[Frame]:
        """Return the frames from number `since` on that asked for a change."""
        return [frame for frame in self.frames[since:] if frame.is_write]

    def _connected(self, bus: str) -> Callable[[asyncio.StreamReader, asyncio.StreamWriter], None]:
        def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            self.connections += 1
            task = asyncio.create_task(self._serve(bus, self.connections, reader, writer))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

        return connected

    async def _serve(
        self, bus: str, connection: int, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Carry frames both ways until either side hangs up."""
        async with contextlib.AsyncExitStack() as closing:
            closing.enter_context(contextlib.suppress(ConnectionRefusedError))  # the plant is gone: hang up
            closing.push_async_callback(_hang_up, writer)
            plant_reader, plant_writer = await asyncio.open_connection("127.0.0.1", self._plant_ports[bus])
            closing.push_async_callback(_hang_up, plant_writer)
            ways = (
                asyncio.create_task(self._carry(bus, connection, True, reader, plant_writer)),
                asyncio.create_task(self._carry(bus, connection, False, plant_reader, writer)),
            )
            closing.push_async_callback(_cancel, ways)
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)

    async def _carry(
        self, bus: str, connection: int, to_plant: bool, source: asyncio.StreamReader, sink: asyncio.StreamWriter
    ) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, OSError):
            while True:
                head = await source.readexactly(_HEAD)
                frame = Frame(
                    bus, connection, to_plant, head + await source.readexactly(int.from_bytes(head[4:6], "big"))
                )
                self.frames.append(frame)
                if await self.on_frame(frame):
                    sink.write(frame.data if self.is_simulator else frame.data.replace(_SIMULATOR, _HARDWARE))


async def _hang_up(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()


async def _cancel(tasks: Iterable[asyncio.Task[None]]) -> None:
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
