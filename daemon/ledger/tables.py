"""The tables of ledger.db: one typed table for each class of evidence, the seals over them, decisions, and the birth.

A class of evidence and its table have the same field names, so that rows go from one to the other by name alone.
Quantities are whole numbers of small units (the unit is in the name); `at_ms` is milliseconds since 1970-01-01 UTC and
`trusted` tells whether the clock was trusted when the row was stamped. Constraints mean the same on SQLite and on
PostgreSQL. Rows are append-only; the migration adds the triggers that refuse all else.
"""

import re
from collections.abc import Mapping
from typing import Annotated, Any, get_args, get_type_hints

from sqlalchemy import BigInteger, CheckConstraint, Index, Integer, MetaData, Table, UniqueConstraint
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import registry
from sqlalchemy.types import TypeDecorator, TypeEngine
from sqlmodel import Field, SQLModel

from daemon.evidence import Evidence

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
"""Names of constraints, so that a later migration can name what it drops."""

EVIDENCE: tuple[type[Any], ...] = get_args(Evidence)
"""Every class of evidence, in the order of daemon/evidence.py."""


class WholeNumber(TypeDecorator[int]):
    """A 64-bit whole number. A night's water passes 2^31 mL; SQLite's INTEGER has 64 bits and makes a faster key."""

    impl = BigInteger
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """Return INTEGER on SQLite, BIGINT elsewhere."""
        return dialect.type_descriptor(Integer() if dialect.name == "sqlite" else BigInteger())


Whole = Annotated[int, Field(sa_type=WholeNumber)]
Indexed = Annotated[str, Field(index=True)]


def named(kind: type[Any]) -> str:
    """Return the name of the table of a class of evidence: RunStarted is kept in run_started."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", "_", kind.__name__).lower()


FIELDS: Mapping[type[Any], Mapping[str, type[Any]]] = {kind: get_type_hints(kind) for kind in EVIDENCE}
"""The fields of every class of evidence with their types, in order."""


def _never_negative(*columns: str) -> tuple[CheckConstraint, ...]:
    return tuple(CheckConstraint(f"{column} >= 0", name=column) for column in columns)


def _one_of(column: str, *words: str) -> CheckConstraint:
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=column)


def _not_empty(*columns: str) -> tuple[CheckConstraint, ...]:
    return tuple(CheckConstraint(f"{column} <> ''", name=column) for column in columns)


class LedgerTable(SQLModel, registry=registry(metadata=MetaData(naming_convention=NAMING))):
    """Base of the ledger's tables, with a metadata of their own: access.db is none of theirs."""


class Seal(LedgerTable, table=True):
    """The chain: one seal for each row of evidence, gap-free from 1."""

    __tablename__ = "seal"
    __table_args__ = (*_not_empty("kind"), CheckConstraint("length(digest) = 64", name="digest"))

    seq: int = Field(primary_key=True, sa_type=WholeNumber, sa_column_kwargs={"autoincrement": False})
    kind: str
    """Name of the table that holds the row."""
    digest: str


class SealedTable(LedgerTable):
    """Base of all that is sealed."""

    seq: int = Field(
        primary_key=True, sa_type=WholeNumber, foreign_key="seal.seq", sa_column_kwargs={"autoincrement": False}
    )
    at_ms: Whole
    trusted: bool


class Meta(SealedTable, table=True):
    """How the ledger was born: the one row that comes first in its chain."""

    __tablename__ = "meta"
    __table_args__ = (CheckConstraint("seq = 1", name="first"), _one_of("born", "real", "simulated"))

    born: str
    site_digest: str
    """Digest of the site file at the birth."""


class DecisionRow(LedgerTable, table=True):
    """One version of what somebody decided."""

    __tablename__ = "decision"
    __table_args__ = (
        UniqueConstraint("seq"),
        *_not_empty("kind", "key", "who"),
        CheckConstraint("version >= 1", name="version"),
    )

    kind: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    version: int = Field(primary_key=True, sa_type=WholeNumber, sa_column_kwargs={"autoincrement": False})
    seq: int = Field(sa_type=WholeNumber, foreign_key="seal.seq")
    at_ms: Whole
    trusted: bool
    body: str
    """The decision as JSON."""
    who: str


class RunStartedRow(SealedTable, table=True):
    """daemon.evidence.RunStarted."""

    __tablename__ = "run_started"
    __table_args__ = (*_not_empty("run"), Index(None, "at_ms"))

    run: str = Field(unique=True)
    shift: str
    site_digest: str
    recipe: str


