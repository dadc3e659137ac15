"""The api under load beside a daemon: requests a second, how long they take, and how late scans begin meanwhile.

The client is raw sockets, so that on two cores the load and not the loader is measured. The baseline of the same run is
the health route, which reads nothing.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from daemon.clock import real_seconds
from daemon.folder import HISTORY
from daemon.ledger.history import History
from tests.process.apis import Serving, lateness, p99, serving

pytestmark = pytest.mark.bench
_MIX = (
    "/live",
    "/runs",
    "/blocks",
    "/session",
    "/tanks",
    "/alarms",
    "/decisions/program",
    "/readings",
    "/live",
    "/plan",
)
_CLIENTS, _STREAMS, _LASTS_S = 12, 100, 20.0
_LEAST_A_SECOND, _P99_S, _LATE_S = 300.0, 0.100, 0.020
_READINGS = 1_000_000
_MOST_GROWN_KB = 16 * 1024


async def _ask(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, path: str, secret: str) -> int:
    """Ask once over a connection that stays; return the length of the answer."""
    writer.write(f"GET /v1{path} HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {secret}\r\n\r\n".encode())
    head = await reader.readuntil(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 200"), head
    length = next(int(line[16:]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length: "))
    await reader.readexactly(length)
    return length


async def _client(found: Serving, paths: tuple[str, ...], until_s: float, took_s: list[float], pause_s: float) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", found.port)
    number = 0
    due_s = real_seconds()
    while real_seconds() < until_s:
        began_s = real_seconds()
        await _ask(reader, writer, paths[number % len(paths)], found.secret)
        took_s.append(real_seconds() - began_s)
        number += 1
        due_s += pause_s
        await asyncio.sleep(max(0.0, due_s - real_seconds()))
    writer.close()


@asynccontextmanager
async def _streams(found: Serving, count: int) -> AsyncIterator[list[int]]:
    """Keep so many event streams open; yield the bytes that came over each."""
    came = [0] * count

    async def listen(number: int) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", found.port)
        head = f"GET /v1/events HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {found.secret}\r\n\r\n"
        writer.write(head.encode())
        try:
            while part := await reader.read(65_536):
                came[number] += len(part)
        finally:
            writer.close()

    listening = [asyncio.create_task(listen(number)) for number in range(count)]
    try:
        yield came
    finally:
        for task in listening:
            task.cancel()
        await asyncio.gather(*listening, return_exceptions=True)


async def _load(found: Serving, paths: tuple[str, ...], pause_s: float) -> list[float]:
    took_s: list[float] = []
    until_s = real_seconds() + _LASTS_S
    await asyncio.gather(*(_client(found, paths, until_s, took_s, pause_s) for _ in range(_CLIENTS)))
    return took_s


@pytest.mark.timeout(240)
async def test_mixed_reads_beside_a_hundred_streams(tmp_path: Path) -> None:
    """Guards 300 requests a second with 99 of 100 within 100 ms, while scans of a second begin within 20 ms."""
    async with serving(tmp_path, scan_s=1.0) as found:
        pause_s = _CLIENTS / (1.15 * _LEAST_A_SECOND)
        async with _streams(found, _STREAMS) as came:
            await asyncio.sleep(3.0)
            took_s: list[float] = []

            async def load() -> None:
                took_s.extend(await _load(found, _MIX, pause_s))

            late_s = await lateness(found, load())
        base_s = await _load(found, ("/health",), pause_s)
        a_second = len(took_s) / _LASTS_S
        print(
            f"\napi: {a_second:.0f} mixed reads a second beside {_STREAMS} streams, p99 {1000 * p99(took_s):.0f} ms "
            f"(health alone {1000 * p99(base_s):.0f} ms); scans late p99 {1000 * p99(late_s):.1f} ms; "
            f"{found.rss_kb() / 1024:.0f} MB"
        )
        assert min(came) > 10_000, "every stream was served"
        assert a_second >= _LEAST_A_SECOND and p99(took_s) <= _P99_S
        assert p99(late_s) <= _LATE_S


@pytest.mark.timeout(240)
async def test_a_sheet_of_a_million_readings(tmp_path: Path) -> None:
    """Guards memory: CSV of 10^6 readings flows through, and the api grows by next to nothing."""
    async with serving(tmp_path, scan_s=1.0) as found:
        history = History(found.folder / HISTORY)
        for begin in range(0, _READINGS, 2_000):
            for number in range(begin, begin + 2_000):
                history.append(1_000_000 + number, {"made_up": 0.001 * number})
            history.flush()
        history.close()
        span = "from=1970-01-01T00:00:00Z&to=1970-01-02T00:00:00Z"
        reader, writer = await asyncio.open_connection("127.0.0.1", found.port)
        await _ask(reader, writer, "/readings", found.secret)
        before_kb, began_s, lines = found.rss_kb(), real_seconds(), 0
        head = f"GET /v1/readings/series.csv?point=made_up&{span} HTTP/1.1\r\nHost: localhost\r\n"
        writer.write(f"{head}Authorization: Bearer {found.secret}\r\nConnection: close\r\n\r\n".encode())
        while part := await reader.read(1 << 20):
            lines += part.count(b"Z,") + part.count(b"+00:00,")
        writer.close()
        took_s = real_seconds() - began_s
        grown_kb = found.rss_kb() - before_kb
        print(f"\napi: CSV of {lines:,} readings in {took_s:.1f} s, {grown_kb / 1024:.1f} MB more memory")
        assert lines == _READINGS and grown_kb <= _MOST_GROWN_KB
