"""What every request is held to before a route sees it, one bound after the other."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import httpx
import pytest

from api import limits
from api.access.roles import Role
from api.limits import COOKIE, MAX_BODY_BYTES
from tests.api.farms import Given

_STOP = {"what": "fertiliser"}


@pytest.mark.parametrize("host", ["evil.example", "localhost.evil.example", "", "[::1", "127.0.0.1.evil.example:80"])
async def test_a_foreign_host_is_refused(given: Given, host: str) -> None:
    """Guards against rebinding (A4): a page elsewhere that calls its own name by our address gets nothing."""
    answer = await given.person(Role.TECHNICIAN).get("/v1/site", headers={"Host": host})
    assert answer.status_code == 421 and answer.json()["code"] == "host.unknown"


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8080", "[::1]:8080", "LOCALHOST:80"])
async def test_our_own_names_pass(given: Given, host: str) -> None:
    """Guards that nobody is locked out by it."""
    assert (await given.client().get("/v1/health", headers={"Host": host})).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:81"},
        {"Sec-Fetch-Site": "cross-site", "Origin": "http://localhost"},
        {"Sec-Fetch-Site": "same-site"},
        {},
    ],
    ids=str,
)
async def test_a_change_that_another_page_asks_for_is_refused(given: Given, headers: dict[str, str]) -> None:
    """Guards against CSRF (A3): the cookie goes along by itself, and so it is not enough. Reading is not refused."""
    client = given.person(Role.TECHNICIAN)
    del client.headers["Origin"]
    answer = await client.post("/v1/stop", json=_STOP, headers=headers)
    assert answer.status_code == 403 and answer.json()["code"] == "access.cross-site" and not given.commands
    assert (await client.get("/v1/site", headers=headers)).status_code == 200


@pytest.mark.parametrize(
    "content_type", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", None]
)
async def test_a_form_is_no_command(given: Given, content_type: str | None) -> None:
    """Guards against CSRF by a form, which a page elsewhere may send without being asked first."""
    headers = {} if content_type is None else {"Content-Type": content_type}
    answer = await given.person(Role.TECHNICIAN).post("/v1/stop", content=b'{"what": "fertiliser"}', headers=headers)
    assert answer.status_code == 422 and not given.commands


async def test_our_own_page_and_software_may(given: Given) -> None:
    """Guards that the bounds let pass whom they should."""
    assert (await given.person(Role.OPERATOR).post("/v1/stop", json=_STOP)).status_code == 200
    assert (await given.software(Role.OPERATOR).post("/v1/stop", json=_STOP)).status_code == 200
    client = given.person(Role.OPERATOR)
    del client.headers["Origin"]
    answer = await client.post("/v1/stop", json=_STOP, headers={"Sec-Fetch-Site": "same-origin"})
    assert answer.status_code == 200 and len(given.commands) == 3


async def test_a_body_is_bounded(given: Given) -> None:
    """Guards memory (A6): by its stated length, by what comes, and compressed ones not at all."""
    client = given.person(Role.TECHNICIAN)
    headers = {"Content-Type": "application/json"}

    async def endless() -> AsyncIterator[bytes]:
        for _ in range(MAX_BODY_BYTES // 1024 + 1):
            yield b" " * 1024

    for answer in (
        await client.post("/v1/stop", content=b" " * (MAX_BODY_BYTES + 1), headers=headers),
        await client.post("/v1/stop", content=endless(), headers=headers),
        await client.post("/v1/stop", content=b"{}", headers={**headers, "Content-Length": "1e3"}),
    ):
        assert answer.status_code == 413 and answer.json()["code"] == "request.too-large"
        assert answer.headers["connection"] == "close"
    answer = await client.post("/v1/stop", content=b"{}", headers={**headers, "Content-Encoding": "gzip"})
    assert answer.status_code == 415


async def test_a_body_is_there_in_time(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards sockets (A5): a body that never ends is given up."""
    monkeypatch.setattr(limits, "_BODY_S", 0.05)

    async def slow() -> AsyncIterator[bytes]:
        yield b"{"
        await asyncio.Event().wait()

    answer = await given.person(Role.TECHNICIAN).post(
        "/v1/stop", content=slow(), headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 408 and answer.json()["code"] == "request.too-slow"


@pytest.mark.parametrize(
    "body",
    [
        b"[" * 60_000,
        b'{"what":' * 10_000,
        b'{"what": NaN}',
        b'{"what": 1e999}',
        b'{"what": ' + b"9" * 6000 + b"}",
        b"\xff\xfe",
        b'{"what": "\\ud800"}',
        b"",
    ],
    ids=lambda body: repr(body[:12]),
)
async def test_odd_json_is_refused(given: Given, body: bytes) -> None:
    """Guards the parser (A7): depth, numbers that are none, bytes that are no text."""
    answer = await given.person(Role.TECHNICIAN).post(
        "/v1/stop", content=body, headers={"Content-Type": "application/json"}
    )
    assert answer.status_code in (400, 422) and not given.commands


async def test_an_address_may_ask_so_often_and_stop_all_the_same(given: Given) -> None:
    """Guards the pace (A10): a flood has to wait, with how long; a Stop from there passes, and others feel nothing."""
    flood, other = given.person(Role.OPERATOR), given.client(address="192.0.2.8")
    statuses = [(await flood.get("/v1/health")).status_code for _ in range(1001)]
    assert statuses == [200] * 1000 + [429]
    answer = await flood.get("/v1/health")
    assert answer.status_code == 429 and answer.headers["Retry-After"] == "1"
    assert (await flood.post("/v1/stop", json=_STOP)).status_code == 200
    assert (await other.get("/v1/health")).status_code == 200
    given.clock.at_s += 1.0
    assert (await flood.get("/v1/health")).status_code == 200


@pytest.mark.parametrize("cookie", ['"', "a=b; c", f"{COOKIE}", f"{COOKIE}=", f"{COOKIE}=made-up", "\u00e9=1"])
async def test_odd_cookies_are_no_log_in(given: Given, cookie: str) -> None:
    """Guards the parser of cookies."""
    headers = httpx.Headers([(b"Cookie", cookie.encode("latin-1"))])
    assert (await given.client().get("/v1/site", headers=headers)).status_code == 401


async def test_a_client_that_takes_nothing_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards sockets (A10): a part of an answer that nobody takes ends the request."""
    monkeypatch.setattr(limits, "_SEND_S", 0.05)

    async def app(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def stuck(message: Any) -> None:
        await asyncio.Event().wait()

    with pytest.raises(TimeoutError):
        await limits.Told(app, dict)({"type": "http"}, stuck, stuck)  # type: ignore[arg-type]
