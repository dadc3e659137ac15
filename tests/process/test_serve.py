"""The api as a process of its own: under abuse, and killed at will. No scan feels it."""

import asyncio
import contextlib
import random
import resource
import ssl
import statistics
from collections.abc import Awaitable, Iterator
from pathlib import Path

import httpx
import pytest

from api.access.roles import Role
from api.access.store import AccessStore
from daemon.clock import RealClock
from daemon.evidence import CommandAnswered
from daemon.folder import ACCESS, LEDGER
from daemon.ledger.reading import evidence, reading
from tests.night.sites import write_scenario
from tests.process.apis import Serving, free_port, lateness, p99, serving, started
from tests.process.processes import PATIENCE_S, end, running

pytestmark = pytest.mark.chaos
_MOST_RSS_KB = 150 * 1024
_LATE_S = 0.020


@pytest.mark.proof
@pytest.mark.timeout(240)
async def test_killing_the_api_costs_no_scan(tmp_path: Path) -> None:
    """Guards the two processes: killed at any moment, with streams open and questions under way, ten times over."""

    async def kills(found: Serving) -> None:
        rng = random.Random(7)
        for _ in range(10):
            async with found.client() as client:
                asking = [asyncio.ensure_future(_quietly(client.get(path))) for path in ("/live", "/runs", "/events")]
                await asyncio.sleep(rng.uniform(0.2, 0.8))
                await end(found.process)
                await asyncio.gather(*asking)
            await found.begin()

    async with serving(tmp_path) as found:
        late = await lateness(found, kills(found))
        assert len(late) > 50 and max(late) <= _LATE_S, (statistics.mean(late), sorted(late)[-5:])
        assert (await found.daemon.snapshot()).devices["relays"]["failures_in_a_row"] == 0


async def _quietly(asking: Awaitable[httpx.Response]) -> None:
    with contextlib.suppress(httpx.HTTPError):
        await asking


