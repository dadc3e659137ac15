"""What can go wrong with the ledger, each with a stable code. A message says what was got, expected, and what to do."""

# ruff: noqa: N818  (the names say what happened, in the trade's words, and `code` is what others match)

import sqlite3
from typing import ClassVar


class LedgerError(Exception):
    """Root of all ledger errors."""

    code: ClassVar[str] = "ledger"


class LedgerMissing(LedgerError):
    """There is no ledger where one was to be read."""

    code = "ledger.missing"


class LedgerNewer(LedgerError):
    """The ledger was written by a newer release; to write it would lose what that release knows."""

    code = "ledger.newer"


class LedgerKind(LedgerError):
    """A simulated run would write a real ledger, or a real run a simulated one."""

    code = "ledger.kind"


class LedgerDamaged(LedgerError):
    """The file is not a ledger, is torn, or is not the one this process wrote last."""

    code = "ledger.damaged"


class LedgerUnwritable(LedgerError):
    """The ledger cannot be written now: disk full, read-only, locked or too slow."""

    code = "ledger.unwritable"


class LedgerFull(LedgerError):
    """So many rows wait for a ledger that cannot be written that no more are taken."""

    code = "ledger.full"


class LedgerClosed(LedgerError):
    """Rows were given to a ledger after its close."""

    code = "ledger.closed"


class LedgerRow(LedgerError):
    """A row holds what no ledger row may hold: another type than its field's, or a value its table refuses."""

    code = "ledger.row"


class LedgerVersion(LedgerError):
    """Somebody else decided in the meantime: another version is there than was expected."""

    code = "ledger.version"


class LedgerDone(LedgerError):
    """A record command has been done before; the message is what it was answered then."""

    code = "ledger.done"


def sqlite_code(problem: sqlite3.Error) -> int:
    """Return SQLite's primary result code of an error; the driver's own errors have none and count as SQLITE_ERROR."""
    return getattr(problem, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
