"""As quick in its tenth season as in its first: pages of a record of ten seasons beside those of one."""

import asyncio
import statistics
from pathlib import Path

import httpx
import pytest

from api.access.roles import Role
from daemon.clock import real_seconds
from daemon.folder import LEDGER
from tests.api.farms import Given, Recorded, recorded, served
from tests.bench.seasons import NIGHTS_A_SEASON, seasons
from tests.figures import record
from tests.process.apis import p99

pytestmark = [pytest.mark.long, pytest.mark.timeout(3000)]

SEASON = "/seasons/mandarins"
PAGES = ("/", "/blocks", SEASON, "/seasons", "/nights", "/v1/runs")
ASKED = 300
SEASONS = 10
MOST_MS, MOST_TIMES = 50.0, 1.5
"""The aims."""


async def _times_ms(given: Given, client: httpx.AsyncClient, page: str) -> list[float]:
    """Return how long a page takes, again and again, the first time first."""
    took = []
    for _ in range(ASKED):
        given.clock.at_s += 0.1  # it stands: so many would be too many a second
        began_s = real_seconds()
        answer = await client.get(page)
        took.append(1000.0 * (real_seconds() - began_s))
        assert answer.status_code == 200, (page, answer.text[:300])
    return took


async def _pages(made: Recorded, folder: Path) -> dict[str, list[float]]:
    async with served(made, folder) as given:
        await asyncio.to_thread(given.farm.warm)  # as `serve` does
        client = given.person(Role.TECHNICIAN)
        return {page: await _times_ms(given, client, page) for page in PAGES}


async def test_the_tenth_season_is_as_quick_as_the_first(tmp_path: Path) -> None:
    """First page and season: at most 50 ms, and at most half as long again as with one season."""
    made = await asyncio.to_thread(recorded, tmp_path / "night", ("low_night", "high_night", "grove_night"))
    took: dict[int, dict[str, list[float]]] = {}
    megabytes: dict[int, float] = {}
    for count in (1, SEASONS):
        long = await asyncio.to_thread(seasons, made, tmp_path / f"of_{count}", count)
        megabytes[count] = (long.folder / LEDGER).stat().st_size / 1e6
        took[count] = await _pages(long, tmp_path / f"served_{count}")
    told = [
        f"{page} {statistics.median(took[SEASONS][page]):.0f} ms, p99 {p99(took[SEASONS][page]):.0f}, the first "
        f"{took[SEASONS][page][0]:.0f} (one season {statistics.median(took[1][page]):.0f})"
        for page in PAGES
    ]
    record(
        "seasons",
        claim="pages of a record of ten seasons, beside those of one",
        test="tests/bench/test_seasons.py, `-m long`",
        aim="first page and season's account: p99 50 ms, 1.5 x of one season",
        reached=f"{SEASONS * NIGHTS_A_SEASON:,} nights of three runs, {megabytes[SEASONS]:.0f} MB: {'; '.join(told)}",
        limit="one real night told again on other days, a tenth of its checkpoints; one process, no network",
    )
    for page in ("/", "/blocks", SEASON):
        assert p99(took[SEASONS][page]) <= MOST_MS, told
        assert statistics.median(took[SEASONS][page]) <= MOST_TIMES * statistics.median(took[1][page]), told
