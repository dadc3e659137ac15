"""OWASP API3:2023, broken object property level authorization: nothing slips in beside what is asked, or out."""

import json

from api.access.roles import Role
from tests.api.farms import PASSWORD, Given


async def test_no_key_slips_in(given: Given) -> None:
    """Mass assignment (A13): a key that nobody knows is refused, and so is what is not one's own to set."""
    client = given.person(Role.TECHNICIAN)
    for path, body in (
        ("/v1/people", {"name": "eve", "role": "viewer", "made": "2020-01-01T00:00:00Z"}),
        ("/v1/tokens", {"label": "x", "role": "viewer", "person": "theo"}),
        ("/v1/commands", {"verb": "hold", "arguments": {}, "who": "theo"}),
        ("/v1/stop", {"what": "fertiliser", "role": "technician"}),
        ("/v1/session", {"name": "technician", "password": PASSWORD, "role": "technician"}),
    ):
        assert (await client.post(path, json=body)).status_code == 422, path
    assert not given.commands


async def test_no_secret_slips_out(given: Given) -> None:
    """Hashes, digests and secrets are in no answer but the one that makes them."""
    client = given.person(Role.TECHNICIAN)
    secret = (await client.post("/v1/tokens", json={"label": "office", "role": "viewer"})).json()["secret"]
    for path in ("/v1/people", "/v1/tokens", "/v1/session", "/v1/live", "/v1/site"):
        text = (await client.get(path)).text
        assert secret not in text and "argon2" not in text and "digest" not in json.dumps(list(json.loads(text))[:1])


async def test_who_is_whoever_logged_in(given: Given) -> None:
    """The record has the session's name for what is asked; nobody states another."""
    await given.person(Role.OPERATOR, "mina").post("/v1/commands", json={"verb": "hold"})
    await given.software(Role.OPERATOR).post("/v1/commands", json={"verb": "hold"})
    assert [(command.who, command.role) for command in given.commands] == [("mina", "operator"), ("owner", "operator")]
