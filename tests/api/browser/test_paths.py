"""What each role does on a morning, from the first page through the forms, on a phone and a desk, by day and night."""

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from playwright.async_api import Page, Request

from api.access.roles import Role
from tests.api.browser.conftest import Shown, looked_at
from tests.api.farms import PASSWORD, Given

_VIEWS = [(360, "light"), (360, "dark"), (1280, "light"), (1280, "dark")]
Look = Callable[[str], Awaitable[None]]


@asynccontextmanager
async def _opened(shown: Shown, role: Role | None, view: tuple[int, str], who: str) -> AsyncIterator[tuple[Page, Look]]:
    """Open a browser on the first page, and a way to look at each step; nothing may be asked from elsewhere."""
    width, scheme = view
    context = await shown.somebody(role, width=width, scheme=scheme)
    page = await context.new_page()
    asked: list[str] = []

    def note(request: Request) -> None:
        asked.append(request.url)

    context.on("request", note)
    page.set_default_timeout(10_000.0)
    await page.goto(shown.url("/"))
    steps = 0

    async def look(step: str) -> None:
        nonlocal steps
        steps += 1
        await looked_at(page, f"path-{who}-{steps}-{step}-{width}-{scheme}")

    yield page, look
    assert all(url.startswith(shown.address) for url in asked)
    await context.close()


async def _tap(page: Page, name: str) -> None:
    await page.get_by_role("button", name=name, exact=True).first.click()
    await page.wait_for_load_state("load")


async def _go(page: Page, name: str) -> None:
    await page.get_by_role("link", name=name, exact=True).first.click()
    await page.wait_for_load_state("load")


def _verbs(given: Given) -> list[str]:
    return [command.verb.value for command in given.commands]


@pytest.mark.parametrize("view", _VIEWS)
async def test_the_growers_morning(shown: Shown, view: tuple[int, str]) -> None:
    """Logs in, reads the sentence and the blocks, looks at the picture, reads it in Spanish, stops, and leaves."""
    given = shown.given
    given.farm.store.add("rani", Role.VIEWER, given.farm.now_ms(), given.password_hash)
    async with _opened(shown, None, view, "grower") as (page, look):
        await look("log-in")
        await page.get_by_label("Name").fill("rani")
        await page.get_by_label("Password").fill("not-this-one")
        await _tap(page, "Log in")
        await look("wrong")
        assert "Name or password is wrong." in await page.inner_text("main")
        await page.get_by_label("Password").fill(PASSWORD)
        await _tap(page, "Log in")
        await look("morning")
        assert "went as planned" in await page.inner_text("h1")
        await _go(page, "The whole night")
        await look("night")
        picture = page.locator("svg.chart")
        assert await picture.locator("path.seen").count() == 3 and await picture.locator("path.planned").count() >= 2
        await _tap(page, "Español")
        assert await page.get_attribute("html", "lang") == "es" and "salió según lo previsto" in await page.inner_text(
            "h1"
        )
        await look("spanish")
        await _tap(page, "English")
        await _go(page, "Now")
        await look("now")
        await _tap(page, "Stop fertiliser (keep watering, flush)")
        assert "It is done." in await page.inner_text(".note:visible") and _verbs(given) == ["stop-fertiliser"]
        await look("stopped")
        await _go(page, "Plant")
        assert await page.locator("main form").count() == 0
        await _go(page, "You")
        await look("you")
        await _tap(page, "Log out here")
        assert await page.get_by_label("Password").count() == 1


@pytest.mark.parametrize("view", _VIEWS)
async def test_the_operators_morning_after_a_trip(after_a_trip: Shown, view: tuple[int, str]) -> None:
    """Reads what came short, has the lines flushed, sees to the alarms, changes tonight, closes a block, waters one."""
    given = after_a_trip.given
    async with _opened(after_a_trip, Role.OPERATOR, view, "operator") as (page, look):
        await look("morning")
        assert "came up short of nitrogen" in await page.inner_text("h1")
        assert "still fertiliser in the lines" in await page.inner_text("main")
        await _tap(page, "Flush the lines now")
        assert _verbs(given) == ["start"] and given.commands[0].arguments == {"flush": []}
        await look("flush")
        await _go(page, "Alarms")
        await look("alarms")
        assert "did not run" in await page.inner_text("main")
        await _tap(page, "I have seen it")
        await _tap(page, "Reset what is gone")
        assert _verbs(given)[1:] == ["acknowledge", "reset"]
        await _go(page, "Tonight")
        await page.get_by_label("Shift").select_option("high")
        await page.get_by_label("Why").first.fill("leaves are wet")
        await page.locator("section", has_text="Different this once").get_by_role("button", name="Water only").click()
        await page.wait_for_load_state("load")
        await look("water-only")
        assert "water without fertiliser (leaves are wet)" in await page.inner_text("main")
        await _tap(page, "As planned again")
        assert "leaves are wet" not in await page.inner_text("main")
        await page.locator("select[name=block]").select_option("ridge")
        await page.get_by_label("Until, that day not included").fill("2026-10-20")
        await _tap(page, "Close it")
        await look("closed")
        assert "Block ridge is closed until" in await page.inner_text("main")
        await _go(page, "Plant")
        await page.locator("#water").get_by_label("Block").select_option("creek")
        await _tap(page, "Water it")
        assert given.commands[-1].arguments == {"block": "creek", "minutes": 60.0}
        await look("plant")
        await _go(page, "Now")
        await _tap(page, "Stop everything now")
        assert _verbs(given)[-1] == "stop-everything"


