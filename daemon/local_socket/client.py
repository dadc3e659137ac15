"""The command line's side of the local socket: blocking, and every fault says what to do."""

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self, TypeVar

from daemon.local_socket.frames import (
    FAULTS,
    LocalSocketFault,
    NoAnswer,
    NoDaemon,
    ProtocolMismatch,
    SocketPathFault,
    agree,
    checked_length,
    decode,
    encode,
    fields_of,
    hello_frame,
    version_of,
)
from daemon.local_socket.socket_file import check_path
from daemon.messages import PROTOCOL, Answer, Command, Snapshot

_Kind = TypeVar("_Kind", Answer, Snapshot)


class LocalClient:
    """The blocking side, for the command line: `with LocalClient(path, timeout_s) as daemon: daemon.snapshot()`.

    Entering raises NoDaemon, ProtocolMismatch or SocketPathFault. Every method raises what the daemon reports (Busy,
    BadRequest...), and NoAnswer when nothing comes for `timeout_s` or the daemon hangs up; after that the connection is
    closed, since a late answer would be taken for that of the next request.
    """

    _socket: socket.socket

    def __init__(self, path: Path, timeout_s: float) -> None:
        self._path = path
        self._timeout_s = timeout_s

    def __enter__(self) -> Self:
        self._socket = _connect(self._path, self._timeout_s)
        try:
            agree(daemon=version_of(self._read()), client=PROTOCOL)
            self._send(hello_frame())
        except BaseException:
            self._socket.close()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def command(self, command: Command) -> Answer:
        """Give a control command and return what the scan decided."""
        body = {**fields_of(command), "verb": command.verb.value}
        return _build(Answer, self._ask({"command": body}, "answer"))

    def decision(self, decision: dict[str, Any]) -> Answer:
        """Give a record command, which may hold several decisions, and return what became of all of them."""
        return _build(Answer, self._ask({"decision": decision}, "answer"))

    def step(self, asked: dict[str, Any]) -> Answer:
        """Ask for something of the commissioning, and return what became of it."""
        return _build(Answer, self._ask({"step": asked}, "answer"))

    def snapshot(self) -> Snapshot:
        """Return the newest snapshot. Raises NotReady before the first scan is done."""
        return _build(Snapshot, self._ask({"snapshot": True}, "snapshot"))

    def snapshots(self) -> Iterator[Snapshot]:
        """Yield the newest snapshot now and after each scan; scans that end while the caller is busy are left out."""
        body = self._ask({"subscribe": True}, "snapshot")
        while True:
            yield _build(Snapshot, body)
            body = self._next("snapshot")

    def _ask(self, request: dict[str, Any], kind: str) -> Any:
        self._send(encode(request))
        return self._next(kind)

    def _next(self, kind: str) -> Any:
        """Return the next reply of a kind, skipping snapshots while an answer is due. Raises what is reported."""
        while kind not in (reply := self._read()):
            match reply:
                case {"error": {"code": str(code), "message": str(message)}}:
                    raise FAULTS.get(code, LocalSocketFault)(message)
        return reply[kind]

    def _send(self, frame: bytes) -> None:
        try:
            self._socket.sendall(frame)
        except TimeoutError:
            raise self._no_answer() from None
        except OSError:
            return  # the daemon hung up: what it said before that is read next

    def _read(self) -> dict[str, Any]:
        return decode(self._exactly(checked_length(int.from_bytes(self._exactly(4), "big"))))

    def _exactly(self, length: int) -> bytes:
        received = b""
        while len(received) < length:
            try:
                part = self._socket.recv(length - len(received))
            except OSError:
                part = b""
            if not part:
                raise self._no_answer()
            received += part
        return received

    def _no_answer(self) -> NoAnswer:
        self._socket.close()
        return NoAnswer(
            f"the daemon hung up or gave no answer within {self._timeout_s:g} s: see `journalctl -u shiftwright`; "
            "what was asked may still be done, so ask again with the same id"
        )


def _connect(path: Path, timeout_s: float) -> socket.socket:
    """Return a connected socket. Raises NoDaemon, NoAnswer when the daemon does not accept, or SocketPathFault."""
    check_path(path)
    peer = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    peer.settimeout(timeout_s)
    try:
        peer.connect(str(path))
    except OSError as error:
        peer.close()
        raise _unreachable(path, error) from error
    return peer


def _unreachable(path: Path, error: OSError) -> LocalSocketFault:
    if isinstance(error, FileNotFoundError | ConnectionRefusedError):
        return NoDaemon(f"no daemon listens at {path}: start it with `systemctl start shiftwright`")
    if isinstance(error, PermissionError):
        return SocketPathFault(f"{path} is closed to you: run this as the user shiftwright or as a member of its group")
    return NoAnswer(f"the daemon at {path} takes no connection ({error.strerror}): see `journalctl -u shiftwright`")


def _build(kind: type[_Kind], body: Any) -> _Kind:
    try:
        return kind(**body)
    except TypeError:
        raise ProtocolMismatch(
            f"the daemon sent a {kind.__name__} of another form: restart the daemon after an upgrade"
        ) from None
