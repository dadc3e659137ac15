"""Devices that speak RTU, for tests: on a pseudo-terminal, or behind a gateway that passes bytes on over TCP.

Frames and checksum are written from Modbus over Serial Line V1.02 alone: nothing here is the code under test.
"""

import asyncio
import os
import struct
import tty
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from pathlib import Path

from drivers.line import RtuTcpLine, SerialLine

Steps = Iterable[tuple[float, bytes]]
"""(seconds after the request, bytes to send)."""
Answer = Callable[[bytes], Steps]

BAUD = 19200


def crc(data: bytes) -> bytes:
    """Return the checksum of a frame, bit by bit (Modbus over Serial Line V1.02, 6.2.2), low byte first."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def sealed(body: bytes) -> bytes:
    """Return unit and PDU with their checksum."""
    return body + crc(body)


def register(unit: int, address: int) -> int:
    """Return what register `address` of device `unit` holds: no two are alike, so no answer passes for another."""
    return unit << 8 | address


def good(request: bytes) -> bytes:
    """Return the one right answer of a device whose registers hold what `register` says."""
    unit, function, address, count = struct.unpack(">BBHH", request[:6])
    if function in (3, 4):
        values = (register(unit, address + place) for place in range(count))
        return sealed(request[:2] + bytes((2 * count,)) + b"".join(value.to_bytes(2, "big") for value in values))
    if function in (1, 2):
        size = (count + 7) // 8
        return sealed(request[:2] + bytes((size,)) + b"\x05" * size)
    return sealed(request[:6])


def at_once(request: bytes) -> Steps:
    """Answer rightly and at once."""
    return [(0.0, good(request))]


def request_size(data: bytes) -> int:
    """Return the size of the request that begins so; 0 while that is not known."""
    if len(data) < 7:
        return 0
    return 9 + data[6] if data[1] in (15, 16) else 7 if data[1] == 0x2B else 8


class Devices:
    """The devices of one line, who answer what `answer` makes of each request."""

    line: SerialLine | RtuTcpLine

    def __init__(self, answer: Answer) -> None:
        self.answer = answer
        self.requests: list[bytes] = []
        self.heard_at_s: list[float] = []
        """Event loop time of each request."""
        self.said_at_s = 0.0
        """Event loop time of the newest byte sent."""
        self.connections = 0
        self._buffer = b""
        self._write: Callable[[bytes], object] | None = None

    def connect(self, write: Callable[[bytes], object]) -> None:
        """Send through `write` from now on."""
        self.connections += 1
        self._write, self._buffer = write, b""

    def disconnect(self) -> None:
        """Send nowhere from now on."""
        self._write = None

    def say(self, data: bytes) -> None:
        """Send bytes, asked or not."""
        if self._write is not None:
            self.said_at_s = asyncio.get_running_loop().time()
            self._write(data)

    def hear(self, data: bytes) -> None:
        """Take what the master sent, and answer every whole request of it."""
        loop = asyncio.get_running_loop()
        self._buffer += data
        while (size := request_size(self._buffer)) and len(self._buffer) >= size:
            request, self._buffer = self._buffer[:size], self._buffer[size:]
            self.requests.append(request)
            self.heard_at_s.append(loop.time())
            for delay_s, reply in self.answer(request):
                if delay_s:
                    loop.call_later(delay_s, self.say, reply)
                else:
                    self.say(reply)


class Port:
    """A serial port at `path` that can be pulled out and put in again."""

    def __init__(self, path: Path, devices: Devices) -> None:
        self._path = path
        self._devices = devices
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        """Put the port in."""
        master, slave = os.openpty()
        tty.setraw(slave)
        self._path.symlink_to(os.ttyname(slave))
        self._ends = master, slave
        asyncio.get_running_loop().add_reader(master, lambda: self._devices.hear(os.read(master, 1024)))
        self._devices.connect(lambda data: os.write(master, data))

    def pull(self) -> None:
        """Pull the port out."""
        if self._ends is not None:
            asyncio.get_running_loop().remove_reader(self._ends[0])
            self._devices.disconnect()
            for end in self._ends:
                os.close(end)
            self._path.unlink()
            self._ends = None


@asynccontextmanager
async def on_port(path: Path, answer: Answer) -> AsyncIterator[tuple[Devices, Port]]:
    """Yield devices on a serial port at `path`, which is plugged in."""
    devices = Devices(answer)
    devices.line = SerialLine(str(path), BAUD, "N", 1)
    port = Port(path, devices)
    port.plug()
    try:
        yield devices, port
    finally:
        port.pull()


@asynccontextmanager
async def behind_gateway(answer: Answer) -> AsyncIterator[Devices]:
    """Yield devices behind a gateway that passes the bytes of one TCP connection after the other on to them."""
    devices = Devices(answer)
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        devices.connect(writer.write)
        try:
            while data := await reader.read(1024):
                devices.hear(data)
        except (ConnectionError, asyncio.CancelledError):
            pass
        finally:
            writer.close()
            tasks.discard(task)

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    devices.line = RtuTcpLine("127.0.0.1", server.sockets[0].getsockname()[1])
    try:
        yield devices
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()
