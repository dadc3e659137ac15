"""A technician with a phone in the field: guided steps against the real daemon and the simulated plant."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import NamedTuple

import pytest
from playwright.async_api import Error as PlaywrightError
from playwright.async_api import Page, ViewportSize, async_playwright

from api.access.lockout import Lockout
from api.access.passwords import Passwords
from api.access.roles import Role
from api.access.store import AccessStore
from api.farm import Farm
from api.limits import COOKIE
from api.link import DaemonLink
from api.rehearsal import Rehearsal
from api.serving import listen, serve
from daemon.clock import RealClock
from daemon.folder import ACCESS, SOCKET
from daemon.ledger.attempts import accepted
from tests.api.browser.conftest import CHROMIUM, QUIET, looked_at
from tests.api.farms import PASSWORD_HASH
from tests.night import steps_answered as enter
from tests.night.places import kestrel
from tests.night.technician import Technician, at_the_plant

_PHONE: ViewportSize = {"width": 360, "height": 740}
_NAME = "tomas"
_LOOKS_S = 0.2
_STILL_S = 0.8
"""Until the page has caught up with the plant."""


async def _goes_on(technician: Technician, may: asyncio.Event) -> None:
    """Let the plant go on: as fast as it can while the daemon is at work, ten times as fast as life beside a person."""
    while True:
        await may.wait()
        await technician.service.step()
        stage = technician.view.get("stage") if technician.view else None
        is_persons = stage is None or not stage["by_daemon"]
        await asyncio.sleep(_LOOKS_S if is_persons else 0.0)


class Phone(NamedTuple):
    """A phone, and the plant that it looks at."""

    technician: Technician
    page: Page
    may: asyncio.Event
    """The plant goes on while this is set."""

    async def look(self, name: str) -> None:
        """Look at the page while the plant stands still."""
        self.may.clear()
        await asyncio.sleep(_STILL_S)
        await looked_at(self.page, name)
        self.may.set()


@asynccontextmanager
async def _phone(technician: Technician, site: Path) -> AsyncIterator["Phone"]:
    """Serve the technician's farm beside its real daemon, and open its first page on a phone."""
    folder, clock = technician.service.ledger.path.parent, RealClock()
    store = AccessStore(folder / ACCESS)
    link = DaemonLink(folder / SOCKET, clock)
    lockout = Lockout(store, clock.monotonic_s())
    rehearsal = Rehearsal(site, folder)
    farm = Farm(technician.service.plant, folder, clock, store, Passwords(), lockout, link, rehearsal, "0.1.0")
    store.add(_NAME, Role.TECHNICIAN, farm.now_ms(), PASSWORD_HASH)
    listener, stop = listen("127.0.0.1", 0), asyncio.Event()
    address = f"http://127.0.0.1:{listener.getsockname()[1]}"
    may = asyncio.Event()
    may.set()
    tasks = [asyncio.ensure_future(_goes_on(technician, may)), asyncio.ensure_future(serve(farm, listener, stop))]
    try:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=[*QUIET])
            context = await browser.new_context(viewport=_PHONE, locale="en-AU")
            secret = store.begin_session(_NAME, farm.now_ms())
            await context.add_cookies([{"name": COOKIE, "value": secret, "url": address}])
            page = await context.new_page()
            page.set_default_timeout(30_000.0)
            await page.goto(f"{address}/commission")
            yield Phone(technician, page, may)
            await browser.close()
    finally:
        stop.set()
        await asyncio.wait_for(tasks[1], 20.0)
        tasks[0].cancel()
        with suppress(asyncio.CancelledError):
            await tasks[0]
        await rehearsal.close()
        link.close()
        listener.close()
        store.close()


@pytest.fixture
async def at_hand(tmp_path: Path) -> AsyncIterator[Phone]:
    """Give a technician at the simulated plant, and the phone."""
    if CHROMIUM is None:
        pytest.skip("needs Debian's chromium")
    place = kestrel(tmp_path, "kestrel_bend")
    decisions = tmp_path / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with (
        at_the_plant(place.site_file, decisions, tmp_path / "db", seed=7) as technician,
        _phone(technician, place.site_file) as phone,
    ):
        yield phone


async def _begin(page: Page, step: str) -> None:
    await page.locator("select[name=step]").select_option(step)
    await _tap(page, "Begin")