@pytest.mark.parametrize("view", _VIEWS)
async def test_the_agronomists_morning(shown: Shown, view: tuple[int, str]) -> None:
    """Follows a block from the season to its nights and back to the night, and the tanks' log."""
    async with _opened(shown, Role.AGRONOMIST, view, "agronomist") as (page, look):
        await _go(page, "Season")
        await look("season")
        assert "mandarins" in await page.inner_text("main") and "2026" in await page.inner_text("main")
        await _go(page, "creek")
        await look("block")
        assert "Recommended in the whole season" in await page.inner_text("main")
        await _go(page, "Tue 13 Oct")
        await look("night")
        assert "went as planned" in await page.inner_text("h1")
        await _go(page, "Tanks")
        await look("tanks")
        assert "lot CN-2231" in await page.inner_text("main")
        await _go(page, "Nights")
        await look("nights")
        assert "went as planned" in await page.inner_text("main")
        await _go(page, "Tonight")
        assert await page.locator("main form").count() == 0


@pytest.mark.parametrize("view", _VIEWS)
async def test_the_technicians_morning(shown: Shown, view: tuple[int, str]) -> None:
    """Forces a valve with a reason, sets an interlock aside, sees both stand, ends one, and logs in a second phone."""
    given = shown.given
    async with _opened(shown, Role.TECHNICIAN, view, "technician") as (page, look):
        await _go(page, "Plant")
        await look("plant")
        force = page.locator("section", has_text="Force an output for a time").last
        await force.get_by_label("Output").select_option("valve.creek")
        await force.get_by_label("Why").fill("looking at the valve")
        await _tap(page, "Force it")
        assert given.commands[-1].arguments == {
            "target": "valve.creek", "on": True, "minutes": 10.0, "reason": "looking at the valve"
        }  # fmt: skip
        aside = page.locator("section", has_text="Set an interlock aside").last
        await aside.get_by_label("Interlock").select_option("filter-blocked")
        await aside.get_by_label("Why").fill("new filter medium")
        await _tap(page, "Set it aside")
        assert _verbs(given) == ["force", "bypass"]
        leases = [
            {"kind": "force", "target": "valve.creek", "who": "technician", "reason": "looking at it", "left_s": 300.0},
            {"kind": "bypass", "target": "filter-blocked", "who": "technician", "reason": "new", "left_s": 900.0},
        ]
        given.publish(replace(given.snapshot, leases=leases))
        await _heard(given, lambda: bool(given.farm.link.heard and given.farm.link.heard.snapshot.leases))
        await page.goto(shown.url("/plant"))
        await look("leases")
        assert "Valve of block creek, by technician: looking at it" in await page.inner_text("main")
        await _tap(page, "End it")
        assert given.commands[-1].verb.value == "release"
        await _go(page, "You")
        await _tap(page, "Show a code")
        await look("pair")
        assert len((await page.inner_text(".code")).strip()) >= 16


async def _heard(given: Given, holds: Callable[[], bool]) -> None:
    async for _ in given.farm.link.snapshots():
        if holds():
            return


async def test_the_numbers_of_a_run_are_live(shown: Shown) -> None:
    """A page that stands open follows the plant, and is asked for anew once the run is another."""
    given = shown.given
    async with _opened(shown, Role.VIEWER, (360, "light"), "live") as (page, look):
        await page.goto(shown.url("/you"))  # which does not ask for itself anew, in the middle of going elsewhere
        given.publish(shown.injecting)
        await _heard(given, lambda: bool(given.farm.link.heard and given.farm.link.heard.snapshot.phase == "INJECT"))
        await page.goto(shown.url("/now"))
        await look("injecting")
        assert "Phase: Fertiliser." in await page.inner_text("main") and "Time left" in await page.inner_text("main")
        await page.evaluate("window.isStillThere = true")
        flow = shown.injecting.readings["flow_m3_h"] | {"value": 33.3}
        given.publish(replace(shown.injecting, readings=shown.injecting.readings | {"flow_m3_h": flow}))
        await page.get_by_text("33.3\N{NO-BREAK SPACE}m³/h").wait_for()
        assert await page.evaluate("window.isStillThere")
        given.publish(replace(given.snapshot, phase="FLUSH"))
        await page.get_by_text("Phase: Flush.").wait_for()
        assert await page.evaluate("window.isStillThere") is None


async def test_everything_is_done_without_a_script(after_a_trip: Shown) -> None:
    """Logging in, reading, going from page to page, every kind of form, and the stops."""
    given = after_a_trip.given
    given.farm.store.add("mina", Role.OPERATOR, given.farm.now_ms(), given.password_hash)
    context = await after_a_trip.somebody(None, script=False)
    page = await context.new_page()
    await page.goto(after_a_trip.url("/"))
    await page.get_by_label("Name").fill("mina")
    await page.get_by_label("Password").fill(PASSWORD)
    await _tap(page, "Log in")
    assert "came up short of nitrogen" in await page.inner_text("h1")
    await _tap(page, "Flush the lines now")
    for name in ("Now", "Tonight", "Tanks", "Alarms", "Season", "Nights", "Plant", "You"):
        await _go(page, name)
        assert await page.locator("h1").count() == 1
    await _go(page, "Tonight")
    await page.get_by_label("Shift").select_option("low")
    await page.locator("section", has_text="Different this once").get_by_role("button", name="Skip").click()
    assert "Noted." in await page.inner_text("main")
    await _go(page, "Now")
    await _tap(page, "Stop everything now")
    assert _verbs(given) == ["start", "stop-everything"]
    await context.close()
