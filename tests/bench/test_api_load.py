"""The api under load beside a daemon: requests a second, how long they take, and how late scans begin meanwhile.

The baseline of the same run is a plain app of one route, asked by the same clients.
"""

import asyncio
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.clock import real_seconds
from daemon.folder import HISTORY
from daemon.ledger.history import History
from tests.bench.figures import keep
from tests.bench.loader import MIX, ask, load, streams
from tests.bench.pace import slowness
from tests.process.apis import Serving, free_port, lateness, p99, serving
from tests.process.processes import PATIENCE_S, end

pytestmark = pytest.mark.bench
_PLAIN = Path(__file__).parent / "baselines" / "app.py"
_CLIENTS, _STREAMS, _LASTS_S = 12, 100, 20.0
_LEAST_A_SECOND, _P99_S, _LATE_S = 300.0, 0.100, 0.020
_READINGS = 1_000_000
_MOST_GROWN_KB = 16 * 1024


@asynccontextmanager
async def _plain(found: Serving) -> AsyncIterator[Serving]:
    """Serve the baseline in a process of its own."""
    port = free_port()
    process = await asyncio.create_subprocess_exec(sys.executable, _PLAIN, str(port))
    try:
        async with asyncio.timeout(PATIENCE_S):
            while True:
                try:
                    _, writer = await asyncio.open_connection("127.0.0.1", port)
                except OSError:
                    await asyncio.sleep(0.05)
                else:
                    writer.close()
                    break
        yield replace(found, port=port, process=process)
    finally:
        await end(process)


@pytest.mark.timeout(240)
async def test_mixed_reads_beside_a_hundred_streams(tmp_path: Path) -> None:
    """Guards 300 requests a second with 99 of 100 within 100 ms, while scans of a second begin within 20 ms."""
    async with serving(tmp_path, scan_s=1.0) as found:
        asked = 1.15 * _LEAST_A_SECOND
        async with streams(found, _STREAMS) as came:
            await asyncio.sleep(3.0)
            took_s: list[float] = []

            async def reading() -> None:
                took_s.extend(await load(found, MIX, clients=_CLIENTS, a_second=asked, lasts_s=_LASTS_S))

            late_s = await lateness(found, reading())
        async with _plain(found) as plain:
            base_s = await load(plain, ("/health",), clients=_CLIENTS, a_second=asked, lasts_s=_LASTS_S)
        a_second = len(took_s) / _LASTS_S
        keep(8, f"mixed reads a second beside {_STREAMS} streams", a_second, "1/s", ">= 300")
        bare = "an app of one route, p99"
        keep(8, "p99 of them", 1000.0 * p99(took_s), "ms", "<= 100 ms", bare, 1000.0 * p99(base_s))
        keep(8, "p99 of how late scans begin then", 1000.0 * p99(late_s), "ms", "<= 20 ms")
        keep(8, "memory of the api then", found.rss_kb() / 1024, "MB", "stated")
        assert min(came) > 10_000, "every stream was served"
        slower = slowness()  # the aims stand for a computer as fast as the one that they were measured on
        assert a_second >= _LEAST_A_SECOND / slower and p99(took_s) <= _P99_S * slower
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
        await ask(reader, writer, "/readings", found.secret)
        before_kb, began_s, lines = found.rss_kb(), real_seconds(), 0
        head = f"GET /v1/readings/series.csv?point=made_up&{span} HTTP/1.1\r\nHost: localhost\r\n"
        writer.write(f"{head}Authorization: Bearer {found.secret}\r\nConnection: close\r\n\r\n".encode())
        while part := await reader.read(1 << 20):
            lines += part.count(b"Z,") + part.count(b"+00:00,")
        writer.close()
        took_s = real_seconds() - began_s
        grown_kb = found.rss_kb() - before_kb
        keep(8, f"CSV of {lines:,} readings", took_s, "s", "stated")
        keep(8, "memory that it took", grown_kb / 1024, "MB", "<= 16 MB")
        assert lines == _READINGS and grown_kb <= _MOST_GROWN_KB
