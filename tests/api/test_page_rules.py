"""No page is without a rule, and nothing is changed on a page by a token or from another site's page."""

import pytest
from fastapi.routing import APIRoute

from api.access.roles import Role
from api.app import PAGES
from tests.api.farms import Given

_ROUTES = [route for module in PAGES for route in module.router.routes if isinstance(route, APIRoute)]
_HTML = {"Accept": "text/html"}


def test_every_page_has_a_rule() -> None:
    """By the guard's own mark, as the routes of the API."""
    assert len(_ROUTES) > 25
    for route in _ROUTES:
        assert (route.openapi_extra or {}).get("x-roles"), route.path


async def test_who_has_not_logged_in_is_sent_to_do_so(given: Given) -> None:
    """And back to where they were."""
    answer = await given.client().get("/now", headers=_HTML)
    assert answer.status_code == 303 and answer.headers["location"] == "/log-in?to=/now"


async def test_a_viewer_stops_and_does_nothing_else(given: Given) -> None:
    """Whoever can log in may stop; the rest is for operators and technicians."""
    viewer = given.person(Role.VIEWER)
    assert (await viewer.post("/now/stop", data={"what": "fertiliser"}, headers=_HTML)).status_code == 200
    assert [command.verb.value for command in given.commands] == ["stop-fertiliser"]
    for path in ("/now/ask", "/plant/ask", "/plant/bypass", "/tonight/change", "/tonight/close", "/alarms/ask"):
        assert (await viewer.post(path, data={"do": "reset"}, headers=_HTML)).status_code == 403
    assert len(given.commands) == 1


async def test_a_page_of_another_site_changes_nothing(given: Given) -> None:
    """Its form brings the cookie perhaps, and another origin."""
    operator = given.person(Role.OPERATOR)
    answer = await operator.post("/now/stop", data={"what": "everything"}, headers={"Origin": "http://evil.example"})
    assert answer.status_code == 403 and not given.commands


async def test_water_only_in_one_tap(given: Given) -> None:
    """It is a decision of the record, with who and why."""
    operator = given.person(Role.OPERATOR)
    asked = {"shift": "low", "do": "water_only", "night": "2026-10-14"}
    answer = await operator.post("/tonight/change", data=asked, headers=_HTML)
    assert answer.status_code == 200
    found = given.farm.in_force().decisions["tonight", "night_2026_10_14_low"]
    assert found.model_dump()["do"] == "water_only"


async def test_silence_is_said_first(silent: Given) -> None:
    """Yesterday's good news is never today's."""
    answer = await silent.person(Role.VIEWER).get("/", headers=_HTML)
    assert "Go and look." in answer.text
    assert answer.text.index("Go and look.") < answer.text.index("went as planned")


async def test_every_file_that_a_page_names_is_there(given: Given) -> None:
    """The script, the icons and the manifest, for whoever has not logged in too."""
    client = given.client()
    told = (await client.get("/manifest.webmanifest")).json()
    for path in ("/static/live.js", *(icon["src"] for icon in told["icons"])):
        assert (await client.get(path)).status_code == 200


async def test_pages_are_in_the_sites_units(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pounds an acre and thousands of gallons where the site says so, and nothing metric beside them."""
    site = given.farm.plant.site
    monkeypatch.setitem(vars(site), "api", site.api.model_copy(update={"units": "us", "locale": "en_US"}))
    viewer = given.person(Role.VIEWER)
    for path, unit in (("/", "lb/ac"), ("/nights/2026-10-13", "gpm"), ("/blocks", "lb/ac"), ("/tanks", "gal")):
        page = (await viewer.get(path, headers=_HTML)).text
        assert unit in page, path
        assert not any(metric in page for metric in ("kg/ha", "m³", "kPa", "L/h")), path


async def test_after_breakfast_tonight_is_this_evening(given: Given) -> None:
    """Where no timetable says so: what is changed at eight is of the night to come, not of the one that is over."""
    operator = given.person(Role.OPERATOR)
    assert "Night of Wed 14 Oct" in (await operator.get("/tonight", headers=_HTML)).text
    given.clock.at_s += 19.0 * 3600.0  # and at three in the night it still is
    assert "Night of Wed 14 Oct" in (await operator.get("/tonight", headers=_HTML)).text
