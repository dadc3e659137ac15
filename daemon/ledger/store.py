"""What the writer's thread does to the file: one batch, one transaction, and certainty about the one before."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from sqlalchemy.engine import Connection
from sqlalchemy.exc import IntegrityError

from daemon.ledger.batch import Head, Unit, done_before, insert_sealed, read_head, stand_in
from daemon.ledger.errors import LedgerDamaged, LedgerDone, LedgerError, LedgerRow, LedgerVersion
from daemon.ledger.migrate import immediate_engine

PRAGMAS = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", "busy_timeout=5000")


@dataclass(frozen=True, slots=True)
class Committed:
    """A batch that is durable."""

    head: Head
    fates: tuple[tuple[int, ...] | LedgerError, ...]
    """For each unit the versions that its decisions got, or why nothing of it is stored."""
    refused: str
    """The first row that was kept as an event because its table would not take it; empty when none was."""


class Store:
    """One connection that seals and commits. Belongs to one thread; opens itself again after every failure."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._engine = immediate_engine(path, PRAGMAS)
        self._connection: Connection | None = None
        self._head: Head | None = None
        self._doubtful: Committed | None = None

    @property
    def in_doubt(self) -> bool:
        """Whether the last batch may be durable although its commit failed: it must come again unchanged."""
        return self._doubtful is not None

    def commit(self, batch: Sequence[Unit]) -> Committed:
        """Make a batch durable in one transaction with its seals.

        Evidence is always stored, what a record command brings whole or not at all. Raises what SQLAlchemy raises when
        the disk will not have it, and LedgerDamaged when the chain in the file does not end where this store left it;
        then nothing of the batch is in the file, or `in_doubt` is True.
        """
        if self._doubtful is not None and (settled := self._settle(self._doubtful)):
            return settled
        try:
            return self._insert(batch)
        except Exception:
            # The same connection answers first: on a full disk a new one could not be had.
            if self._doubtful is None:
                self._drop_connection()
            elif settled := self._settle(self._doubtful):
                return settled
            raise

    def close(self) -> None:
        """Close the file."""
        self._drop_connection()
        self._engine.dispose()

    def _insert(self, batch: Sequence[Unit]) -> Committed:
        connection = self._connected()
        try:
            return self._insert_all(connection, batch)
        except (IntegrityError, LedgerRow, LedgerVersion, LedgerDone):
            return self._insert_one_by_one(connection, batch)

    def _insert_all(self, connection: Connection, batch: Sequence[Unit]) -> Committed:
        with connection.begin():
            head = self._end(connection)
            commands = [unit.command for unit in batch if unit.command]
            if len(set(commands)) < len(commands):
                raise LedgerDone("twice in one batch")
            for unit in batch:
                _check_new(connection, unit)
            rows = [columns for unit in batch for columns in unit.rows]
            head, versions = insert_sealed(connection, head, rows)
            given = iter(versions)
            fates = tuple(_versions(islice(given, len(unit.rows))) for unit in batch)
            refused = next((columns.refused for columns in rows if columns.refused), "")
            # From here on only the commit itself can fail, and then it may have been done all the same.
            self._doubtful = Committed(head, fates, refused)
        return self._certain(self._doubtful)

    def _insert_one_by_one(self, connection: Connection, batch: Sequence[Unit]) -> Committed:
        """Find the units that cannot be stored, so that the rest is not held up for ever.

        Evidence that no table takes is kept as an event; of a record command that is refused nothing is kept.
        """
        with connection.begin():
            head = self._end(connection)
            fates: list[tuple[int, ...] | LedgerError] = []
            refused = ""
            for unit in batch:
                try:
                    with connection.begin_nested():
                        _check_new(connection, unit)
                        head, versions = insert_sealed(connection, head, unit.rows)
                    fates.append(_versions(versions))
                    refused = refused or next((columns.refused for columns in unit.rows if columns.refused), "")
                except (IntegrityError, LedgerRow, LedgerVersion, LedgerDone) as problem:
                    why = problem.orig if isinstance(problem, IntegrityError) else problem
                    if unit.command is None:
                        kept = [stand_in(columns, str(why)) for columns in unit.rows]
                        head, _ = insert_sealed(connection, head, kept)
                        refused = refused or kept[0].refused
                        fates.append(())
                    elif isinstance(problem, LedgerError):
                        fates.append(problem)
                    else:
                        fates.append(LedgerRow(f"nothing is recorded: {why}"))
            self._doubtful = Committed(head, tuple(fates), refused)
        return self._certain(self._doubtful)

    def _end(self, connection: Connection) -> Head:
        """Return the end of the chain to seal onto, having made sure that nobody else has written."""
        found = read_head(connection)
        if self._head is not None and found != self._head:
            raise LedgerDamaged(
                f"{self._path}: got a chain that ends at row {found.seq}, expected row {self._head.seq}; "
                "another program writes this file, or it was put back: stop the daemon and find out which"
            )
        self._head = found
        return found

    def _settle(self, doubtful: Committed) -> Committed | None:
        """Find out whether a batch whose commit failed is in the file after all."""
        connection = self._connected()
        try:
            with connection.begin():
                if read_head(connection) == doubtful.head:
                    return self._certain(doubtful)
                self._end(connection)
        except Exception:
            self._drop_connection()
            raise
        self._doubtful = None
        return None

    def _certain(self, committed: Committed) -> Committed:
        self._head = committed.head
        self._doubtful = None
        return committed

    def _connected(self) -> Connection:
        if self._connection is None:
            self._connection = self._engine.connect()
        return self._connection

    def _drop_connection(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None


def _versions(given: Iterable[int | None]) -> tuple[int, ...]:
    """Return those of decisions."""
    return tuple(version for version in given if version is not None)


def _check_new(connection: Connection, unit: Unit) -> None:
    """Raise LedgerDone for a record command that was done before."""
    done = done_before(connection, unit.command) if unit.command else None
    if done is not None:
        raise done
