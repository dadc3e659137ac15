"""The whole record as it lies in the file: every seal with its row, in order."""

import heapq
import sqlite3
from collections.abc import Iterator, Mapping

from sqlalchemy import Boolean

from daemon.ledger.chain import SealedRow
from daemon.ledger.tables import SEALED


def sealed_rows(connection: sqlite3.Connection) -> Iterator[SealedRow]:
    """Pair every seal with its row, and give the seals without a row and the rows without a seal as such."""
    # NOT INDEXED: the rows as they lie in the tables, and not what an index remembers of them.
    seals = connection.execute("SELECT seq, kind, digest FROM seal NOT INDEXED ORDER BY seq")
    # An older ledger lacks the newest tables; one that was taken out of a newer ledger leaves its seals.
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    rows = heapq.merge(*(_rows_of(connection, name) for name in SEALED if name in tables), key=lambda found: found[0])
    ahead = next(rows, None)
    for seq, kind, digest in seals:
        while ahead is not None and ahead[0] < seq:
            yield SealedRow(ahead[0], ahead[1], None, ahead[2])
            ahead = next(rows, None)
        if ahead is None or ahead[:2] != (seq, kind):
            yield SealedRow(seq, kind, digest, None)
        else:
            yield SealedRow(seq, kind, digest, ahead[2])
            ahead = next(rows, None)
    while ahead is not None:
        yield SealedRow(ahead[0], ahead[1], None, ahead[2])
        ahead = next(rows, None)


def _rows_of(connection: sqlite3.Connection, name: str) -> Iterator[tuple[int, str, Mapping[str, object]]]:
    """Read the rows of one table with the types they have in the file; only 0 and 1 read as truth values."""
    columns = [column for column in SEALED[name].columns if column.name != "seq"]
    truths = {column.name for column in columns if isinstance(column.type, Boolean)}
    names = [column.name for column in columns]
    listed = ", ".join(f'"{column}"' for column in names)
    for seq, *values in connection.execute(f"SELECT seq, {listed} FROM {name} NOT INDEXED ORDER BY seq"):
        yield (
            seq if isinstance(seq, int) else 0,
            name,
            {
                column: bool(value) if column in truths and value in (0, 1) and isinstance(value, int) else value
                for column, value in zip(names, values, strict=True)
            },
        )
