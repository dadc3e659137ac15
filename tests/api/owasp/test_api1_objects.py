"""OWASP API1:2023, broken object level authorization: nobody reaches what is somebody else's by its id."""

from api.access.roles import Role
from tests.api.farms import Given


async def test_a_token_is_its_makers(given: Given) -> None:
    """Tokens are the only things that belong to one person: others see none and end none; a technician sees all."""
    mina, theo = given.person(Role.OPERATOR, "mina"), given.person(Role.OPERATOR, "theo")
    made = (await mina.post("/v1/tokens", json={"label": "office", "role": "viewer"})).json()
    assert (await theo.get("/v1/tokens")).json() == []
    assert (await theo.delete(f"/v1/tokens/{made['id']}")).status_code == 404
    assert [one["id"] for one in (await mina.get("/v1/tokens")).json()] == [made["id"]]
    technician = given.person(Role.TECHNICIAN)
    assert [one["id"] for one in (await technician.get("/v1/tokens")).json()] == [made["id"]]
    assert (await technician.delete(f"/v1/tokens/{made['id']}")).status_code == 204


async def test_a_password_is_changed_by_its_owner(given: Given) -> None:
    """There is no route to another's password; one's own needs the old one."""
    paths = given.app.openapi()["paths"]
    assert [path for path in paths if "password" in path] == ["/v1/session/password"]
    mina = given.person(Role.OPERATOR, "mina")
    answer = await mina.put("/v1/session/password", json={"old": "not it at all", "new": "another-creek-8"})
    assert answer.status_code == 403 and answer.json()["code"] == "access.wrong"


async def test_names_of_files_are_not_reached(given: Given) -> None:
    """Path tricks (A9): ids are names, and a name that climbs is none."""
    client = given.person(Role.TECHNICIAN)
    for path in ("..%2f..%2fetc%2fpasswd", "%2e%2e", "a%00", "low_night%2f..", "%252e%252e"):
        for route in ("runs", "tanks", "decisions/program"):
            answer = await client.get(f"/v1/{route}/{path}")
            assert answer.status_code in (404, 405, 422), (route, path)
            assert "root:" not in answer.text