class PhaseEndedRow(SealedTable, table=True):
    """daemon.evidence.PhaseEnded."""

    __tablename__ = "phase_ended"
    __table_args__ = (*_not_empty("run", "phase"), *_never_negative("duration_ms", "water_ml", "stock_ml"))

    run: Indexed
    phase: str
    duration_ms: Whole
    water_ml: Whole
    stock_ml: Whole
    why: str


class InjectionIntentRow(SealedTable, table=True):
    """daemon.evidence.InjectionIntent."""

    __tablename__ = "injection_intent"
    __table_args__ = (*_not_empty("run", "channel"), *_never_negative("reserved_ml", "owed_ml"))

    run: Indexed
    channel: str
    stock: str
    batch: str
    reserved_ml: Whole
    owed_ml: Whole
    nutrients_ug_ml: str


class CheckpointRow(SealedTable, table=True):
    """daemon.evidence.Checkpoint."""

    __tablename__ = "checkpoint"
    __table_args__ = (*_not_empty("run"), *_never_negative("water_ml", "stock_ml"))

    run: str
    """Without an index: they are most rows of a night, and those of a run lie between its start and its end."""
    channel: str
    phase: str
    water_ml: Whole
    stock_ml: Whole
    water_count_ml: Whole
    stock_count_ml: Whole


class DoseRow(SealedTable, table=True):
    """daemon.evidence.Dose. An estimate may fall under nothing by its noise; its uncertainty may not."""

    __tablename__ = "dose"
    __table_args__ = (
        *_not_empty("run", "block", "channel", "nutrient"),
        _one_of("estimate", "METER", "EC", "TANK"),
        _one_of("basis", "measured", "estimated"),
        *_never_negative("planned_mg", "u_injected_mg", "u_delivered_mg"),
    )

    run: Indexed
    block: str
    channel: str
    nutrient: str
    estimate: str
    basis: str
    planned_mg: Whole
    injected_mg: Whole
    delivered_mg: Whole
    in_lines_mg: Whole
    lost_mg: Whole
    u_injected_mg: Whole
    u_delivered_mg: Whole


class DoseReconciledRow(SealedTable, table=True):
    """daemon.evidence.DoseReconciled."""

    __tablename__ = "dose_reconciled"
    __table_args__ = (
        *_not_empty("run", "channel", "causes", "beside"),
        *_never_negative("meter_ml", "u_meter_ml", "u_tank_ml", "u_ec_ml", "u_dose_ml"),
    )

    run: Indexed
    channel: str
    meter_ml: Whole
    u_meter_ml: Whole
    tank_ml: Whole
    u_tank_ml: Whole
    ec_ml: Whole
    u_ec_ml: Whole
    dose_ml: Whole
    u_dose_ml: Whole
    volume_en_thousandths: Whole
    strength_en_thousandths: Whole
    tank_silent: str
    ec_silent: str
    causes: str
    beside: str


class DoseRestatedRow(SealedTable, table=True):
    """daemon.evidence.DoseRestated."""

    __tablename__ = "dose_restated"
    __table_args__ = (
        *_not_empty("run", "block", "channel", "nutrient", "mix", "why", "who"),
        _one_of("estimate", "METER", "TANK"),
        _one_of("basis", "measured", "estimated"),
        *_never_negative("planned_mg", "u_injected_mg", "u_delivered_mg"),
    )

    run: Indexed
    block: str
    channel: str
    nutrient: str
    estimate: str
    basis: str
    planned_mg: Whole
    injected_mg: Whole
    delivered_mg: Whole
    in_lines_mg: Whole
    lost_mg: Whole
    u_injected_mg: Whole
    u_delivered_mg: Whole
    mix: str
    why: str
    who: str


class FlushOwedRow(SealedTable, table=True):
    """daemon.evidence.FlushOwed."""

    __tablename__ = "flush_owed"
    __table_args__ = (*_not_empty("segment"), *_never_negative("owed_ml"), Index(None, "segment", "stock"))

    segment: str
    stock: str
    run: str
    owed_ml: Whole


class FlushClearedRow(SealedTable, table=True):
    """daemon.evidence.FlushCleared."""

    __tablename__ = "flush_cleared"
    __table_args__ = (*_not_empty("segment"), *_never_negative("water_ml"), Index(None, "segment", "stock"))

    segment: str
    stock: str
    water_ml: Whole
    why: str


class AlarmRaisedRow(SealedTable, table=True):
    """daemon.evidence.AlarmRaised."""

    __tablename__ = "alarm_raised"
    __table_args__ = (*_not_empty("code"),)

    code: Indexed
    effect: str
    latched: bool


