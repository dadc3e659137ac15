"""OWASP API10:2023, unsafe consumption of APIs: the one that is consumed is the daemon's, and may make no sense."""

import asyncio
from pathlib import Path

import pytest

from api.access.roles import Role
from tests.api.farms import Recorded, served


@pytest.mark.parametrize(
    "said", [b"", b"\x00\x00\x00\x02{}", b"\xff\xff\xff\xff", b'\x00\x00\x00\x1c{"hello":{"protocol":12345}}']
)
async def test_a_daemon_that_makes_no_sense_is_silent(record: Recorded, tmp_path: Path, said: bytes) -> None:
    """Whatever the socket says, the api stands, and tells that nobody is heard."""

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
