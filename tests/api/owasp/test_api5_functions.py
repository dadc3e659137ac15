"""OWASP API5:2023, broken function level authorization: roles over functions (every route: tests/api/test_app.py)."""

import pytest

from api.access.roles import Role
from tests.api.farms import Given


@pytest.mark.parametrize("role", Role)
async def test_whoever_can_log_in_may_stop(given: Given, role: Role) -> None:
    """Guards invariant 11 and the one exception: a token that may only view drives nothing at all."""
    assert (await given.person(role).post("/v1/stop", json={"what": "everything"})).json()["accepted"] is True
    answer = await given.software(role).post("/v1/stop", json={"what": "everything"})
    assert answer.status_code == (403 if role is Role.VIEWER else 200)
    assert {command.verb.value for command in given.commands} == {"stop-everything"}


async def test_an_agronomist_writes_recommendations_and_drives_nothing(given: Given) -> None:
    """Guards the role: its kinds are recorded, others refused before anything is looked at."""
    client = given.person(Role.AGRONOMIST)
    found = (await client.get("/v1/decisions/recommendation")).json()[0]
    answer = await client.put(
        f"/v1/decisions/recommendation/{found['key']}",
        json=found["body"],
        headers={"If-Match": f'"{found["version"]}"'},
    )
    assert answer.status_code == 200 and answer.json()["version"] == found["version"] + 1
    for kind in ("program", "mix", "cap", "transit"):
        answer = await client.put(f"/v1/decisions/{kind}/x", json={}, headers={"If-Match": "*"})
        assert answer.status_code in (403, 422)
        assert (await client.delete(f"/v1/decisions/{kind}/x", headers={"If-Match": "*"})).status_code == 403
    assert (await client.post("/v1/commands", json={"verb": "start"})).status_code == 403 and not given.commands


async def test_nobody_hands_on_more_than_they_have(given: Given) -> None:
    """Guards tokens and people against being a way up; a token makes neither."""
    operator = given.person(Role.OPERATOR)
    assert (await operator.post("/v1/tokens", json={"label": "x", "role": "technician"})).status_code == 403
    assert (await operator.post("/v1/people", json={"name": "eve", "role": "technician"})).status_code == 403
    software = given.software(Role.TECHNICIAN)
    for path, body in (
        ("/v1/tokens", {"label": "x", "role": "viewer"}),
        ("/v1/people", {"name": "eve", "role": "viewer"}),
        ("/v1/pairings", None),
    ):
        answer = await software.post(path, json=body)
        assert answer.status_code == 403 and answer.json()["code"] == "access.people-only"
