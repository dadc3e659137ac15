"""The daemon's side of the local socket: a Stop waits behind nothing, and no client costs the daemon a scan."""

import asyncio
import contextlib
import logging
import socket
from collections import Counter, deque
from collections.abc import Awaitable, Callable
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

from daemon.local_socket.frames import (
    BadFrame,
    BadRequest,
    Busy,
    LocalSocketFault,
    NoAnswer,
    NotReady,
    agree,
    checked_length,
    decode,
    encode,
    error_frame,
    fields_of,
    hello_frame,
    id_of,
    parse_command,
    version_of,
)
from daemon.local_socket.socket_file import listen_at
from daemon.messages import PROTOCOL, Answer, Command, Snapshot, Verb

MAX_CLIENTS = 16
STOP_VERBS = frozenset({Verb.STOP_FERTILISER, Verb.STOP_EVERYTHING})

_STOP_SEATS = 4
"""Connections beyond a full house that may each still bring one Stop."""
_WAITING = 8
"""Requests of one connection that may wait for an answer: as many of each Stop verb, and of all the others together."""
_OUTBOX = 64
"""Unsent answers of one connection; a client that lets more pile up is cut off."""
_HELLO_S = 2.0
_FRAME_S = 5.0
_ANSWER_S = 30.0
_SEND_S = 30.0
_KERNEL_BYTES = 4096
"""Asked of the kernel for what is sent and not yet read: a slow reader finds few old snapshots before the newest."""

_log = logging.getLogger(__name__)


class LocalServer:
    """The daemon's side. `on_command`, `on_decision` and `on_step` return once it is decided, side by side."""

    def __init__(
        self,
        path: Path,
        on_command: Callable[[Command], Awaitable[Answer]],
        on_decision: Callable[[dict[str, Any]], Awaitable[Answer]],
        on_step: Callable[[dict[str, Any]], Awaitable[Answer]],
        snapshot: Callable[[], Snapshot | None],
    ) -> None:
        self.on_command = on_command
        self.on_decision = on_decision
        self.on_step = on_step
        self.newest = snapshot
        self.subscribers: set[_Connection] = set()
        self._path = path
        self._connections: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None
        self._closing = False
        self._inode = 0
        self._encoded: tuple[Snapshot | None, bytes] = (None, b"")

    async def start(self) -> None:
        """Listen. Only the holder of the plant lock may call this: it removes a socket file left by a crash.

        Raises SocketPathFault, or OSError when the file cannot be made.
        """
        listener = listen_at(self._path)
        self._inode = self._path.stat().st_ino
        self._server = await asyncio.start_unix_server(self._connected, sock=listener)

    def published(self) -> None:
        """Tell the subscribers that a scan has a new snapshot. Neither waits nor encodes."""
        for connection in self.subscribers:
            connection.wake.set()

    async def close(self) -> None:
        """Hang up on everybody, drop what still waits, and remove the socket file if it is still ours."""
        if self._server is None:
            return
        self._closing = True  # a connection accepted in this very moment is turned away
        self._server.close()
        for task in self._connections:
            task.cancel()
        await asyncio.gather(*self._connections, return_exceptions=True)
        with contextlib.suppress(FileNotFoundError):
            if self._path.lstat().st_ino == self._inode:
                self._path.unlink()
        self._server = None

    def frame_of(self, snapshot: Snapshot) -> bytes:
        """Return the frame of `snapshot`, encoded once for all subscribers; an error frame when it is too large."""
        if self._encoded[0] is not snapshot:
            try:
                frame = encode({"snapshot": fields_of(snapshot)})
            except BadFrame as fault:
                frame = error_frame(fault)
            self._encoded = (snapshot, frame)
        return self._encoded[1]

    def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        taken = len(self._connections)
        if self._closing or taken >= MAX_CLIENTS + _STOP_SEATS:
            writer.write(hello_frame() + error_frame(_full_house()))
            writer.close()
            return
        connection = _Connection(self, reader, writer, only_stop=taken >= MAX_CLIENTS)
        task = asyncio.create_task(connection.run())
        self._connections.add(task)
        task.add_done_callback(self._connections.discard)


def _full_house() -> Busy:
    return Busy(f"{MAX_CLIENTS} clients are connected already: close one; only Stop is taken meanwhile")


