"""A farm on a real port of the loopback, and Debian's chromium in front of it."""

import asyncio
import os
import shutil
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.async_api import Browser, BrowserContext, async_playwright

from api.access.roles import Role
from api.limits import COOKIE
from api.serving import listen, serve
from tests.api.farms import Given, Recorded, served

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-headless-shell")
QUIET = ("--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync")
PICTURES = os.environ.get("SHIFTWRIGHT_SCREENSHOTS", "")


@dataclass
class Shown:
    """A served farm and the browser that looks at it."""

    given: Given
    browser: Browser
    address: str

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


async def show(given: Given) -> AsyncIterator[Shown]:
    """Serve a farm, and start a browser that looks at it."""
    listener = listen("127.0.0.1", 0)
    stop = asyncio.Event()
    serving = asyncio.create_task(serve(given.farm, listener, stop))
    try:
        async with async_playwright() as playwright:
            browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=[*QUIET])
            yield Shown(given, browser, f"http://127.0.0.1:{listener.getsockname()[1]}")
            await browser.close()
    finally:
        stop.set()
        await asyncio.wait_for(serving, 20.0)
        listener.close()


@pytest.fixture
async def shown(record: Recorded, tmp_path: Path) -> AsyncIterator[Shown]:
    """Return Kestrel Bend at breakfast, its controller heard."""
    if CHROMIUM is None:
        pytest.skip("needs Debian's chromium")
    async with served(record, tmp_path / "served") as given:
        async for found in show(given):
            yield found
