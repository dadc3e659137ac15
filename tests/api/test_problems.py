"""What goes wrong inside: a disk that takes nothing, a record that cannot be read, a fault of the program."""

import sqlite3
from typing import Any

import httpx
import pytest

from api.access.roles import Role
from tests.api.farms import Given


async def test_a_disk_that_takes_nothing(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards a full card: who may cannot be changed, and it is told; no 5xx, for software tries those again."""
    client = given.person(Role.TECHNICIAN)

    def full(*_: Any) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(given.farm.store, "add", full)
    answer = await client.post("/v1/people", json={"name": "eve", "role": "viewer"})
    assert answer.status_code == 409 and answer.json()["code"] == "storage.failed"
    assert "disk is full" not in answer.text


async def test_a_record_that_cannot_be_read(given: Given) -> None:
    """Guards the record's own errors: their code, and nothing of the file's place."""
    (given.farm.folder / "ledger.db").write_bytes(b"no ledger at all" * 100)
    answer = await given.person(Role.VIEWER).get("/v1/runs")
    assert answer.status_code == 409 and answer.json()["code"] == "ledger.damaged"
    assert str(given.farm.folder) not in answer.text


async def test_a_fault_of_the_program_tells_nothing_of_it(given: Given, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards against leaks (A17): the journal has the fault, the answer has none of it."""
    client = given.person(Role.VIEWER)

    def wrong(*_: Any) -> None:
        raise ValueError("a secret of the inside")

    monkeypatch.setattr(given.farm.store, "tokens", wrong)
    transport = httpx.ASGITransport(given.app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost", cookies=client.cookies) as quiet:
        answer = await quiet.get("/v1/tokens")
    assert answer.status_code == 500 and answer.json()["code"] == "fault" and "secret" not in answer.text


async def test_a_stream_ends_with_its_session(given: Given) -> None:
    """Guards log-out: with the next scan a stream that nobody is logged in for any more ends."""
    client = given.person(Role.VIEWER)
    given.farm.store.end_sessions("viewer")
    assert (await client.get("/v1/events")).status_code == 401
    client = given.person(Role.VIEWER)
    look = given.farm.store.session
    asked = 0

    def once(secret: str, now_ms: int) -> Any:
        nonlocal asked
        asked += 1
        return look(secret, now_ms) if asked == 1 else None

    given.farm.store.session = once  # type: ignore[method-assign]
    answer = await client.get("/v1/events")
    assert answer.status_code == 200 and "event: snapshot" not in answer.text
