"""A farm on a real port of the loopback, and Debian's chromium in front of it."""

import asyncio
import os
import shutil
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Browser, BrowserContext, Page, async_playwright

from api.access.roles import Role
from api.limits import COOKIE
from api.serving import listen, serve
from daemon.messages import Snapshot
from tests.api.farms import Given, Recorded, recorded, served

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-headless-shell")
QUIET = ("--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync")
_SMALL = """[...document.querySelectorAll("button, select, input:not([type=hidden]), nav a, a.button")]
    .map((one) => [one.textContent.trim() || one.name, one.getBoundingClientRect()])
    .filter(([, box]) => box.height > 0 && (box.height < 44 || box.width < 24))
    .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)"""
"""What is tapped and is lower than 44 px (WCAG 2.2, 2.5.5 AAA; AA asks for 24)."""
PICTURES = os.environ.get("SHIFTWRIGHT_SCREENSHOTS", "")


async def looked_at(page: Page, name: str) -> None:
    """Hold a page as it stands now to WCAG by axe-core, to its width and to a thumb's size; and keep its picture."""
    found = await Axe().run(page)
    assert found.violations_count == 0, (name, found.generate_report())
    wide, seen = await page.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert wide <= seen, f"{name}: {wide} px of page in {seen} px"
    small = await page.evaluate(_SMALL)
    assert not small, f"{name}: too small for a thumb: {small}"
    if PICTURES:
        Path(PICTURES).mkdir(parents=True, exist_ok=True)
        await page.screenshot(path=Path(PICTURES) / f"{name}.png", full_page=True)


@dataclass
class Shown:
    """A served farm and the browser that looks at it."""

    given: Given
    browser: Browser
    address: str
    injecting: Snapshot
    """The plant in the middle of a shift's fertiliser."""

    def url(self, path: str) -> str:
        """Return the address of a page."""
        return f"{self.address}{path}"

    async def somebody(
        self,
        role: Role | None,
        *,
        width: int = 360,
        scheme: str = "light",
        language: str = "en-AU",
        script: bool = True,
    ) -> BrowserContext:
        """Return the browser of somebody of a role who has logged in, or of nobody yet."""
        context = await self.browser.new_context(
            viewport={"width": width, "height": 740 if width < 600 else 900},
            color_scheme="dark" if scheme == "dark" else "light",
            locale=language,
            java_script_enabled=script,
        )
        if role is not None:
            farm = self.given.farm
            if farm.store.person(role.value) is None:
                farm.store.add(role.value, role, farm.now_ms(), self.given.password_hash)
            secret = farm.store.begin_session(role.value, farm.now_ms())
            await context.add_cookies([{"name": COOKIE, "value": secret, "url": self.address}])
        return context


async def show(given: Given, made: Recorded) -> AsyncIterator[Shown]:
    """Serve a farm, and start a browser that looks at it."""
    listener = listen("127.0.0.1", 0)
    stop = asyncio.Event()
    serving = asyncio.create_task(serve(given.farm, listener, stop))
    try:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=[*QUIET])
            yield Shown(given, browser, f"http://127.0.0.1:{listener.getsockname()[1]}", made.injecting)
            await browser.close()
    finally:
        stop.set()
        await asyncio.wait_for(serving, 20.0)
        listener.close()


@pytest.fixture(scope="session")
def tripped(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    """Return a night whose pump tripped while it injected: short, and with loaded lines."""
    return recorded(tmp_path_factory.mktemp("tripped"), faults=[("pump_trip", 210.0)])


@pytest.fixture
async def after_a_trip(tripped: Recorded, tmp_path: Path) -> AsyncIterator[Shown]:
    """Return Kestrel Bend on the morning after that night."""
    if CHROMIUM is None:
        pytest.skip("needs Debian's chromium")
    async with served(tripped, tmp_path / "served") as given:
        async for found in show(given, tripped):
            yield found


@pytest.fixture
async def shown(record: Recorded, tmp_path: Path) -> AsyncIterator[Shown]:
    """Return Kestrel Bend at breakfast, its controller heard."""
    if CHROMIUM is None:
        pytest.skip("needs Debian's chromium")
    async with served(record, tmp_path / "served") as given:
        async for found in show(given, record):
            yield found
