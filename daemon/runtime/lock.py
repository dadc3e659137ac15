"""Invariant 12: two daemons never drive one plant. Whoever holds this lock drives it and writes its ledger."""

import contextlib
import errno
import fcntl
import hashlib
import os
import socket
from collections.abc import Iterable
from pathlib import Path
from typing import ClassVar

_MAX_NAME_BYTES = 108
"""What the kernel keeps for the name of a Unix socket; an abstract one spends the first byte on a zero."""


class PlantBusy(Exception):  # noqa: N818 - a state of the plant, not a mistake
    """Another process holds the plant; the message says what is held and what to do."""

    code: ClassVar[str] = "plant.busy"


class PlantLock:
    """A lock on a file beside the database and on every bus, held until `close` or the end of the process.

    The file guards the record, the buses guard the plant: a daemon with another database folder does not reach the same
    devices. Endpoints are compared as the site file writes them, without regard to case, and on this computer alone.
    Each is an abstract Unix socket, bound and never listening, which `ss -xap` shows with its process.

    The kernel keeps all of it, however the process dies, so a file left by a crash holds nothing; the pid inside is
    only for people. The file is never removed: a process waiting to lock a removed file would share the plant with one
    that made a new file. A forked child that executes no other program shares the lock and keeps it after its parent's
    death, so helpers are started as programs of their own.
    """

    def __init__(self, path: Path, endpoints: Iterable[str]) -> None:
        """Prepare; nothing is taken. `path` is the file, `endpoints` are the buses as host:port."""
        self._path = path
        self._endpoints = tuple(sorted({endpoint.lower() for endpoint in endpoints}))
        self._taken: contextlib.ExitStack | None = None

    def acquire(self) -> None:
        """Take the plant, at once and whole or not at all.

        Raises PlantBusy when somebody has the file or a bus (this process too), OSError when the file or a socket
        cannot be opened.
        """
        with contextlib.ExitStack() as taken:
            file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o660)
            taken.callback(os.close, file)
            self._lock_file(file)
            for endpoint in self._endpoints:
                self._take_bus(taken.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)), endpoint)
            os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
            self._taken = taken.pop_all()

    @property
    def held(self) -> bool:
        """Whether this object has the plant."""
        return self._taken is not None

    def close(self) -> None:
        """Give the plant back; closing twice does nothing."""
        if self._taken is not None:
            self._taken.close()
            self._taken = None

    def _lock_file(self, file: int) -> None:
        """Lock the open file and empty it. Raises PlantBusy when somebody has it."""
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise PlantBusy(
                f"{_holder(file)} drives this plant already ({self._path} is locked): send commands to it, "
                "or stop it first with `systemctl stop shiftwright`"
            ) from None
        os.ftruncate(file, 0)

    def _take_bus(self, bus: socket.socket, endpoint: str) -> None:
        """Bind the name of `endpoint`. Raises PlantBusy when somebody has it, OSError when it cannot be bound."""
        try:
            bus.bind(_bus_name(endpoint))
        except OSError as error:
            if error.errno != errno.EADDRINUSE:
                raise
            raise PlantBusy(
                f"another daemon, with another folder than {self._path.parent}, drives the bus {endpoint} already: "
                "send commands to it, or stop it first with `systemctl stop shiftwright` "
                "(`ss -xap | grep shiftwright/` shows its process), or correct the bus in the site file"
            ) from None


def _bus_name(endpoint: str) -> bytes:
    """Return the abstract name of an endpoint, its digest where the kernel would not take it whole."""
    name = b"\0shiftwright/" + endpoint.encode()
    if len(name) <= _MAX_NAME_BYTES:
        return name
    return b"\0shiftwright/" + hashlib.sha256(endpoint.encode()).hexdigest().encode()


def _holder(file: int) -> str:
    """Return who holds the lock in words; the pid is missing for a moment while its owner writes it."""
    pid = os.pread(file, 20, 0).strip()
    return f"process {int(pid)}" if pid.isdigit() else "another process"
