"""OWASP API6:2023, unrestricted access to sensitive flows: what doses a field is done once, by whoever may."""

from api.access.roles import Role
from tests.api.farms import Given


async def test_a_command_is_given_its_id(given: Given) -> None:
    """Guards a double tap and a retry: the same key reaches the controller under the same id, which does it once."""
    client = given.person(Role.OPERATOR)
    for _ in range(2):
        answer = await client.post("/v1/commands", json={"verb": "hold"}, headers={"Idempotency-Key": "tap-1"})
        assert answer.json() == {"id": given.commands[0].id, "accepted": True, "reason": "It is done."}
    other = given.person(Role.OPERATOR, "theo")
    await client.post("/v1/commands", json={"verb": "reset"}, headers={"Idempotency-Key": "tap-1"})
    await other.post("/v1/commands", json={"verb": "hold"}, headers={"Idempotency-Key": "tap-1"})
    await client.post("/v1/commands", json={"verb": "hold"})
    first, again, *others = [command.id for command in given.commands]
    assert first == again and first.startswith("tap-1-") and len({first, *others}) == 4


async def test_two_people_do_not_overwrite_each_other(given: Given) -> None:
    """Guards decisions: the one who saw the older version is told; and the same key is recorded once."""
    client, path = given.person(Role.OPERATOR), "/v1/decisions/cap/"
    found = (await client.get("/v1/decisions/cap")).json()[0]
    path += found["key"]
    seen = (await client.get(path)).headers["ETag"]
    assert seen == '"1"'
    first = await client.put(path, json=found["body"], headers={"If-Match": seen, "Idempotency-Key": "once"})
    assert first.status_code == 200 and first.headers["ETag"] == '"2"'
    late = await client.put(path, json=found["body"], headers={"If-Match": seen})
    assert late.status_code == 412 and late.json()["code"] == "version.changed"
    again = await client.put(path, json=found["body"], headers={"If-Match": '"2"', "Idempotency-Key": "once"})
    assert again.status_code == 200 and len((await client.get(f"{path}/versions")).json()) == 2
    assert (await client.put(path, json=found["body"])).status_code == 422, "whoever saw none says so"
    gone = await client.delete(path, headers={"If-Match": "*"})
    assert gone.status_code == 200 and (await client.get(path)).status_code == 404
    versions = (await client.get(f"{path}/versions")).json()
    assert [one["version"] for one in versions] == [3, 2, 1] and versions[0]["body"] is None


async def test_what_the_daemon_refuses_is_told(given: Given) -> None:
    """Guards the daemon's word: it judges decisions against the site and all others, and its reason comes back."""
    answer = await given.person(Role.OPERATOR).put(
        "/v1/decisions/shift/odd", json={"blocks": ["nowhere"]}, headers={"If-Match": '"0"'}
    )
    assert answer.status_code == 409 and answer.json()["code"] == "decision.refused"
    assert "nowhere" in answer.json()["detail"]
