"""What may listen where a bus should be: something that answers nonsense, that hangs up, or that is silent."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from enum import Enum


class Manner(Enum):
    """What a stranger does when a master calls."""

    NONSENSE = b"HTTP/1.1 400 Bad Request\r\n\r\n"
    HANGS_UP = b""
    SILENCE = None


@contextlib.asynccontextmanager
async def stranger(manner: Manner) -> AsyncIterator[int]:
    """Listen on a free port of the loopback, which is returned, and be no Modbus device."""
    open_now: set[asyncio.StreamWriter] = set()

    async def called(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        open_now.add(writer)
        with contextlib.suppress(OSError):
            while manner is not Manner.HANGS_UP and await reader.read(256):
                if manner.value is not None:
                    writer.write(manner.value)
            writer.close()
            await writer.wait_closed()
        open_now.discard(writer)

    server = await asyncio.start_server(called, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for writer in tuple(open_now):
            writer.close()
        await server.wait_closed()
        await _until(lambda: not open_now)


async def _until(done: Callable[[], bool]) -> None:
    async with asyncio.timeout(5.0):
        while not done():
            await asyncio.sleep(0.01)
