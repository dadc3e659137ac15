"""OWASP API7 to API10:2023: nothing is fetched for anybody, nothing is open by default, all is described, and the one
API that is consumed (the daemon's) is not trusted to make sense."""

import asyncio
import json
from typing import Any

import pytest

from api.access.roles import Role
from api.sheet import sheet
from daemon.equipment import Api
from tests.api.farms import Given, Recorded, served


def test_api7_no_request_names_an_address_to_fetch(given: Given) -> None:
    """Server side request forgery: no parameter or body of any route is an address."""
    text = json.dumps(given.app.openapi())
    assert '"format": "uri"' not in text and "webhook" not in text
    for path in given.app.openapi()["paths"].values():
        for operation in path.values():
            names = {parameter["name"].lower() for parameter in operation.get("parameters", ())}
            assert names.isdisjoint({"url", "uri", "host", "callback", "target", "next", "redirect"})


async def test_api8_what_answers_bear(given: Given) -> None:
    """Security misconfiguration: no framing, no sniffing, no caching, no foreign origin, no pages of a framework."""
    answer = await given.client(Origin="http://evil.example").get("/v1/health")
    for name, value in {
        "x-content-type-options": "nosniff",
        "x-frame-options": "DENY",
        "referrer-policy": "no-referrer",
        "cache-control": "no-store",
        "cross-origin-resource-policy": "same-origin",
    }.items():
        assert answer.headers[name] == value
    assert "default-src 'self'" in answer.headers["content-security-policy"]
    assert (
        not [name for name in answer.headers if name.startswith("access-control-")] and "server" not in answer.headers
    )
    for path in ("/docs", "/redoc", "/openapi.json", "/"):
        assert (await given.client().get(path)).status_code == 404
    assert Api().host == "127.0.0.1", "nobody else reaches it unless the site says so"


async def test_api8_a_sheet_runs_nothing(given: Given) -> None:
    """CSV injection: a cell that a spreadsheet would run begins with an apostrophe; numbers stay numbers."""
    rows = [("=1+1", "+A1", "-A1", "@SUM(A1)", "\t=1", "fine", -1.5)]
    response = sheet("x", ("a", "b", "c", "d", "e", "f", "g"), rows)
    text = "".join([part if isinstance(part, str) else bytes(part).decode() async for part in response.body_iterator])
    assert text.splitlines()[1] == "'=1+1,'+A1,'-A1,'@SUM(A1),'\t=1,fine,-1.5"


def test_api9_all_of_it_is_under_one_version(given: Given) -> None:
    """Improper inventory: one version, all of it described with a summary, a rule and its refusals."""
    described = given.app.openapi()
    assert described["openapi"].startswith("3.1")
    for path, item in described["paths"].items():
        assert path.startswith("/v1/") or path == "/metrics"
        for operation in item.values():
            assert operation["summary"] and operation["x-roles"] and "422" in operation["responses"]


@pytest.mark.parametrize(
    "said", [b"", b"\x00\x00\x00\x02{}", b"\xff\xff\xff\xff", b'\x00\x00\x00\x1c{"hello":{"protocol":12345}}']
)
async def test_api10_a_daemon_that_makes_no_sense_is_silent(record: Recorded, tmp_path: Any, said: bytes) -> None:
    """Unsafe consumption of APIs: whatever the socket says, the api stands, and tells that nobody is heard."""

    async def babble(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(said)
        writer.close()

    async with served(record, tmp_path, is_silent=True) as given:
        server = await asyncio.start_unix_server(babble, given.farm.folder / "daemon.sock")
        try:
            client = given.person(Role.OPERATOR)
            answer = await client.post("/v1/stop", json={"what": "fertiliser"})
            assert answer.status_code == 409 and answer.json()["code"] == "daemon.silent"
            assert (await client.get("/v1/live")).json()["silent"] is True
        finally:
            server.close()
            await server.wait_closed()
