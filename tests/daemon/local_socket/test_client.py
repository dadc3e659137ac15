"""The blocking client: what goes in comes out whole, and every fault says what to do."""

import asyncio
import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.local_socket import frames
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import (
    BadFrame,
    NoAnswer,
    NoDaemon,
    ProtocolMismatch,
)
from daemon.messages import PROTOCOL, Answer, Snapshot, Verb
from tests.daemon.local_socket.house import FIRST, House, command


async def test_client_commands_decides_and_sees(house: House) -> None:
    """Guards the contract of every client: what goes in one side comes out whole on the other."""
    house.scan.decide.set()
    asked = {"id": "d1", "who": "ana", "decisions": [{"kind": "stock", "key": "a", "body": {}, "expected_version": 2}]}

    def use() -> tuple[Answer, Answer, Snapshot]:
        with LocalClient(house.path, 2.0) as daemon:
            return (
                daemon.command(command(Verb.START)),
                daemon.decision(asked),
                daemon.snapshot(),
            )

    started, decided, seen = await asyncio.to_thread(use)
    assert started == Answer("c1", True, "start for ana")
    assert decided == Answer("d1", False, "ETag is old: read it again")
    assert seen == FIRST
    assert house.scan.given == [command(Verb.START), asked]


def test_no_daemon_says_what_to_do(tmp_path: Path) -> None:
    """Guards the command line: without a daemon it says so and how to start one, stale socket file or none."""
    stale = tmp_path / "stale"
    with socket.socket(socket.AF_UNIX) as crashed:
        crashed.bind(str(stale))
    for path in (tmp_path / "none", stale):
        with pytest.raises(NoDaemon, match="systemctl start shiftwright"), LocalClient(path, 1.0):
            pytest.fail("entered without a daemon")


@contextlib.contextmanager
def _listener(path: Path) -> Iterator[socket.socket]:
    """Return a socket that the kernel answers for: it accepts connections and says only what the test sends."""
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()
        yield listener


async def _enter_against(path: Path, said: bytes) -> None:
    """Enter a client against a peer that says `said` and stays silent, then give a command."""

    def use() -> None:
        with LocalClient(path, 0.2) as daemon:
            with pytest.raises(NoAnswer, match="same id"):
                daemon.command(command(Verb.START))
            assert daemon._socket.fileno() == -1
            daemon.snapshot()

    with _listener(path) as listener:
        using = asyncio.create_task(asyncio.to_thread(use))
        listener.setblocking(False)
        peer, _ = await asyncio.get_running_loop().sock_accept(listener)
        with peer:
            peer.sendall(said)
            await using


async def test_client_refuses_a_daemon_of_another_version(tmp_path: Path) -> None:
    """Guards upgrades: the client itself notices a daemon of another release and says which side to upgrade."""
    with pytest.raises(ProtocolMismatch, match=f"version 0 .* client version {PROTOCOL}: upgrade the daemon"):
        await _enter_against(tmp_path / "s", frames.encode({"hello": {"protocol": 0}}))


async def test_silent_daemon_gives_no_answer_and_the_connection_is_not_used_again(tmp_path: Path) -> None:
    """Guards the record: after a time-out the outcome is unknown, and no late answer is taken for another's."""
    with pytest.raises(NoAnswer, match=r"within 0\.2 s"):
        await _enter_against(tmp_path / "s", frames.hello_frame())


async def test_daemon_that_says_no_hello_is_no_daemon_of_ours(tmp_path: Path) -> None:
    """Guards the command line: whatever else listens there gets no command."""
    with pytest.raises(BadFrame, match="first frame must be"):
        await _enter_against(tmp_path / "s", frames.encode({"welcome": 1}))


async def test_full_queue_of_connections_is_no_answer(tmp_path: Path) -> None:
    """Guards the command line: a daemon too stuck to accept is not taken for one that does not run."""
    with _listener(tmp_path / "s") as listener, contextlib.ExitStack() as waiting:
        listener.listen(0)
        waiting.enter_context(_connected(tmp_path / "s"))
        with pytest.raises(NoAnswer, match="takes no connection"):
            LocalClient(tmp_path / "s", 0.1).__enter__()


def _connected(path: Path) -> socket.socket:
    peer = socket.socket(socket.AF_UNIX)
    peer.connect(str(path))
    return peer


async def test_answer_of_an_unknown_form_is_a_mismatch(house: House) -> None:
    """Guards upgrades: a snapshot with another set of fields is not half understood."""
    house.server._encoded = (FIRST, frames.encode({"snapshot": {"scan": 1}}))

    def use() -> None:
        with LocalClient(house.path, 2.0) as daemon:
            daemon.snapshot()

    with pytest.raises(ProtocolMismatch, match="restart the daemon"):
        await asyncio.to_thread(use)
