"""Snapshots to those who ask and those who watch: the newest, once, at no cost to the scan."""

import asyncio
import itertools

import pytest

from daemon.local_socket import server
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import (
    MAX_FRAME_BYTES,
    NotReady,
)
from daemon.local_socket.server import MAX_CLIENTS
from daemon.messages import Verb
from tests.daemon.local_socket.house import FIRST, House, Raw, command_ids, until, wire


async def test_subscriber_sees_each_scan(house: House) -> None:
    """Guards the page: the newest snapshot at once, then one for each scan, none twice."""

    def watch() -> list[int]:
        with LocalClient(house.path, 2.0) as daemon:
            return [snapshot.scan for snapshot in itertools.islice(daemon.snapshots(), 4)]

    watching = asyncio.create_task(asyncio.to_thread(watch))
    await until(lambda: house.server.subscribers)
    await asyncio.sleep(0.02)
    for scan in (2, 3, 4):
        house.server.published()
        house.publish(scan)
        await asyncio.sleep(0.02)
    assert await watching == [1, 2, 3, 4]
    await until(lambda: not house.server.subscribers)


async def test_never_reading_subscriber_costs_no_memory_and_no_time(house: House) -> None:
    """Guards the scan: a client that never reads holds one unsent snapshot, delays nothing, then gets the newest."""
    deaf = await house.client()
    deaf.reader._transport.pause_reading()  # type: ignore[attr-defined]
    deaf.send({"subscribe": True})
    await until(lambda: house.server.subscribers)
    (connection,) = house.server.subscribers
    large = {f"p{number}": {"value": 1.0, "quality": "GOOD"} for number in range(500)}
    unsent = connection._writer.transport.get_write_buffer_size
    loop = asyncio.get_running_loop()
    slowest_s, most = 0.0, 0
    for scan in range(2, 402):
        begun_s = loop.time()
        house.publish(scan, readings=large)
        slowest_s = max(slowest_s, loop.time() - begun_s)
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        most = max(most, unsent())
    one_frame = len(house.server.frame_of(house.scan.newest or FIRST))
    assert 0 < most <= one_frame
    assert not connection._outbox
    assert slowest_s < 0.05
    deaf.reader._transport.resume_reading()  # type: ignore[attr-defined]
    seen = [(await deaf.read())["snapshot"]["scan"]]
    while seen[-1] != 401:
        seen.append((await deaf.read())["snapshot"]["scan"])
    assert len(seen) < 8, seen


async def test_stop_of_a_client_that_does_not_read(house: House) -> None:
    """Invariant 11: a client drowning in snapshots that it does not read can still stop."""
    deaf = await house.client()
    deaf.reader._transport.pause_reading()  # type: ignore[attr-defined]
    deaf.send({"subscribe": True}, *({"snapshot": True} for _ in range(100)))
    await until(lambda: house.server.subscribers)
    deaf.send(wire(Verb.STOP_EVERYTHING))
    await until(lambda: command_ids(house) == ["c1"])


async def test_client_that_takes_nothing_loses_its_seat(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the 16 seats: a client that takes nothing for a time is cut off."""
    monkeypatch.setattr(server, "_SEND_S", 0.05)
    dead = await house.client()
    dead.reader._transport.pause_reading()  # type: ignore[attr-defined]
    dead.send(*({"snapshot": True} for _ in range(100)))
    await until(lambda: not house.server._connections)
    assert await unread_frames(dead) < 100


async def test_unread_answers_do_not_pile_up(house: House) -> None:
    """Guards memory: a client that asks and asks and reads no answer is cut off long before the time limit."""
    flooding = await house.client()
    flooding.reader._transport.pause_reading()  # type: ignore[attr-defined]
    flooding.send(*({"reboot": True} for _ in range(500)))
    await until(lambda: not house.server._connections)
    assert await unread_frames(flooding) < 100


async def unread_frames(client: Raw) -> int:
    """Return how many frames reached a client that was cut off before it read."""
    client.reader._transport.resume_reading()  # type: ignore[attr-defined]
    count = 0
    while await client.read() is not None:
        count += 1
    return count


async def test_publishing_to_nobody_touches_nothing(house: House) -> None:
    """Guards the scan: with no subscriber a publication asks for no snapshot and encodes none."""
    house.server.newest = lambda: pytest.fail("asked for a snapshot that nobody wants")
    for _ in range(1000):
        house.server.published()
    await asyncio.sleep(0)
    assert house.server._encoded == (None, b"")


async def test_snapshot_is_encoded_once_for_all(house: House) -> None:
    """Guards the scan: sixteen subscribers cost one encoding of each snapshot."""
    clients = [await house.client() for _ in range(MAX_CLIENTS)]
    for client in clients:
        client.send({"subscribe": True})
        assert (await client.read())["snapshot"]["scan"] == 1
    house.publish(2)
    frames = {id(house.server.frame_of(house.scan.newest or FIRST)) for _ in range(3)}
    assert [(await client.read())["snapshot"]["scan"] for client in clients] == [2] * MAX_CLIENTS
    assert frames == {id(house.server._encoded[1])}


async def test_no_snapshot_before_the_first_scan(house: House) -> None:
    """Guards the truth: before the first scan there is no snapshot, rather than an empty one; a subscriber waits."""
    house.scan.newest = None
    client = await house.client()
    client.send({"subscribe": True}, {"snapshot": True})
    assert (await client.read())["error"]["code"] == NotReady.code
    house.publish(1)
    assert (await client.read())["snapshot"]["scan"] == 1


async def test_bad_reading_hides_no_other(house: House) -> None:
    """Invariant 4's other half: a NaN in one reading is null on the wire, and the rest of the snapshot arrives."""
    house.publish(2, readings={"ec_ms_cm": {"value": float("nan")}, "flow_m3_h": {"value": 31.5}})
    client = await house.client()
    client.send({"snapshot": True})
    readings = (await client.read())["snapshot"]["readings"]
    assert readings == {"ec_ms_cm": {"value": None}, "flow_m3_h": {"value": 31.5}}


async def test_snapshot_that_is_too_large_is_an_error_not_silence(house: House) -> None:
    """Guards the frame bound on the daemon's own side: the subscriber is told, and gets the next that fits."""
    client = await house.client()
    house.publish(2, site="x" * MAX_FRAME_BYTES)
    client.send({"subscribe": True})
    assert "too large" in (await client.read())["error"]["message"]
    house.publish(3)
    assert (await client.read())["snapshot"]["scan"] == 3