class AlarmClearedRow(SealedTable, table=True):
    """daemon.evidence.AlarmCleared."""

    __tablename__ = "alarm_cleared"
    __table_args__ = (*_not_empty("code"),)

    code: Indexed


class LeaseGrantedRow(SealedTable, table=True):
    """daemon.evidence.LeaseGranted."""

    __tablename__ = "lease_granted"
    __table_args__ = (
        *_not_empty("lease", "target", "who", "reason"),
        _one_of("kind", "force", "bypass"),
        CheckConstraint("seconds > 0", name="seconds"),
    )

    lease: Indexed
    kind: str
    target: str
    is_on: bool
    seconds: Whole
    who: str
    reason: str


class LeaseEndedRow(SealedTable, table=True):
    """daemon.evidence.LeaseEnded."""

    __tablename__ = "lease_ended"
    __table_args__ = (*_not_empty("lease", "target"),)

    lease: Indexed
    target: str
    why: str


class CommandAnsweredRow(SealedTable, table=True):
    """daemon.evidence.CommandAnswered. An id may come again once it has left the memory of recent ids."""

    __tablename__ = "command_answered"

    command: Indexed
    who: str
    role: str
    verb: str
    arguments: str
    accepted: bool
    reason: str


class UnscheduledRow(SealedTable, table=True):
    """daemon.evidence.Unscheduled."""

    __tablename__ = "unscheduled"
    __table_args__ = (*_not_empty("channel"), _one_of("basis", "measured", "estimated"))

    channel: str
    volume_ml: Whole
    basis: str
    why: str


class RunEndedRow(SealedTable, table=True):
    """daemon.evidence.RunEnded."""

    __tablename__ = "run_ended"
    __table_args__ = (
        *_not_empty("run"),
        _one_of("outcome", "DELIVERED", "SHORT", "OVER", "NOT_RUN"),
        *_never_negative("water_ml", "duration_ms"),
    )

    run: str = Field(unique=True)
    state: str
    outcome: str
    why: str
    water_ml: Whole
    duration_ms: Whole


class EventRow(SealedTable, table=True):
    """daemon.evidence.Event."""

    __tablename__ = "event"
    __table_args__ = (*_not_empty("code"),)

    code: Indexed
    detail: str


class StartClaimedRow(SealedTable, table=True):
    """daemon.evidence.StartClaimed. A start is claimed once: nothing runs twice in a night."""

    __tablename__ = "start_claimed"
    __table_args__ = (
        UniqueConstraint("timetable", "number", "night", "part"),
        *_not_empty("timetable", "night"),
        *_never_negative("number", "part"),
    )

    timetable: str
    number: Whole
    night: Indexed
    part: Whole
    due_ms: Whole
    programs: str
    command: str
    why: str


class NightPlannedRow(SealedTable, table=True):
    """daemon.evidence.NightPlanned."""

    __tablename__ = "night_planned"
    __table_args__ = (*_not_empty("night", "plan"),)

    night: Indexed
    why: str
    plan: str


class StepBegunRow(SealedTable, table=True):
    """daemon.evidence.StepBegun."""

    __tablename__ = "step_begun"
    __table_args__ = (*_not_empty("attempt", "step", "subject", "who"),)

    attempt: str = Field(unique=True)
    step: Indexed
    subject: str
    section: str
    who: str


class StepEnteredRow(SealedTable, table=True):
    """daemon.evidence.StepEntered."""

    __tablename__ = "step_entered"
    __table_args__ = (*_not_empty("attempt", "stage", "brought", "who"),)

    attempt: Indexed
    stage: str
    brought: str
    who: str


class StepTurnedRow(SealedTable, table=True):
    """daemon.evidence.StepTurned."""

    __tablename__ = "step_turned"
    __table_args__ = (*_not_empty("attempt", "why", "who"),)

    attempt: Indexed
    stage: str
    why: str
    who: str


class StepEndedRow(SealedTable, table=True):
    """daemon.evidence.StepEnded. An attempt ends once."""

    __tablename__ = "step_ended"
    __table_args__ = (*_not_empty("attempt", "who"), _one_of("state", "ACCEPTED", "ABORTED"))

    attempt: str = Field(unique=True)
    state: str
    verdict: str
    result: str
    why: str
    who: str


METADATA = LedgerTable.metadata
SEALED: dict[str, Table] = {name: table for name, table in METADATA.tables.items() if name != "seal"}
"""Every table whose rows are sealed, by name."""
