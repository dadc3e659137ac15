"""The server over real Unix sockets: a Stop waits behind nothing, and no client costs the daemon a scan."""

import asyncio
import logging
from typing import Any

import pytest

from daemon.local_socket import server
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import (
    BadFrame,
    BadRequest,
    Busy,
    NoAnswer,
    ProtocolMismatch,
)
from daemon.local_socket.server import MAX_CLIENTS
from daemon.messages import PROTOCOL, Answer, Command, Verb
from tests.daemon.local_socket.house import House, command_ids, until, wire


async def test_stop_overtakes_what_waits(house: House) -> None:
    """Invariant 11: Stop waits behind nothing: not behind waiting commands, nor behind a full queue of them."""
    client = await house.client()
    client.send(*(wire(Verb.START, f"w{number}") for number in range(8)), wire(Verb.HOLD, "ninth"))
    refused = await client.read()
    assert refused["error"]["code"] == Busy.code
    assert refused["error"]["id"] == "ninth"
    for verb in (Verb.STOP_FERTILISER, Verb.STOP_EVERYTHING):
        client.send(wire(verb, verb.value))
        assert (await client.read())["answer"] == {
            "id": verb.value,
            "accepted": True,
            "reason": f"{verb.value} for ana",
        }
    house.scan.decide.set()
    assert [(await client.read())["answer"]["id"] for _ in range(8)] == [f"w{number}" for number in range(8)]
    client.send(wire(Verb.HOLD, "again"))
    assert (await client.read())["answer"]["id"] == "again"


async def test_one_kind_of_stop_does_not_fill_the_other_s_place(house: House) -> None:
    """Invariant 11: any number of undecided stops of fertiliser leaves the place of Stop everything free."""

    async def undecided(command: Command) -> Answer:
        if command.verb is Verb.STOP_FERTILISER:
            await house.scan.decide.wait()
        return await house.scan.on_command(command)

    house.server.on_command = undecided
    client = await house.client()
    client.send(*(wire(Verb.STOP_FERTILISER, f"f{number}") for number in range(9)))
    assert (await client.read())["error"]["code"] == Busy.code
    client.send(wire(Verb.STOP_EVERYTHING, "all"))
    assert (await client.read())["answer"]["id"] == "all"
    house.scan.decide.set()


async def test_stop_is_given_though_the_client_hangs_up(house: House) -> None:
    """Invariant 11: who sends Stop and is gone in the same moment has stopped the plant; no command is taken back."""
    client = await house.client()
    client.send(wire(Verb.HOLD), wire(Verb.STOP_EVERYTHING, "s"))
    await client.close()
    await until(lambda: house.scan.decided == ["s"])
    await asyncio.sleep(0.02)
    house.scan.decide.set()
    await until(lambda: house.scan.decided == ["s", "c1"])


async def test_full_house_still_takes_stop(house: House) -> None:
    """Invariant 11 and the bound of 16 clients: the 17th may only stop, once; far beyond, nobody gets in."""
    for _ in range(MAX_CLIENTS):
        await house.client()
    for request in (wire(Verb.START), {"snapshot": True}, {"subscribe": True}, {"decision": {"id": "d"}}):
        late = await house.client()
        late.send(request)
        assert (await late.read())["error"]["code"] == Busy.code
        assert await late.read() is None
    late = await house.client()
    late.send(wire(Verb.STOP_EVERYTHING), wire(Verb.STOP_EVERYTHING, "second"))
    assert (await late.read())["answer"]["accepted"]
    assert await late.read() is None
    assert command_ids(house) == ["c1"]
    for _ in range(4):
        await house.client()
    turned_away = await house.stranger()
    assert (await turned_away.read())["error"]["code"] == Busy.code
    assert await turned_away.read() is None

    def use() -> None:
        with LocalClient(house.path, 2.0) as daemon:
            daemon.snapshot()

    with pytest.raises(Busy, match="16 clients"):
        await asyncio.to_thread(use)


async def test_seat_is_free_again(house: House) -> None:
    """Guards the bound of 16 clients: it counts who is here, not who ever came."""
    for _ in range(MAX_CLIENTS + 4):
        client = await house.client()
        client.send({"snapshot": True})
        assert (await client.read())["snapshot"]["scan"] == 1
        await client.close()
        await until(lambda: not house.server._connections)