class _Connection:
    """One client: a reader that never waits for an answer or a send, a task for each request, one sender."""

    def __init__(
        self, server: LocalServer, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, only_stop: bool
    ) -> None:
        self.wake = asyncio.Event()
        self._server = server
        self._reader = reader
        self._writer = writer
        self._only_stop = only_stop
        self._outbox: deque[bytes] = deque()
        self._snapshots_asked = 0
        self._seen: Snapshot | None = None
        self._waiting: Counter[str] = Counter()
        self._answers: set[asyncio.Task[None]] = set()
        self._ending = False
        writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _KERNEL_BYTES)
        writer.transport.set_write_buffer_limits(high=0)  # drain returns when nothing is unsent in this process

    async def run(self) -> None:
        """Serve until the client hangs up or breaks the rules. A client that hangs up takes no request back."""
        self._post(hello_frame())
        sender = asyncio.create_task(self._send())
        try:
            await self._receive()
            if self._answers:
                await asyncio.wait(self._answers)
            self._ending = True
            self.wake.set()
            await sender
        finally:
            self._server.subscribers.discard(self)
            for task in (sender, *self._answers):
                task.cancel()
            await asyncio.gather(sender, *self._answers, return_exceptions=True)
            self._writer.transport.abort()
            with contextlib.suppress(OSError):
                await self._writer.wait_closed()

    async def _receive(self) -> None:
        """Take requests until the end of the stream or the first bad frame, which gets one error."""
        try:
            hello = await self._read(_HELLO_S)
            if hello is None:
                return
            agree(daemon=PROTOCOL, client=version_of(hello))
            while (request := await self._read(_HELLO_S if self._only_stop else None)) is not None:
                self._take(request)
                if self._only_stop:
                    return
        except LocalSocketFault as fault:
            self._post(error_frame(fault))
        except OSError:
            return  # the client is gone

    async def _read(self, patience_s: float | None) -> dict[str, Any] | None:
        """Return the next frame, None at the end. Raises BadFrame, also for one that does not begin or end in time."""
        try:
            async with asyncio.timeout(patience_s):
                head = await self._reader.read(1)
            if not head:
                return None
            async with asyncio.timeout(_FRAME_S):
                head += await self._reader.readexactly(3)
                return decode(await self._reader.readexactly(checked_length(int.from_bytes(head, "big"))))
        except TimeoutError:
            raise BadFrame(f"no whole frame in time: begin within {patience_s} s, end within {_FRAME_S} s") from None
        except asyncio.IncompleteReadError:
            raise BadFrame("the connection ended inside a frame") from None

    def _take(self, request: dict[str, Any]) -> None:
        """Begin one request; what cannot begin gets its error at once."""
        kind, body = next(iter(request.items()), ("", None))
        try:
            if len(request) != 1:
                raise BadRequest("a request has exactly one key: command, decision, step, snapshot or subscribe")
            self._begin(kind, body)
        except LocalSocketFault as fault:
            self._post(error_frame(fault, id_of(body)))

    def _begin(self, kind: str, body: Any) -> None:
        """Begin a request of a known kind. Raises BadRequest or Busy."""
        if kind == "command":
            command = parse_command(body)
            slot = command.verb.value if command.verb in STOP_VERBS else "others"
            self._start(slot, command.id, partial(self._server.on_command, command))
        elif kind == "decision" and isinstance(body, dict):
            self._start("others", id_of(body), partial(self._server.on_decision, body))
        elif kind == "step" and isinstance(body, dict):
            self._start("others", id_of(body), partial(self._server.on_step, body))
        elif kind == "snapshot" and body is True:
            self._refuse_unless_seated()
            self._snapshots_asked += 1
            self.wake.set()
        elif kind == "subscribe" and body is True:
            self._refuse_unless_seated()
            self._server.subscribers.add(self)
            self.wake.set()
        else:
            raise BadRequest("expected command, decision or step with an object, or snapshot or subscribe with true")

    def _refuse_unless_seated(self) -> None:
        if self._only_stop:
            raise _full_house()

    def _start(self, slot: str, request_id: str | None, ask: Callable[[], Awaitable[Answer]]) -> None:
        """Ask in a task of its own, so that a Stop waits behind nothing. Raises Busy when the slot is full."""
        if slot == "others":
            self._refuse_unless_seated()
        if self._waiting[slot] >= _WAITING:
            raise Busy(f"{_WAITING} requests of this connection wait for their answer already: try again after a scan")
        self._waiting[slot] += 1
        task = asyncio.create_task(self._answer(slot, request_id, ask))
        self._answers.add(task)
        task.add_done_callback(self._answers.discard)

    async def _answer(self, slot: str, request_id: str | None, ask: Callable[[], Awaitable[Answer]]) -> None:
        try:
            async with asyncio.timeout(_ANSWER_S):
                frame = encode({"answer": asdict(await ask())})
        except TimeoutError:
            unknown = f"not decided within {_ANSWER_S:.0f} s; it may still be done: ask again with the same id"
            frame = error_frame(NoAnswer(unknown), request_id)
        except Exception:  # whatever fails in one request, the daemon and the other requests go on
            _log.exception("a request on the local socket failed")
            frame = error_frame(LocalSocketFault("the daemon failed at this request: see its journal"), request_id)
        finally:
            self._waiting[slot] -= 1
        self._post(frame)

    def _post(self, frame: bytes) -> None:
        self._outbox.append(frame)
        if len(self._outbox) > _OUTBOX:
            self._writer.transport.abort()
        self.wake.set()

    async def _send(self) -> None:
        """Send answers first, then the newest snapshot; hang up on a client that takes nothing for `_SEND_S`."""
        try:
            while not self._ending or self._outbox:
                self.wake.clear()
                while (frame := self._next_frame()) is not None:
                    self._writer.write(frame)
                    async with asyncio.timeout(_SEND_S):
                        await self._writer.drain()
                if not self._ending:
                    await self.wake.wait()
        except OSError:
            _log.debug("a client of the local socket is gone or takes nothing")
        finally:
            self._writer.transport.abort()

    def _next_frame(self) -> bytes | None:
        if self._outbox:
            return self._outbox.popleft()
        newest = self._server.newest()
        if self._snapshots_asked:
            self._snapshots_asked -= 1
            return (
                self._server.frame_of(newest) if newest else error_frame(NotReady("no scan is finished yet: ask again"))
            )
        if self in self._server.subscribers and newest is not None and newest is not self._seen:
            self._seen = newest
            return self._server.frame_of(newest)
        return None
