"""The server itself over loopback: slow and endless clients hold nothing, and it ends when it is told to."""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from api import serving
from api.access.roles import Role
from api.limits import COOKIE
from api.serving import ServingError, listen, serve
from daemon.clock import RealClock
from tests.api.farms import Given, Recorded, served

_IN_TIME_S = 10.0


@asynccontextmanager
async def _up(given: Given) -> AsyncIterator[int]:
    """Serve a farm at a free port of this computer."""
    listener = listen("127.0.0.1", 0)
    port = int(listener.getsockname()[1])
    stop = asyncio.Event()
    serving_ = asyncio.create_task(serve(given.farm, listener, stop))
    try:
        async with httpx.AsyncClient() as client:
            for _ in range(100):
                try:
                    await client.get(f"http://127.0.0.1:{port}/v1/health")
                    break
                except httpx.ConnectError:
                    await asyncio.sleep(0.02)
        yield port
    finally:
        stop.set()
        await asyncio.wait_for(serving_, _IN_TIME_S)
        listener.close()


@pytest.fixture
async def real(record: Recorded, tmp_path: Path) -> AsyncIterator[Given]:
    """Return a farm on the real clock."""
    async with served(record, tmp_path / "real", clock=RealClock()) as given:
        yield given


async def _is_dropped(reader: asyncio.StreamReader) -> bool:
    try:
        return await asyncio.wait_for(reader.read(65_536), _IN_TIME_S) == b""
    except ConnectionError:
        return True


async def test_a_head_that_never_ends_is_dropped(real: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards sockets (A5): nothing sent, half a head, a head byte by byte, and silence after an answer."""
    monkeypatch.setattr(serving, "_REQUEST_S", 0.3)
    async with _up(real) as port:
        for first in (b"", b"GET /v1/health HTTP/1.1\r\nHost: localh", b"G"):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(first)
            assert await _is_dropped(reader)
            writer.close()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert b"200 OK" in await reader.read(65_536)
        assert await _is_dropped(reader)
        writer.close()


async def test_a_head_is_bounded(real: Given) -> None:
    """Guards memory: a head of many or long headers is refused."""
    async with _up(real) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 65_536)
        assert (await asyncio.wait_for(reader.read(65_536), _IN_TIME_S)).startswith(b"HTTP/1.1 400")
        writer.close()


async def test_connections_are_bounded(real: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards memory (A10): one too many is dropped at once, and others come when those are gone."""
    monkeypatch.setattr(serving, "_MOST_CONNECTIONS", 5)
    async with _up(real) as port:
        opened = [await asyncio.open_connection("127.0.0.1", port) for _ in range(5)]
        await asyncio.sleep(0.1)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        assert await _is_dropped(reader)
        writer.close()
        for _, other in opened:
            other.close()
        await asyncio.sleep(0.1)
        async with httpx.AsyncClient() as client:
            assert (await client.get(f"http://127.0.0.1:{port}/v1/health")).status_code == 200


async def test_snapshots_are_streamed_and_end_with_the_server(real: Given) -> None:
    """Guards the events: a snapshot comes at once; an open stream does not hold up the end."""
    real.farm.store.add("mina", Role.VIEWER, real.farm.now_ms())
    secret = real.farm.store.begin_session("mina", real.farm.now_ms())
    lines: list[str] = []
    async with httpx.AsyncClient(cookies={COOKIE: secret}) as client, _up(real) as port:
        async with client.stream("GET", f"http://127.0.0.1:{port}/v1/events") as stream:
            assert stream.status_code == 200 and stream.headers["content-type"].startswith("text/event-stream")
            async for line in stream.aiter_lines():
                lines.append(line)
                if line.startswith("data:"):
                    break
    assert "event: snapshot" in lines and '"site":"Kestrel Bend"' in lines[-1]


def test_an_address_that_is_taken_is_told() -> None:
    """Guards the start: what was asked for, why not, and what to do."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ServingError, match=rf"127\.0\.0\.1:{port}, which cannot be listened at .* another port"):
            listen("127.0.0.1", port)
