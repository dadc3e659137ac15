"""Rows and ledgers for these tests."""

import resource
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from daemon.clock import UtcStamp, real_seconds
from daemon.evidence import Event, Evidence
from daemon.ledger.reading import evidence, reading
from daemon.ledger.tables import EVIDENCE, FIELDS, named
from daemon.ledger.writer import Ledger, open_ledger

WAIT_S = 20.0
_WORDS = {"kind": "force", "estimate": "METER", "basis": "measured", "outcome": "DELIVERED", "state": "ACCEPTED"}


def stamp(second: int = 0, trusted: bool = True) -> UtcStamp:
    """Return a moment of the demo's season."""
    return UtcStamp(datetime(2026, 11, 2, 20, 0, tzinfo=UTC) + timedelta(seconds=second), trusted)


def sample(kind: type[Any], n: int = 1) -> Any:
    """Return a row of any class of evidence, made from its fields alone."""
    values: dict[type[Any], Callable[[str], Any]] = {
        str: lambda name: _WORDS.get(name, f"{name} {named(kind)} {n}"),
        int: lambda name: n * 1000 + len(name),
        bool: lambda name: n % 2 == 1,
    }
    return kind(**{name: values[type_](name) for name, type_ in FIELDS[kind].items()})


def one_of_each(n: int = 1) -> list[Evidence]:
    """Return one row of every class of evidence."""
    return [sample(kind, n) for kind in EVIDENCE]


@contextmanager
def opened(path: Path, *, simulated: bool = True, notify: Callable[[], None] | None = None) -> Iterator[Ledger]:
    """Open a ledger on real time and close it whatever happens."""
    ledger = open_ledger(path, simulated=simulated, stamp=stamp(), now=real_seconds, notify=notify)
    try:
        yield ledger
    finally:
        ledger.close(WAIT_S)


def keep(ledger: Ledger, *rows: Evidence, second: int = 0) -> None:
    """Record rows and wait until they are durable."""
    assert ledger.wait_durable(ledger.submit(rows, stamp(second)), WAIT_S)


@contextmanager
def tampered(path: Path, copy: Path) -> Iterator[sqlite3.Connection]:
    """Copy a closed ledger and open the copy as a forger would: no triggers, no foreign keys, no checks."""
    shutil.copy(path, copy)
    with closing(sqlite3.connect(copy, isolation_level=None)) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("PRAGMA ignore_check_constraints=ON")
        yield connection


@contextmanager
def files_no_larger_than(size: int) -> Iterator[None]:
    """Let no file of this process grow past `size` bytes: what a full disk does, for root as well."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def events(path: Path) -> list[Event]:
    with reading(path) as connection:
        return [found.row for found in evidence(connection, Event)]


@contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold the file's write lock, as a shell or a backup would: a commit hangs."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def until_unwritable(ledger: Ledger) -> str:
    """Wait until the ledger says that it cannot be written, and return why."""
    end_s = real_seconds() + WAIT_S
    while (error := ledger.health().error) is None:
        assert real_seconds() < end_s
        ledger.wait_durable(10**9, 0.01)
    assert not ledger.health().writable
    return error