def _nested(depth: int) -> bytes:
    return b'{"decision":' + b'{"a":' * (depth - 1) + b"1" + b"}" * depth


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        (b"\x00\x04\x00\x01", "too large"),
        (b"\xff\xff\xff\xff", "too large"),
        (b"\x00\x00\x00\x00", "not a frame of UTF-8 JSON"),
        (b"\x00\x00\x00\x04GET ", "not a frame of UTF-8 JSON"),
        (b"\x00\x00\x00\x02\xff\xfe", "not a frame of UTF-8 JSON"),
        (b"\x00\x00\x00\x04{\x00}\x00", "not a frame of UTF-8 JSON"),
        (b'\x00\x00\x00\x07{"a":1,', "not a frame of UTF-8 JSON"),
        (b"\x00\x00\x00\x02[]", "a JSON object"),
        (b'\x00\x00\x00\x0d{"a":1,"a":2}', "twice"),
        (b'\x00\x00\x00\x09{"a":NaN}', "NaN"),
        (b'\x00\x00\x00\x0b{"a":1e999}', "1e999"),
        (b'\x00\x00\x00\x0e{"a":"\\ud800"}', "surrogates"),
        (len(_nested(17)).to_bytes(4, "big") + _nested(17), "deeper than 16"),
        (len(_nested(30_000)).to_bytes(4, "big") + _nested(30_000), "deeper than 16"),
        ((5010).to_bytes(4, "big") + b'{"a": ' + b"9" * 5003 + b"}", "not a frame of UTF-8 JSON"),
    ],
)
async def test_bad_frame_gets_one_error_then_the_end(house: House, sent: bytes, says: str) -> None:
    """Guards the daemon from a broken client: one error that says what is wrong, then nothing; others go on."""
    other = await house.client()
    client = await house.client()
    client.writer.write(sent)
    error = (await client.read())["error"]
    assert error["code"] == BadFrame.code
    assert says in error["message"]
    assert await client.read() is None
    other.send({"snapshot": True})
    assert (await other.read())["snapshot"]["scan"] == 1
    assert house.scan.given == []