@contextlib.contextmanager
def _many_files() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    assert hard >= 11_000, "this test opens 10,000 sockets at once"
    resource.setrlimit(resource.RLIMIT_NOFILE, (11_000, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


async def _abuse(port: int) -> None:
    """Send what no client of ours would, all at once: heads and bodies that never end, and all sockets there are."""

    async def drip(first: bytes) -> None:
        with contextlib.suppress(OSError):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(first)
            for _ in range(20):
                writer.write(b"x")
                await writer.drain()
                await asyncio.sleep(0.2)
            writer.close()

    async def flood(chunked: bool) -> None:
        with contextlib.suppress(OSError):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            how = b"Transfer-Encoding: chunked" if chunked else b"Content-Length: 1073741824"
            writer.write(b"POST /v1/stop HTTP/1.1\r\nHost: localhost\r\n" + how + b"\r\n\r\n")
            part = b"x" * 65_536
            for _ in range(16_384):
                writer.write(b"10000\r\n" + part + b"\r\n" if chunked else part)
                await writer.drain()
            writer.close()

    async def hold(number: int) -> None:
        with contextlib.suppress(OSError):
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            await asyncio.sleep(2.0)
            writer.close()

    deep = b"[" * 100_000
    deep_head = (
        b"POST /v1/stop HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100000\r\n\r\n"
    )
    await asyncio.gather(
        *(drip(b"GET /v1/health HTTP/1.1\r\nX: ") for _ in range(100)),
        *(drip(b"POST /v1/stop HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9999\r\n\r\n") for _ in range(100)),
        *(drip(deep_head + deep) for _ in range(20)),
        flood(chunked=False),
        flood(chunked=True),
    )
    with _many_files():
        await asyncio.gather(*(hold(number) for number in range(10_000)))


@pytest.mark.proof
@pytest.mark.timeout(240)
async def test_abuse_takes_neither_memory_nor_scans(tmp_path: Path) -> None:
    """Guards a board of 1 GB: slow heads and bodies, 1 GiB, 10,000 sockets, deep JSON take 150 MB at most."""
    async with serving(tmp_path) as found:
        late = await lateness(found, _abuse(found.port))
        async with found.client() as client:
            async with asyncio.timeout(PATIENCE_S):
                while (answer := await client.get("/live")).status_code != 200:
                    await asyncio.sleep(0.1)
        assert answer.json()["silent"] is False
        assert found.rss_kb() <= _MOST_RSS_KB, found.rss_kb()
        assert p99(late) <= _LATE_S, sorted(late)[-5:]


@pytest.mark.proof
@pytest.mark.timeout(120)
async def test_all_of_it_with_one_command(tmp_path: Path) -> None:
    """Guards `run --all`: simulator, daemon and api up, the first code logs in, and all are gone when it ends."""
    site, decisions = write_scenario(tmp_path)
    port = free_port()
    with site.open("a", encoding="utf-8") as more:
        more.write(f"\n[api]\nport = {port}\n")
    async with running(site, tmp_path / "db", "--all", "--decisions", decisions) as daemon:
        await daemon.until_it_says("Log-in code, once and within 15 minutes: ")
        code = daemon.said().rpartition("minutes: ")[2].split()[0]
        own = f"http://127.0.0.1:{port}"
        async with httpx.AsyncClient(base_url=f"{own}/v1", headers={"Origin": own}) as page:
            assert (await page.post("/pairings/claim", json={"code": code})).json()["role"] == "technician"
            async with asyncio.timeout(PATIENCE_S):
                while (await page.get("/live")).json()["silent"]:
                    await asyncio.sleep(0.1)
            answer = await page.post("/commands", json={"verb": "hold"})
            assert answer.json()["accepted"] is False and answer.json()["reason"], "nothing runs that could be held"
        assert await daemon.terminate() == 0
    with pytest.raises(OSError):
        await asyncio.open_connection("127.0.0.1", port)
    assert ("technician", "hold") in _answered(tmp_path / "db"), "the record has who asked"


@pytest.mark.proof
@pytest.mark.peer
@pytest.mark.timeout(120)
async def test_tls_by_the_site_file(tmp_path: Path) -> None:
    """Guards TLS: a certificate of the site file's is served, and the session's cookie is for TLS alone."""
    certificate, key, port = tmp_path / "api.pem", tmp_path / "api.key", free_port()
    words = ("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=localhost", "-days", "2", "-addext")
    made = await asyncio.create_subprocess_exec(
        "openssl", *words, "subjectAltName=DNS:localhost", "-keyout", key, "-out", certificate,
        stderr=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    assert await made.wait() == 0
    site, _ = write_scenario(tmp_path)
    with site.open("a", encoding="utf-8") as more:
        more.write(f'\n[api]\nport = {port}\ncertificate = "{certificate}"\nkey = "{key}"\n')
    folder = tmp_path / "db"
    folder.mkdir()
    with contextlib.closing(AccessStore(folder / ACCESS)) as store:
        store.add("theo", Role.TECHNICIAN, 0)
        code = store.add_pairing("theo", RealClock().stamp().ms)
    process = await started(site, folder)
    try:
        trusted = ssl.create_default_context(cafile=str(certificate))
        async with httpx.AsyncClient(base_url=f"https://localhost:{port}/v1", verify=trusted) as client:
            async with asyncio.timeout(PATIENCE_S):
                while True:
                    with contextlib.suppress(httpx.TransportError):
                        assert (await client.get("/health")).json()["controller"] == "silent"
                        break
                    await asyncio.sleep(0.1)
            answer = await client.post("/pairings/claim", json={"code": code})
            assert answer.status_code == 200 and "Secure" in answer.headers["set-cookie"]
    finally:
        await end(process)


def _answered(folder: Path) -> list[tuple[str, str]]:
    """Return who asked for what, by the record."""
    with reading(folder / LEDGER) as connection:
        found = evidence(connection, CommandAnswered)
    return [(row.row.who, row.row.verb) for row in found if row.row.verb not in ("record",)]
