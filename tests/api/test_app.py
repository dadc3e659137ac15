"""Every route at once: its rule, what it is described as, and what every answer bears."""

from typing import Any

import httpx
import pytest

from api.access.roles import Role
from daemon.evidence import StepBegun
from tests.api.farms import Given

_EVERYBODY = {"POST /v1/session", "POST /v1/pairings/claim", "GET /v1/health"}
_NAMES = {"kind": "water", "key": "nobody", "tank": "a", "run": "low_night", "name": "nobody", "id": "0123456789ab",
          "attempt": "try-1", "cycle": "mandarins"}  # fmt: skip
_QUERY = {"point": "flow_m3_h"}


def _operations(given: Given) -> list[tuple[str, str, dict[str, Any]]]:
    paths = given.app.openapi()["paths"]
    return [(method.upper(), path, found) for path, item in paths.items() for method, found in item.items()]


async def _asked(client: httpx.AsyncClient, method: str, path: str, found: dict[str, Any]) -> httpx.Response:
    """Ask an operation for something that is in form enough to come to its rule, and does nothing."""
    names = {name: value for name, value in _NAMES.items() if f"{{{name}}}" in path}
    query = {p["name"]: _QUERY[p["name"]] for p in found.get("parameters", ()) if p["name"] in _QUERY}
    body: dict[str, Any] | None = {} if "requestBody" in found else None
    headers = {"If-Match": '"9"'}
    return await client.request(method, path.format(**names), params=query, headers=headers, json=body)


def test_every_route_has_a_rule(given: Given) -> None:
    """Guards OWASP API5:2023: a route without a rule fails here; those for everybody are these alone."""
    rules = {f"{method} {path}": found.get("x-roles") for method, path, found in _operations(given)}
    assert all(rules.values()), [label for label, roles in rules.items() if not roles]
    assert {label for label, roles in rules.items() if roles == ["everybody"]} == _EVERYBODY
    known = {role.value for role in Role} | {"everybody"}
    assert {role for roles in rules.values() for role in roles or ()} <= known
    served = {
        f"{method} {getattr(route, 'path', '')}"
        for route in given.app.routes
        for method in getattr(route, "methods", None) or ()
        if method != "HEAD"
    }
    assert served - rules.keys() == {"GET /v1/openapi.json"}, "nothing is served that is not described"


@pytest.mark.parametrize("by", ["session", "token"])
async def test_the_role_matrix(given: Given, by: str) -> None:
    """Guards each rule over every route: who may comes past it, who may not gets 403, nobody without logging in."""
    stranger = given.client()
    for role in Role:
        client = given.software(role) if by == "token" else given.person(role, f"the_{role.value}")
        for method, path, found in _operations(given):
            if path in ("/v1/events", "/v1/session", "/v1/sessions") or found["x-roles"] == ["everybody"]:
                continue
            given.clock.at_s += 1.0
            answer = await _asked(client, method, path, found)
            may = role.value in found["x-roles"]
            if by == "token" and {"token": []} not in found["security"]:
                may = False
            assert (answer.status_code != 403) == may, (role, method, path, answer.text)
            assert answer.status_code < 500
            assert (await _asked(stranger, method, path, found)).status_code == 401, (method, path)


async def test_every_answer_says_whether_the_controller_is_heard(given: Given, silent: Given) -> None:
    """Guards against yesterday's news: heard and its age, refusals among the answers; and no 5xx while it is silent."""
    answer = await given.client().get("/v1/health")
    assert answer.headers["Shiftwright-Controller"] == "heard" and answer.headers["Shiftwright-Age-S"] == "0.0"
    given.clock.at_s += 95.0
    refused = await given.client().get("/v1/runs")
    assert refused.status_code == 401
    assert refused.headers["Shiftwright-Controller"] == "silent" and refused.headers["Shiftwright-Age-S"] == "95.0"
    client = silent.person(Role.TECHNICIAN)
    assert (await client.get("/v1/health")).json() == {"controller": "silent", "age_s": None}
    assert (await client.get("/v1/live")).json() == {"at": None, "age_s": None, "silent": True, "snapshot": None}
    assert (await client.get("/v1/runs")).status_code == 200, "the record can be read all the same"
    answer = await client.post("/v1/stop", json={"what": "fertiliser"})
    assert answer.status_code == 409 and answer.json()["code"] == "daemon.silent"
    assert "systemctl start shiftwright" in answer.json()["detail"]


async def test_errors_have_one_form(given: Given) -> None:
    """Guards RFC 9457: each kind of error, with its code, no echo of what was sent and no path of the computer."""
    client = given.person(Role.TECHNICIAN)
    seen = {
        "access.log-in": await given.client().get("/v1/site"),
        "not-found": await client.get("/v1/nothing"),
        "method.not-allowed": await client.patch("/v1/site", json={}),
        "request.invalid": await client.get("/v1/tanks/A%20tank"),
        "request.unreadable": await client.post(
            "/v1/stop", content=b"{so it is not", headers={"Content-Type": "application/json"}
        ),
        "request.inconsistent": await client.put(
            "/v1/decisions/cycle/late",
            headers={"If-Match": "*"},
            json={
                "crop": "figs",
                "blocks": ["creek"],
                "starts": "2026-10-01",
                "ends": "2026-09-01",
                "stages": [{"name": "one", "starts": "2026-10-01"}],
            },
        ),
        "version.changed": await client.delete("/v1/decisions/program/low_night", headers={"If-Match": '"9"'}),
    }
    for code, answer in seen.items():
        problem = answer.json()
        assert problem["code"] == code, problem
        assert answer.headers["content-type"] == "application/problem+json"
        assert problem["status"] == answer.status_code and problem["title"] and problem["detail"]
        assert (
            "so it is not" not in answer.text
            and "A tank" not in answer.text
            and str(given.farm.folder) not in answer.text
        )
    assert seen["method.not-allowed"].headers["Allow"] == "GET"


async def test_every_reading_route_reads(given: Given) -> None:
    """Guards the record's way out: each list and sheet of a farm with a night behind it."""
    client = given.person(Role.VIEWER)
    given.record_rows(StepBegun("try-1", "transit", "creek", "", "Tomas"))
    for method, path, found in _operations(given):
        if method != "GET" or "viewer" not in found["x-roles"] or path == "/v1/events":
            continue
        names = {**_NAMES, "kind": "program", "key": "low_night", "tank": "a", "run": given.run}
        wanted = {name: value for name, value in names.items() if f"{{{name}}}" in path}
        query = {p["name"]: _QUERY[p["name"]] for p in found.get("parameters", ()) if p["name"] in _QUERY}
        answer = await client.get(path.format(**wanted), params=query)
        assert answer.status_code == 200 and answer.content, (path, answer.text)
