"""Rows on their way into the ledger: from evidence and decisions to columns, and sealed into a transaction."""

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
from daemon.ledger.errors import LedgerDone, LedgerRow, LedgerVersion
from daemon.ledger.tables import FIELDS, SEALED, CommandAnsweredRow, DecisionRow, Seal, named
from daemon.messages import RECORD

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
    expected_version: int | None = None
    """Of a decision: the version that is there already, 0 for none; None where it does not matter."""


@dataclass(frozen=True, slots=True)
class NewDecision:
    """A decision to be recorded as one more version."""

    kind: str
    key: str
    body: str
    """As JSON."""
    expected_version: int | None = None
    """The version that is there already, 0 for none; None where it does not matter."""


@dataclass(frozen=True, slots=True)
class Unit:
    """Rows that are stored together or not at all: one row of evidence, or what one record command brings."""

    rows: tuple[Columns, ...]
    command: str | None = None
    """The record command's id, perhaps empty; None for evidence. A command with an id is done once."""


def columns_of(row: Evidence, stamp: UtcStamp) -> Columns:
    """Return a row of evidence as columns.

    Never raises: a row of wrong types is kept as an event that tells it whole, and `refused` says so.
    """
    given = {name: getattr(row, name) for name in FIELDS[type(row)]}
    columns = Columns(named(type(row)), {"at_ms": stamp.ms, "trusted": stamp.trusted} | _writable(given))
    wrong = _wrong_types(type(row), columns.values)
    return stand_in(columns, wrong) if wrong else columns


def record_unit(
    decisions: Sequence[NewDecision], rows: Sequence[Evidence], who: str, stamp: UtcStamp, command: str
) -> Unit:
    """Return decisions, and the evidence that goes with them, as one unit; versions are found when it is committed.

    Raises LedgerRow for an empty name, a body that is not JSON, and for evidence of wrong types.
    """
    unit = Unit(
        (*(_decision_columns(d, who, stamp) for d in decisions), *(columns_of(row, stamp) for row in rows)), command
    )
    refused = next((columns.refused for columns in unit.rows if columns.refused), "")
    if refused:
        raise LedgerRow(f"got a row that is none ({refused}), expected whole rows; nothing is recorded")
    return unit


def _decision_columns(decision: NewDecision, who: str, stamp: UtcStamp) -> Columns:
    kind, key, body = decision.kind, decision.key, decision.body
    try:
        json.loads(body)
    except ValueError as problem:
        raise LedgerRow(f"decision {kind} {key}: got a body that is not JSON ({problem}), expected JSON") from problem
    if not (kind and key and who):
        raise LedgerRow(f"got kind {kind!r}, key {key!r}, who {who!r}, expected none of them empty")
    texts = _writable({"kind": kind, "key": key, "body": body, "who": who})
    return Columns(
        DecisionRow.__tablename__,
        {"at_ms": stamp.ms, "trusted": stamp.trusted} | texts,
        expected_version=decision.expected_version,
    )


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
    sqlalchemy.exc.IntegrityError when a row is none that its table takes, LedgerVersion for a decision on another
    version than is there.
    """
    if not batch:
        return head, []
    seals: list[dict[str, Value]] = []
    by_kind: dict[str, list[dict[str, Value]]] = {}
    versions: list[int | None] = []
    latest: dict[tuple[Value, Value], int] = {}
    for columns in batch:
        content = dict(columns.values)
        if columns.kind == DecisionRow.__tablename__:
            name = (content["kind"], content["key"])
            before = latest[name] if name in latest else _latest_version(connection, *name)
            if columns.expected_version not in (None, before):
                raise _overtaken(connection, name, before, columns.expected_version)
            latest[name] = content["version"] = before + 1
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


def done_before(connection: Connection, command: str) -> LedgerDone | None:
    """Return what a record command of this id was answered when it was done; None for one that is new."""
    answered = select(col(CommandAnsweredRow.reason)).where(
        col(CommandAnsweredRow.command) == command, col(CommandAnsweredRow.verb) == RECORD
    )
    reason = connection.execute(answered.limit(1)).scalar_one_or_none()
    return None if reason is None else LedgerDone(reason)


def _latest_version(connection: Connection, kind: Value, key: Value) -> int:
    highest = select(func.max(col(DecisionRow.version))).where(
        col(DecisionRow.kind) == kind, col(DecisionRow.key) == key
    )
    return connection.execute(highest).scalar_one() or 0


def _overtaken(connection: Connection, name: tuple[Value, Value], there: int, expected: int | None) -> LedgerVersion:
    kind, key = name
    found = connection.execute(
        select(col(DecisionRow.who), col(DecisionRow.body)).where(
            col(DecisionRow.kind) == kind, col(DecisionRow.key) == key, col(DecisionRow.version) == there
        )
    ).one_or_none()
    got = f"version {there} by {found.who}: {found.body}" if found else "none yet"
    return LedgerVersion(
        f"decision {kind} {key}: got {got}; expected version {expected}. Look at it, then decide again: nothing is "
        "recorded"
    )


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
