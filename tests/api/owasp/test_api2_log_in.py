"""OWASP API2:2023, broken authentication: guesses, fixation, replay, and what comes to the logs."""

import logging

import pytest

from api.access.roles import Role
from api.limits import COOKIE
from tests.api.farms import PASSWORD, Given


async def test_ten_thousand_guesses(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """A guesser of many addresses, a second apart: some 60 looked at in an hour, and the right one is none of them."""
    given.person(Role.TECHNICIAN, "theo")
    looked_at = 0

    async def matches(password: str, stored: str | None) -> bool:
        nonlocal looked_at
        looked_at += 1
        return False

    monkeypatch.setattr(given.farm.passwords, "matches", matches)
    statuses = []
    clients = [given.client(address=f"192.0.2.{number}") for number in range(20)]
    for number in range(10_000):
        given.clock.at_s += 1.0
        body = {"name": "theo", "password": f"guess-{number}"}
        answer = await clients[number % len(clients)].post("/v1/session", json=body)
        statuses.append(answer.status_code)
        assert answer.status_code in (401, 429)
    assert looked_at == statuses.count(401) <= 20
    assert int(answer.headers.get("Retry-After", "1")) >= 1


async def test_somebody_unknown_takes_as_long_and_is_told_the_same(given: Given) -> None:
    """Nobody learns who may log in: the same answer, and a hash is computed for either (no timed test)."""
    given.person(Role.TECHNICIAN, "theo")
    client = given.client()
    one = await client.post("/v1/session", json={"name": "theo", "password": "wrong-and-long"})
    other = await client.post("/v1/session", json={"name": "nobody", "password": "wrong-and-long"})
    assert one.status_code == other.status_code == 401 and one.json() == other.json()


async def test_log_in_and_out(given: Given) -> None:
    """The cookie is out of a script's reach and goes to no other site; after logging out it is worth nothing."""
    given.person(Role.OPERATOR, "mina")
    client = given.client(Origin="http://localhost")
    answer = await client.post("/v1/session", json={"name": "mina", "password": PASSWORD})
    assert answer.status_code == 200 and answer.json() == {"name": "mina", "role": "operator", "has_password": True}
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=strict" in cookie and "Path=/" in cookie and "Secure" not in cookie
    kept = client.cookies[COOKIE]
    assert (await client.get("/v1/session")).json()["name"] == "mina"
    assert (await client.delete("/v1/session")).status_code == 204
    again = given.client()
    again.cookies.set(COOKIE, kept)
    assert (await again.get("/v1/session")).status_code == 401


async def test_a_session_is_not_fixed_beforehand(given: Given) -> None:
    """Whatever cookie a browser brought, logging in gives another one, and the old one stays worthless."""
    given.person(Role.OPERATOR, "mina")
    client = given.client(Origin="http://localhost")
    client.cookies.set(COOKIE, "fixed-by-somebody-else")
    answer = await client.post("/v1/session", json={"name": "mina", "password": PASSWORD})
    assert answer.status_code == 200 and "fixed-by-somebody-else" not in answer.headers["set-cookie"]
    other = given.client()
    other.cookies.set(COOKIE, "fixed-by-somebody-else")
    assert (await other.get("/v1/site")).status_code == 401


async def test_log_out_everywhere_and_a_new_password(given: Given) -> None:
    """Either ends the sessions of a phone that was lost; with a new password this one goes on under another secret."""
    phone, desk = given.person(Role.OPERATOR, "mina"), given.person(Role.OPERATOR, "mina")
    answer = await desk.put("/v1/session/password", json={"old": PASSWORD, "new": "another-creek-8"})
    assert answer.status_code == 200 and (await phone.get("/v1/site")).status_code == 401
    desk.cookies.set(COOKIE, answer.cookies[COOKIE])
    assert (await desk.delete("/v1/sessions")).status_code == 204
    assert (await desk.get("/v1/site")).status_code == 401
    weak = given.person(Role.OPERATOR, "theo")
    answer = await weak.put("/v1/session/password", json={"old": PASSWORD, "new": "short"})
    assert answer.status_code == 409 and answer.json()["code"] == "access.weak"


async def test_a_pairing_logs_one_device_in(given: Given) -> None:
    """The code on the screen works once, within two minutes, and is shown as a picture of this farm's own address."""
    desk = given.person(Role.OPERATOR, "mina")
    shown = (await desk.post("/v1/pairings")).json()
    assert shown["url"] == f"http://localhost/pair#{shown['code']}" and shown["svg"].startswith("<svg")
    phone = given.client(Origin="http://localhost")
    assert (await phone.post("/v1/pairings/claim", json={"code": shown["code"]})).json()["name"] == "mina"
    assert (await phone.get("/v1/site")).status_code == 200
    answer = await given.client().post("/v1/pairings/claim", json={"code": shown["code"]})
    assert answer.status_code == 401
    late = (await desk.post("/v1/pairings")).json()
    given.clock.at_s += 121.0
    assert (await given.client().post("/v1/pairings/claim", json={"code": late["code"]})).status_code == 401


async def test_tokens_end_by_the_controllers_clock(given: Given) -> None:
    """A16: what a client thinks the time is does not matter."""
    client = given.software(Role.VIEWER)
    assert (await client.get("/v1/site")).status_code == 200
    given.clock.at_s += 31 * 86_400.0
    assert (await client.get("/v1/site", headers={"Date": "Tue, 13 Oct 2026 21:30:00 GMT"})).status_code == 401


async def test_no_secret_comes_to_the_logs(given: Given, caplog: pytest.LogCaptureFixture) -> None:
    """Guards journals that are sent around: no password, session, token or code is written there."""
    caplog.set_level(logging.DEBUG)
    desk = given.person(Role.TECHNICIAN, "theo")
    await given.client().post("/v1/session", json={"name": "theo", "password": PASSWORD})
    made = (await desk.post("/v1/tokens", json={"label": "office", "role": "viewer"})).json()
    code = (await desk.post("/v1/pairings")).json()["code"]
    ours = [record.getMessage() for record in caplog.records if not record.name.startswith(("httpx", "httpcore"))]
    for secret in (PASSWORD, made["secret"], code, desk.cookies[COOKIE]):
        assert not [line for line in ours if secret in line]
