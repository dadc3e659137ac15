"""A Modbus TCP proxy that knows whole frames, and spoils those transactions that it is told to."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any

from sim.wire_faults import WIRE_FAULTS, Action, End, Exchange

_HEAD = 6
"""Transaction, protocol and length; the length counts what follows."""
_ABORT = struct.pack("ii", 1, 0)
"""SO_LINGER on, with no time: closing resets the connection."""


class WireFaultError(ValueError):
    """A wire fault that is not known; the text says which are."""


@dataclass(slots=True)
class Strike:
    """Which transactions a fault strikes: of those that `when` is true of, each `every`th after `skip` others."""

    fault: str
    when: Callable[[bytes], bool] = lambda request: True
    every: int = 1
    skip: int = 0
    times: int | None = None
    """How often in all; None: from then on."""
    turn: int = 0
    """The form to begin with."""
    met: int = 0
    """Transactions so far that `when` was true of."""
    struck: int = 0
    """How many of them it spoilt."""

    def __post_init__(self) -> None:
        if self.fault not in WIRE_FAULTS:
            raise WireFaultError(f"got the wire fault {self.fault!r}; known are {', '.join(WIRE_FAULTS)}")

    def hits(self, request: bytes) -> bool:
        """Return whether this transaction is to be spoilt, and count it."""
        if self.times == self.struck or not self.when(request):
            return False
        self.met += 1
        is_hit = self.met > self.skip and (self.met - self.skip - 1) % self.every == 0
        self.struck += is_hit
        return is_hit


class WireProxy:
    """Stands before one Modbus TCP server: each client gets a connection of its own behind it."""

    def __init__(self, host: str, timeout_s: float = 0.5) -> None:
        """Prepare; nothing is opened."""
        self.strike: Strike | None = None
        """What is being spoilt; None for nothing."""
        self.timeout_s = timeout_s
        """How long its clients wait: what late and drip are measured by."""
        self._host = host
        self._server: asyncio.Server | None = None
        self._server_port = 0
        self._tasks: set[asyncio.Task[None]] = set()

    async def start(self, port: int, server_port: int) -> int:
        """Listen on `port` (0: any free one) before the server on `server_port`; return the port. Raises OSError."""
        self._server_port = server_port
        self._server = await asyncio.start_server(self._connected, self._host, port)
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Close every connection and stop listening."""
        if self._server is None:
            return
        self._server.close()
        tasks = tuple(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._server.wait_closed()

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._spawn(self._serve(reader, writer))

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Carry transactions until either side hangs up."""
        async with contextlib.AsyncExitStack() as closing:
            closing.enter_context(contextlib.suppress(asyncio.IncompleteReadError, OSError))
            closing.push_async_callback(_hang_up, writer)
            device_reader, device_writer = await asyncio.open_connection(self._host, self._server_port)
            closing.push_async_callback(_hang_up, device_writer)
            while True:
                request = await _frame(reader)
                strike = self.strike if self.strike is not None and self.strike.hits(request) else None
                fault, turn = (WIRE_FAULTS[strike.fault], strike.turn + strike.struck - 1) if strike else (None, 0)
                reply = b""
                if fault is None or not fault.keeps_back(turn):
                    device_writer.write(request)
                    reply = await _frame(device_reader)
                if fault is None:
                    writer.write(reply)
                    continue
                actions = fault.act(Exchange(request, reply, turn, self.timeout_s))
                if End.MUTE in actions:
                    await _perform(writer, actions[:-1])
                    while await reader.read(4096):
                        pass
                    return
                # Requests that come while a reply is held back are answered: it lands among theirs.
                self._spawn(_perform(writer, actions))


async def _frame(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readexactly(_HEAD)
    return head + await reader.readexactly(int.from_bytes(head[4:6], "big"))


async def _perform(writer: asyncio.StreamWriter, actions: tuple[Action, ...]) -> None:
    with contextlib.suppress(OSError):
        for action in actions:
            if writer.is_closing():  # the client has given up and gone
                return
            if isinstance(action, bytes):
                writer.write(action)
                await writer.drain()
            elif isinstance(action, float):
                await asyncio.sleep(action)
            elif action is End.RST:
                await asyncio.sleep(0)  # what was written goes out first
                writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _ABORT)
                writer.transport.abort()
            else:
                writer.close()


async def _hang_up(writer: asyncio.StreamWriter) -> None:
    writer.close()
    with contextlib.suppress(OSError):
        await writer.wait_closed()