async def _tap(page: Page, name: str) -> None:
    await page.get_by_role("button", name=name, exact=True).first.click()
    await page.wait_for_load_state("load")


async def _at(page: Page, technician: Technician, *stages: str) -> str:
    """Wait until the page shows one of these stages, or the result ("result"); return which."""
    for _ in range(1200):
        view = technician.view
        now = "" if not view else "result" if view["result"] else view["stage"]["name"] if view["stage"] else ""
        assert not view or not view["cut_off"], view["cut_off"]
        if now in stages:
            wanted = "Accept the result" if now == "result" else view["stage"]["do"]
            with suppress(PlaywrightError):  # in the middle of reading the page again
                if wanted in await page.inner_text("main"):
                    return now
        await asyncio.sleep(0.05)
    stage = technician.view["stage"]
    raise AssertionError((stage and stage["name"], await page.inner_text("main")))


@pytest.mark.timeout(180)
async def test_a_guided_transit(at_hand: Phone) -> None:
    """Begins, says where the probe is, watches the live readings, and accepts: the plan goes by what was measured."""
    technician, page, _ = at_hand
    await at_hand.look("guided-steps")
    await _begin(page, "transit creek")
    await _at(page, technician, "way")
    await at_hand.look("guided-transit-way")
    await page.get_by_label("How it is seen").select_option("far probe")
    await page.get_by_label("With which instrument").fill("its own probe")
    await page.get_by_label("At which emitter").fill("the last of the last lateral")
    await _tap(page, "Enter it")
    await _at(page, technician, "fill", "pulse", "watch")
    await at_hand.look("guided-transit-live")
    assert await page.locator("[data-live=flow_m3_h]").count() == 1
    await _at(page, technician, "result")
    await at_hand.look("guided-transit-result")
    assert "Passed" in await page.inner_text("#result")
    await _tap(page, "Accept the result")
    await page.get_by_role("button", name="Begin", exact=True).wait_for()
    assert ("transit", "creek") in technician.service.decided.newest
    assert accepted(technician.service.ledger.path)[0].begun.row.who == _NAME


@pytest.mark.proof
@pytest.mark.timeout(180)
async def test_a_guided_calibration(at_hand: Phone) -> None:
    """Runs an injector at three settings, three times each, and enters the cylinder's loss; a wrong entry is told."""
    technician, page, _ = at_hand
    await _begin(page, "injector a")
    await _at(page, technician, "way")
    await page.get_by_label("With which cylinder").fill("a cylinder of 30 L")
    await _tap(page, "Enter it")
    is_told = False
    for setting in ("0.1", "0.5", "1"):
        for run in (1, 2, 3):
            await _at(page, technician, f"ready.run.{setting}.{run}")
            await enter.injector(technician, f"ready.run.{setting}.{run}")
            await _tap(page, "It is so")
            await _at(page, technician, f"read.{setting}.{run}")
            ml = (await enter.injector(technician, f"read.{setting}.{run}"))["ml"]
            if not is_told:
                await at_hand.look("guided-injector-read")
                await page.get_by_label("What the cylinder lost").fill("plenty")
                await _tap(page, "Enter it")
                assert "expected a number" in await page.inner_text("main")
                await at_hand.look("guided-injector-wrong")
                is_told = True
            await page.get_by_label("What the cylinder lost").fill(f"{ml:.1f}".replace(".", ","))
            await _tap(page, "Enter it")
    await _at(page, technician, "result")
    await at_hand.look("guided-injector-result")
    await _tap(page, "Accept the result")
    await page.get_by_role("button", name="Begin", exact=True).wait_for()
    assert ("curve", "a") in technician.service.decided.newest


async def test_an_abort_by_phone(at_hand: Phone) -> None:
    """One tap lets everything go, whatever the stage."""
    technician, page, _ = at_hand
    await _begin(page, "fill creek")
    await _at(page, technician, "way")
    await page.get_by_label("With which instruments").fill("the shed's own")
    await _tap(page, "Enter it")
    await _at(page, technician, "fill", "settle", "by_hand")
    await _tap(page, "Abort, and let everything go")
    await page.get_by_role("button", name="Begin", exact=True).wait_for()
    for _ in range(600):
        if technician.service.scanner.is_at_rest():
            return
        await asyncio.sleep(0.05)
    raise AssertionError("not at rest")