@pytest.mark.parametrize("sent", [b"", b"\x00", b"\x00\x00\x00\x09{"], ids=["nothing", "half a length", "half a body"])
async def test_late_hello_or_half_frame_ends(house: House, sent: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the 16 seats: nobody keeps one by saying nothing, or half of something."""
    monkeypatch.setattr(server, "_HELLO_S", 0.03)
    monkeypatch.setattr(server, "_FRAME_S", 0.03)
    client = await house.stranger()
    client.writer.write(sent)
    assert (await client.read())["error"]["code"] == BadFrame.code
    assert await client.read() is None


async def test_seat_beyond_a_full_house_is_not_kept(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Invariant 11: the few seats kept for Stop are not held by clients that bring none."""
    for _ in range(MAX_CLIENTS):
        await house.client()
    monkeypatch.setattr(server, "_HELLO_S", 0.03)
    silent = await house.client()
    assert (await silent.read())["error"]["code"] == BadFrame.code
    assert await silent.read() is None


async def test_half_frame_after_the_hello_ends_too(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the 16 seats: an idle client may stay, one that stops inside a frame may not; nor is a cut frame run."""
    monkeypatch.setattr(server, "_HELLO_S", 0.03)
    monkeypatch.setattr(server, "_FRAME_S", 0.03)
    client, cut = await house.client(), await house.client()
    await asyncio.sleep(0.1)
    client.send({"snapshot": True})
    assert (await client.read())["snapshot"]["scan"] == 1
    client.writer.write(b"\x00\x00\x00\x09{")
    assert "in time" in (await client.read())["error"]["message"]
    cut.writer.write(b"\x00\x00\x00\x09{")
    cut.writer.write_eof()
    assert "ended inside a frame" in (await cut.read())["error"]["message"]


@pytest.mark.parametrize(("version", "older"), [(PROTOCOL + 1, "upgrade the daemon"), (0, "upgrade the client")])
async def test_other_version_is_told_which_side_to_upgrade(house: House, version: int, older: str) -> None:
    """Guards upgrades: a client of another release learns both versions and what to do, and commands nothing."""
    client = await house.stranger()
    client.send({"hello": {"protocol": version}}, wire(Verb.START))
    error = (await client.read())["error"]
    assert error["code"] == ProtocolMismatch.code
    assert f"daemon speaks version {PROTOCOL} " in error["message"]
    assert f"client version {version}: {older}" in error["message"]
    assert await client.read() is None
    assert house.scan.given == []


@pytest.mark.parametrize("first", [wire(Verb.STOP_EVERYTHING), {"hello": 1}, {"hello": {"protocol": "1"}}])
async def test_first_frame_must_be_a_hello(house: House, first: dict[str, Any]) -> None:
    """Guards upgrades: nothing is done for a client whose version is unknown."""
    client = await house.stranger()
    client.send(first)
    assert "must be" in (await client.read())["error"]["message"]
    assert await client.read() is None
    assert house.scan.given == []


@pytest.mark.parametrize(
    ("request_", "says"),
    [
        (wire("stop-fertilizer"), "unknown verb 'stop-fertilizer'; did you mean 'stop-fertiliser'?"),
        (wire("x"), "known: start, hold"),
        (wire(Verb.START, who=7), "command.who"),
        (wire(Verb.START, who=""), "command.who"),
        (wire(Verb.START, role="a\nb"), "command.role"),
        (wire(Verb.START, "i" * 65), "command.id"),
        (wire(Verb.START, arguments=[]), "command.arguments"),
        (wire(Verb.START, until="now"), "exactly the fields arguments, id, role, verb, who"),
        ({"command": {"id": "c1", "verb": "start"}}, "exactly the fields"),
        ({"command": []}, "exactly the fields"),
        ({"decision": 1}, "expected command, decision or step"),
        ({"snapshot": 1}, "expected command, decision or step"),
        ({"subscribe": False}, "expected command, decision or step"),
        ({"reboot": True}, "expected command, decision or step"),
        ({}, "exactly one key"),
        ({"snapshot": True, "subscribe": True}, "exactly one key"),
    ],
)
async def test_wrong_request_is_refused_and_the_connection_goes_on(
    house: House, request_: dict[str, Any], says: str
) -> None:
    """Guards what reaches the scan: only typed commands; the refusal names the field, and Stop follows it."""
    client = await house.client()
    client.send(request_, wire(Verb.STOP_EVERYTHING, "after"))
    error = (await client.read())["error"]
    assert error["code"] == BadRequest.code
    assert says in error["message"]
    assert (await client.read())["answer"]["id"] == "after"
    assert command_ids(house) == ["after"]


async def test_failing_handler_fails_its_request_alone(house: House, caplog: pytest.LogCaptureFixture) -> None:
    """Guards the daemon: a bug in one request is logged and answered, and tells the client nothing of the inside."""
    client = await house.client()
    house.scan.decide.set()
    with caplog.at_level(logging.ERROR, "daemon.local_socket"):
        client.send({"decision": {"kind": "no id: the stand-in fails"}}, wire(Verb.HOLD))
        error = (await client.read())["error"]
    assert error == {"code": "socket", "message": "the daemon failed at this request: see its journal", "id": None}
    assert "KeyError" in caplog.text
    assert (await client.read())["answer"]["id"] == "c1"


async def test_command_that_no_scan_decides_is_answered(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the eight places: a request that is never decided frees its place and says that the outcome is unknown."""
    monkeypatch.setattr(server, "_ANSWER_S", 0.03)
    client = await house.client()
    client.send(wire(Verb.START))
    error = (await client.read())["error"]
    assert (error["code"], error["id"]) == (NoAnswer.code, "c1")
    assert "same id" in error["message"]


async def test_close_ends_waiting_clients_and_removes_the_socket(house: House) -> None:
    """Guards the stop of the daemon: nobody's waiting command holds it up, and no dead socket file is left."""
    client = await house.client()
    client.send(wire(Verb.START))
    await until(lambda: house.scan.given)
    await house.server.close()
    await house.server.close()
    assert await client.read() is None
    assert not house.path.exists()
