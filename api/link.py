"""The api's end of the local socket: what the daemon last said and when, and commands to it.

A thread of its own follows the snapshots, for the client blocks. The daemon's silence is no error here: its newest word
stays, and everybody is told how old it is.
"""

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TypeVar

from daemon.clock import Clock
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import BadRequest, Busy, LocalSocketFault, NotReady
from daemon.messages import Answer, Command, Snapshot, Verb

SILENT_S = 10.0
"""Without a word for so long the daemon counts as silent: ten scans, and twice its longest planned wait."""
_TIMEOUT_S = 10.0
_RETRY_S = 1.0
_ANSWER_S = 30.0
_STOPS = frozenset({Verb.STOP_FERTILISER, Verb.STOP_EVERYTHING})
_HEARD = (Busy, BadRequest, NotReady)
"""What a daemon says that is there."""

_Got = TypeVar("_Got")


class DaemonSilent(Exception):  # noqa: N818 - says what is the matter
    """The daemon cannot be asked. Says why and what to do."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Heard:
    """The daemon's newest word."""

    snapshot: Snapshot
    text: str
    """The same as JSON: made once for all who listen."""
    at_s: float
    """Monotonic."""


class DaemonLink:
    """Follows one daemon. `start` it on the loop that asks, and `close` it there."""

    def __init__(self, socket: Path, clock: Clock) -> None:
        self._path = socket
        self._clock = clock
        self._heard: Heard | None = None
        self._news = asyncio.Event()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._streams = 0
        self._stops = ThreadPoolExecutor(2, "stop")
        self._others = ThreadPoolExecutor(8, "ask")

    def start(self) -> None:
        """Begin to follow, unless that was begun."""
        if self._thread is not None:
            return
        loop = asyncio.get_running_loop()
        self._thread = threading.Thread(target=self._follow, args=(loop,), name="daemon-link", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End all streams. The thread ends by itself with its next snapshot, or with the process."""
        self._ended.set()
        self._tell()
        for asking in (self._stops, self._others):
            asking.shutdown(wait=False, cancel_futures=True)

    @property
    def heard(self) -> Heard | None:
        """The newest word; None before the first."""
        return self._heard

    def age_s(self) -> float | None:
        """Return how old the newest word is; None before the first."""
        return None if self._heard is None else max(0.0, self._clock.monotonic_s() - self._heard.at_s)

    def is_silent(self) -> bool:
        """Whether the daemon has said nothing for too long."""
        age_s = self.age_s()
        return age_s is None or age_s > SILENT_S

    async def snapshots(self) -> AsyncIterator[Heard]:
        """Yield the newest word now and whenever there is a newer one; those that come in between are left out."""
        seen: Heard | None = None
        while not self._ended.is_set():
            news = self._news
            if self._heard is not None and self._heard is not seen:
                seen = self._heard
                yield seen
            else:
                await news.wait()

    @contextmanager
    def seat(self, most: int) -> Iterator[bool]:
        """Take a seat among those who listen; False where all of them are taken."""
        is_free = self._streams < most
        self._streams += is_free
        try:
            yield is_free
        finally:
            self._streams -= is_free

    async def command(self, command: Command) -> Answer:
        """Ask the daemon for something; a Stop waits behind nothing. Raises DaemonSilent."""
        pool = self._stops if command.verb in _STOPS else self._others
        return await self._ask(pool, lambda daemon: daemon.command(command))

    async def decision(self, request: dict[str, Any]) -> Answer:
        """Have decisions recorded. Raises DaemonSilent."""
        return await self._ask(self._others, lambda daemon: daemon.decision(request))

    async def step(self, asked: dict[str, Any]) -> Answer:
        """Have something of the commissioning done. Raises DaemonSilent."""
        return await self._ask(self._others, lambda daemon: daemon.step(asked))

    async def _ask(self, pool: ThreadPoolExecutor, ask: Callable[[LocalClient], _Got]) -> _Got:
        try:
            return await asyncio.get_running_loop().run_in_executor(pool, self._asked, ask)
        except LocalSocketFault as fault:
            code = fault.code.replace("socket.", "daemon.") if isinstance(fault, _HEARD) else "daemon.silent"
            raise DaemonSilent(code, str(fault)) from None

    def _asked(self, ask: Callable[[LocalClient], _Got]) -> _Got:
        with LocalClient(self._path, _ANSWER_S) as daemon:
            return ask(daemon)

    def _follow(self, loop: asyncio.AbstractEventLoop) -> None:
        while not self._ended.is_set():
            try:
                with LocalClient(self._path, _TIMEOUT_S) as daemon:
                    for snapshot in daemon.snapshots():
                        text = json.dumps(asdict(snapshot), separators=(",", ":"))
                        self._heard = Heard(snapshot, text, self._clock.monotonic_s())
                        if self._ended.is_set():
                            return
                        loop.call_soon_threadsafe(self._tell)
            except LocalSocketFault:
                self._ended.wait(_RETRY_S)
            except RuntimeError:  # the loop is closed
                return

    def _tell(self) -> None:
        news, self._news = self._news, asyncio.Event()
        news.set()
