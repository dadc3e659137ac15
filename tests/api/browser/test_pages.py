"""Every page in a real browser, by role, width and scheme: no request leaves the host, and axe-core finds nothing."""

from functools import partial

import pytest
from playwright.async_api import ConsoleMessage, Request

from api.access.roles import Role
from tests.api.browser.conftest import Shown, looked_at

_PATHS = (
    "/",
    "/now",
    "/tonight",
    "/tanks",
    "/alarms",
    "/blocks",
    "/blocks/creek",
    "/seasons",
    "/seasons/mandarins",
    "/nights/2026-10-13",
    "/plant",
    "/you",
)


def _asked(urls: list[str], request: Request) -> None:
    urls.append(request.url)


def _wrong(lines: list[str], line: ConsoleMessage) -> None:
    if line.type == "error":
        lines.append(line.text)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1280])
async def test_pages_are_accessible_and_their_own(shown: Shown, width: int, scheme: str) -> None:
    """WCAG by axe-core without a rule disabled; nothing from elsewhere; no error on the console."""
    for role in Role:
        context = await shown.somebody(role, width=width, scheme=scheme)
        page = await context.new_page()
        asked: list[str] = []
        wrong: list[str] = []
        context.on("request", partial(_asked, asked))
        context.on("console", partial(_wrong, wrong))
        for path in _PATHS if role in (Role.VIEWER, Role.TECHNICIAN) else ("/", "/now"):
            answer = await page.goto(shown.address + path)
            assert answer is not None and answer.status == 200
            await looked_at(page, f"{role.value}{path.replace('/', '-')}-{width}-{scheme}")
        assert all(url.startswith(shown.address) for url in asked) and not wrong
        await context.close()


async def test_spanish_fits_as_well(shown: Shown) -> None:
    """Every page on a phone, in the language with the longer words."""
    context = await shown.somebody(Role.TECHNICIAN, language="es-MX")
    page = await context.new_page()
    for path in _PATHS:
        await page.goto(shown.url(path))
        assert await page.get_attribute("html", "lang") == "es"
        await looked_at(page, f"spanish{path.replace('/', '-')}-360-light")
    await context.close()


async def test_reading_works_without_a_script(shown: Shown) -> None:
    """The sentence is there before anything runs."""
    context = await shown.somebody(Role.VIEWER, script=False)
    page = await context.new_page()
    await page.goto(shown.address)
    assert "went as planned" in await page.inner_text("h1")
    await context.close()
