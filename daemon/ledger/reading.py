"""Reading ledger.db beside its writer: short read-only transactions, and rows back as the evidence they were."""

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from daemon.ledger.errors import LedgerDamaged, LedgerMissing, LedgerUnwritable, sqlite_code
from daemon.ledger.tables import FIELDS, named

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Stamped(Generic[T]):
    """A row of evidence with its place in the record."""

    seq: int
    at_ms: int
    """Milliseconds since 1970-01-01 UTC."""
    trusted: bool
    """Whether the clock was trusted when the row was stamped."""
    row: T


@contextmanager
def reading(path: Path) -> Iterator[sqlite3.Connection]:
    """Open the ledger read-only, for one transaction that sees one moment of it.

    Raises LedgerMissing when there is none, LedgerDamaged when it cannot be read as one, and LedgerUnwritable when the
    disk fails.
    """
    if not path.exists():
        raise LedgerMissing(f"{path}: got no file, expected a ledger; start the daemon once, or name another file")
    try:
        place = f"{path.absolute().as_uri()}?mode=ro"
        with closing(sqlite3.connect(place, uri=True, isolation_level=None)) as connection:
            connection.execute("PRAGMA busy_timeout=5000")
            # Bytes that are not UTF-8 come back as text that no row may hold, so that damage is named by its row.
            connection.text_factory = lambda raw: raw.decode(errors="surrogateescape")
            connection.execute("BEGIN")
            yield connection
    except sqlite3.DatabaseError as problem:
        damage = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
        if sqlite_code(problem) in damage:
            raise LedgerDamaged(
                f"{path}: got a file that does not read as a ledger of this release ({problem}); "
                "the daemon upgrades an older one when it starts"
            ) from problem
        raise LedgerUnwritable(f"{path}: could not read the ledger ({problem}); see to the disk") from problem


def evidence(
    connection: sqlite3.Connection, kind: type[T], where: str = "", parameters: tuple[str | int, ...] = ()
) -> tuple[Stamped[T], ...]:
    """Return the rows of one class of evidence; `where` is the rest of the statement, in order of `seq` by default.

    In `where` the table goes by the name `t`.
    """
    types = FIELDS[kind]
    names = ", ".join(f't."{name}"' for name in ("seq", "at_ms", "trusted", *types))
    rest = where if "ORDER BY" in where else f"{where} ORDER BY t.seq"
    found = connection.execute(f"SELECT {names} FROM {named(kind)} t {rest}", parameters)
    return tuple(
        Stamped(seq, at_ms, bool(trusted), kind(*_typed(values, types.values())))
        for seq, at_ms, trusted, *values in found
    )


def _typed(values: Iterable[Any], types: Iterable[type[Any]]) -> Iterator[Any]:
    """Return what SQLite gave with 0 and 1 as the truth values they stand for."""
    return (bool(value) if type_ is bool else value for value, type_ in zip(values, types, strict=True))
