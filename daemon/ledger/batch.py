"""Rows on their way into the ledger: from evidence to columns, and one batch with its seals into one transaction."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, insert, select
from sqlalchemy.engine import Connection
from sqlmodel import col

from daemon.clock import UtcStamp
from daemon.evidence import Event, Evidence
from daemon.ledger.chain import GENESIS, seal_of
from daemon.ledger.errors import LedgerRow
from daemon.ledger.tables import FIELDS, SEALED, DecisionRow, Seal, named

REFUSED = "ledger_row_refused"
"""Code of the event that keeps what a table would not take."""

# Made once: to build a statement and find its compiled form costs as much as to execute it.
_NEWEST = select(col(Seal.seq), col(Seal.digest)).order_by(col(Seal.seq).desc()).limit(1)
_INSERT_SEAL = insert(Seal)
_INSERT = {kind: insert(table) for kind, table in SEALED.items()}

Value = int | str
"""What a column holds; a truth value is a whole number that Python calls bool."""


@dataclass(frozen=True, slots=True)
class Head:
    """The end of the chain."""

    seq: int
    digest: str


@dataclass(frozen=True, slots=True)
class Columns:
    """One row for the table `kind`, without its place in the chain."""

    kind: str
    values: Mapping[str, Value]
    refused: str = ""
    """Why this stands in for the row that was given; empty for the row itself."""


def columns_of(row: Evidence, stamp: UtcStamp) -> Columns:
    """Return a row of evidence as columns.

    Never raises: a row of wrong types is kept as an event that tells it whole, and `refused` says so.
    """
    given = {name: getattr(row, name) for name in FIELDS[type(row)]}
    columns = Columns(named(type(row)), {"at_ms": stamp.ms, "trusted": stamp.trusted} | _writable(given))
    wrong = _wrong_types(type(row), columns.values)
    return stand_in(columns, wrong) if wrong else columns


def decision_columns(kind: str, key: str, body_json: str, who: str, stamp: UtcStamp) -> Columns:
    """Return a decision as columns; its version is found when it is committed.

    Raises LedgerRow for an empty name and for a body that is not JSON.
    """
    try:
        json.loads(body_json)
    except ValueError as problem:
        raise LedgerRow(f"decision {kind} {key}: got a body that is not JSON ({problem}), expected JSON") from problem
    if not (kind and key and who):
        raise LedgerRow(f"got kind {kind!r}, key {key!r}, who {who!r}, expected none of them empty")
    texts = _writable({"kind": kind, "key": key, "body": body_json, "who": who})
    return Columns(DecisionRow.__tablename__, {"at_ms": stamp.ms, "trusted": stamp.trusted} | texts)


def stand_in(columns: Columns, why: str) -> Columns:
    """Return the event that keeps a refused row: evidence is never dropped, and never stops what comes after it."""
    told = json.dumps(columns.values, sort_keys=True, default=repr)
    event = Event(REFUSED, f"{columns.kind}: {why}: {told}")
    place = {name: columns.values[name] for name in ("at_ms", "trusted")}
    values = place | {name: getattr(event, name) for name in FIELDS[Event]}
    return Columns(named(Event), values, refused=f"{columns.kind}: {why}")


def read_head(connection: Connection) -> Head:
    """Return the end of the chain as the file has it."""
    found = connection.execute(_NEWEST).one_or_none()
    return Head(found.seq, found.digest) if found else Head(0, GENESIS)


def insert_sealed(connection: Connection, head: Head, batch: Sequence[Columns]) -> tuple[Head, list[int | None]]:
    """Seal a batch onto `head` and insert it in the transaction that runs.

    Returns the new head and, for each row, its version if it is a decision. Raises LedgerRow or
    sqlalchemy.exc.IntegrityError when a row is none that its table takes.
    """
    seals: list[dict[str, Value]] = []
    by_kind: dict[str, list[dict[str, Value]]] = {}
    versions: list[int | None] = []
    latest: dict[tuple[Value, Value], int] = {}
    for columns in batch:
        content = dict(columns.values)
        if columns.kind == DecisionRow.__tablename__:
            name = (content["kind"], content["key"])
            latest[name] = 1 + (latest[name] if name in latest else _latest_version(connection, *name))
            content["version"] = latest[name]
            versions.append(latest[name])
        else:
            versions.append(None)
        head = Head(head.seq + 1, seal_of(head.digest, head.seq + 1, columns.kind, content))
        seals.append({"seq": head.seq, "kind": columns.kind, "digest": head.digest})
        by_kind.setdefault(columns.kind, []).append(content | {"seq": head.seq})
    connection.execute(_INSERT_SEAL, seals)
    for kind, rows in by_kind.items():
        connection.execute(_INSERT[kind], rows)
    return head, versions


def _latest_version(connection: Connection, kind: Value, key: Value) -> int:
    highest = select(func.max(col(DecisionRow.version))).where(
        col(DecisionRow.kind) == kind, col(DecisionRow.key) == key
    )
    return connection.execute(highest).scalar_one() or 0


def _writable(given: Mapping[str, Value]) -> dict[str, Value]:
    """Return the values with a question mark for what no database text holds: half a surrogate pair, and NUL.

    Such text comes from outside (a name, a reason) and must not stop the record.
    """
    return {
        name: value.encode(errors="replace").decode().replace("\0", "?") if isinstance(value, str) else value
        for name, value in given.items()
    }


def _wrong_types(kind: type[Any], values: Mapping[str, Value]) -> str:
    """Return which value is of another type than its field, or an empty string."""
    for name, expected in FIELDS[kind].items():
        value = values[name]
        if type(value) is not expected:
            return f"{name}: got {type(value).__name__}, expected {expected.__name__}"
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            return f"{name}: got a number that 64 bits do not hold"
    return ""
