"""Each form of a page asks for what it says, and what somebody mistypes is said with nothing done."""

from typing import Any

import pytest

from api.access.roles import Role
from tests.api.farms import PASSWORD, Given

_HTML = {"Accept": "text/html", "Accept-Language": "en"}


@pytest.mark.parametrize(
    ("path", "form", "verb", "arguments"),
    [
        ("/now/stop", {"what": "fertiliser"}, "stop-fertiliser", {}),
        ("/now/stop", {"what": "everything"}, "stop-everything", {}),
        ("/now/ask", {"do": "hold"}, "hold", {}),
        ("/now/ask", {"do": "go-on"}, "start", {}),
        ("/now/ask", {"do": "reset"}, "reset", {}),
        ("/now/ask", {"program": "low_night"}, "start", {"programs": ["low_night"]}),
        ("/plant/ask", {"do": "flush"}, "start", {"flush": []}),
        (
            "/plant/ask",
            {"do": "water", "block": "creek", "minutes": "12,5"},
            "start",
            {"block": "creek", "minutes": 12.5},
        ),
        ("/plant/ask", {"do": "mode", "mode": "MANUAL"}, "mode", {"mode": "MANUAL"}),
        ("/plant/ask", {"do": "release", "target": "pump"}, "release", {"target": "pump"}),
        (
            "/plant/ask",
            {"do": "force", "target": "valve.creek", "to": "off", "minutes": "x", "reason": "why not"},
            "force",
            {"target": "valve.creek", "on": False, "minutes": 0.0, "reason": "why not"},
        ),
        (
            "/plant/bypass",
            {"code": "filter-blocked", "minutes": "30", "reason": "new medium"},
            "bypass",
            {"code": "filter-blocked", "minutes": 30.0, "reason": "new medium"},
        ),
        ("/alarms/ask", {"do": "acknowledge", "code": "airlock"}, "acknowledge", {"code": "airlock"}),
        ("/alarms/ask", {"do": "reset", "code": "airlock"}, "reset", {}),
    ],
)
async def test_a_form_is_one_command(
    given: Given, path: str, form: dict[str, str], verb: str, arguments: dict[str, Any]
) -> None:
    """By whoever is logged in, once for each page that was looked at: its id is the command's."""
    answer = await given.person(Role.TECHNICIAN).post(path, data=form | {"id": "a" * 32}, headers=_HTML)
    assert answer.status_code == 200 and "It is done." in answer.text
    (command,) = given.commands
    assert (command.verb.value, command.arguments, command.who) == (verb, arguments, "technician")
    assert command.id.startswith("a" * 32)


@pytest.mark.parametrize(
    ("path", "form"),
    [
        ("/now/stop", {"what": "nothing"}),
        ("/now/ask", {"do": "fly"}),
        ("/plant/ask", {"do": ""}),
        ("/alarms/ask", {"do": "shelve"}),
        ("/tonight/change", {"do": "skip", "shift": "nowhere"}),
        ("/tonight/change", {"do": "double", "shift": "low"}),
        ("/tonight/close", {"block": "nowhere", "do": "close"}),
    ],
)
async def test_what_no_page_sends_is_refused(given: Given, path: str, form: dict[str, str]) -> None:
    """With a page that says what was expected; nothing is asked of the plant."""
    answer = await given.person(Role.TECHNICIAN).post(path, data=form, headers=_HTML)
    assert answer.status_code == 422 and "expected" in answer.text and not given.commands


async def test_a_block_is_closed_and_opened(given: Given) -> None:
    """A day that is none is told and changes nothing; the area in use is kept."""
    operator = given.person(Role.OPERATOR)
    before = given.farm.in_force().decisions.get(("block", "ridge"))
    bad = await operator.post("/tonight/close", data={"block": "ridge", "do": "close", "until": "soon"}, headers=_HTML)
    assert "Not done:" in bad.text and "soon" in bad.text
    assert given.farm.in_force().decisions.get(("block", "ridge")) == before
    closed = {"block": "ridge", "do": "close", "until": "2026-10-20", "why": "picking"}
    page = (await operator.post("/tonight/close", data=closed, headers=_HTML)).text
    assert "Block ridge is closed until Tue 20 Oct" in page
    page = (await operator.post("/tonight/close", data={"block": "ridge", "do": "open"}, headers=_HTML)).text
    assert "is closed until" not in page


async def test_a_silent_controller_does_nothing(silent: Given) -> None:
    """Guards the two stops: who presses one is told that nobody heard it."""
    answer = await silent.person(Role.VIEWER).post("/now/stop", data={"what": "everything"}, headers=_HTML)
    assert answer.status_code == 409 and "It is done." not in answer.text and "controller" in answer.text


async def test_one_more_phone_and_another_password(given: Given) -> None:
    """A code logs in once; a password that is too short, or an old one that is wrong, changes nothing."""
    operator = given.person(Role.OPERATOR)
    page = (await operator.post("/you/pair", headers=_HTML)).text
    code = page.partition('class="code">')[2].partition("<")[0]
    phone = given.client(Origin="http://localhost")
    assert (await phone.post("/pair", data={"code": code}, headers=_HTML)).status_code == 303
    assert (await phone.get("/", headers=_HTML)).status_code == 200
    again = await given.client(Origin="http://localhost").post("/pair", data={"code": code}, headers=_HTML)
    assert again.status_code == 401 and "This code was used" in again.text
    for old, new in ((PASSWORD, "short"), ("not-this-one-9", "a-longer-one-9"), ("", "")):
        answer = await operator.post("/you/password", data={"old": old, "new": new}, headers=_HTML)
        assert "Not done:" in answer.text
    changed = await operator.post("/you/password", data={"old": PASSWORD, "new": "a-longer-one-9"}, headers=_HTML)
    assert "Not done:" not in changed.text and changed.status_code == 200
    out = await operator.post("/log-out", data={"what": "everywhere"}, headers=_HTML)
    assert out.status_code == 303 and (await phone.get("/", headers=_HTML)).status_code == 303


@pytest.mark.parametrize("to", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:x"])
async def test_nobody_is_sent_away(given: Given, to: str) -> None:
    """After logging in, or choosing a language, somebody is on this farm's page."""
    client = given.client(Origin="http://localhost")
    given.farm.store.add("rani", Role.VIEWER, given.farm.now_ms(), given.password_hash)
    inside = await client.post("/log-in", data={"name": "rani", "password": PASSWORD, "to": to}, headers=_HTML)
    assert inside.status_code == 303 and inside.headers["location"] == "/"
    chosen = await client.post("/language", data={"language": "es", "to": to}, headers=_HTML)
    assert chosen.headers["location"] == "/"
    assert '<html lang="es">' in (await client.get("/", headers=_HTML)).text
