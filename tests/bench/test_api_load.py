"""The api under load beside a daemon: requests a second, how long they take, and how late scans begin meanwhile.

The baseline of the same run is the health route, which reads nothing.
"""

import asyncio
from pathlib import Path

import pytest

from daemon.clock import real_seconds
from daemon.folder import HISTORY
from daemon.ledger.history import History
from tests.bench.loader import MIX, ask, load, streams
from tests.process.apis import lateness, p99, serving

pytestmark = pytest.mark.bench
_CLIENTS, _STREAMS, _LASTS_S = 12, 100, 20.0
_LEAST_A_SECOND, _P99_S, _LATE_S = 300.0, 0.100, 0.020
_READINGS = 1_000_000
_MOST_GROWN_KB = 16 * 1024


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
        base_s = await load(found, ("/health",), clients=_CLIENTS, a_second=asked, lasts_s=_LASTS_S)
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
        await ask(reader, writer, "/readings", found.secret)
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
