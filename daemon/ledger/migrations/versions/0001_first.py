"""The first ledger: the chain, the birth, decisions, every class of evidence. A released migration is never edited."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String(), nullable=False) for name in names]


def _whole(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, WHOLE, nullable=False, autoincrement=False) for name in names]


def _truth(*names: str) -> list[sa.Column[bool]]:
    return [sa.Column(name, sa.Boolean(), nullable=False) for name in names]


def _checks(table: str, **checks: str) -> list[sa.CheckConstraint]:
    return [sa.CheckConstraint(rule, name=op.f(f"ck_{table}_{column}")) for column, rule in checks.items()]


def _not_empty(table: str, *columns: str) -> list[sa.CheckConstraint]:
    return _checks(table, **{column: f"{column} <> ''" for column in columns})


def _never_negative(table: str, *columns: str) -> list[sa.CheckConstraint]:
    return _checks(table, **{column: f"{column} >= 0" for column in columns})


def _evidence(
    table: str,
    *parts: list[sa.Column[str]] | list[sa.Column[int]] | list[sa.Column[bool]] | list[sa.CheckConstraint],
    index: str = "",
    unique: str = "",
) -> None:
    """Make one table of sealed rows, with its index and its unique column."""
    columns = [part for listed in parts for part in listed]
    op.create_table(
        table,
        *_whole("seq", "at_ms"),
        *_truth("trusted"),
        *columns,
        sa.ForeignKeyConstraint(["seq"], ["seal.seq"], name=op.f(f"fk_{table}_seq")),
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{table}")),
        *([sa.UniqueConstraint(unique, name=op.f(f"uq_{table}_{unique}"))] if unique else []),
    )
    if index:
        op.create_index(op.f(f"ix_{table}_{index}"), table, [index])


def upgrade() -> None:
    """Make the tables, then close them to all but new rows."""
    _make_chain()
    _make_run_evidence()
    _make_plant_evidence()
    _make_append_only()


def _make_chain() -> None:
    op.create_table(
        "seal",
        *_whole("seq"),
        *_text("kind", "digest"),
        *_not_empty("seal", "kind"),
        *_checks("seal", digest="length(digest) = 64"),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_seal")),
        sa.UniqueConstraint("digest", name=op.f("uq_seal_digest")),
    )
    _evidence(
        "meta",
        _text("born", "site_digest"),
        _checks("meta", first="seq = 1", born="born IN ('real', 'simulated')"),
    )
    op.create_table(
        "decision",
        *_text("kind", "key"),
        *_whole("version", "seq", "at_ms"),
        *_truth("trusted"),
        *_text("body", "who"),
        *_not_empty("decision", "kind", "key", "who"),
        *_checks("decision", version="version >= 1"),
        sa.ForeignKeyConstraint(["seq"], ["seal.seq"], name=op.f("fk_decision_seq")),
        sa.PrimaryKeyConstraint("kind", "key", "version", name=op.f("pk_decision")),
        sa.UniqueConstraint("seq", name=op.f("uq_decision_seq")),
    )


def _make_run_evidence() -> None:
    _evidence(
        "run_started",
        _text("run", "shift", "site_digest", "recipe"),
        _not_empty("run_started", "run"),
        unique="run",
    )
    _evidence(
        "phase_ended",
        _text("run", "phase"),
        _whole("duration_ms", "water_ml", "stock_ml"),
        _text("why"),
        _not_empty("phase_ended", "run", "phase"),
        _never_negative("phase_ended", "duration_ms", "water_ml", "stock_ml"),
        index="run",
    )
    _evidence(
        "injection_intent",
        _text("run", "channel", "stock", "batch"),
        _whole("reserved_ml", "owed_ml"),
        _text("nutrients_ug_ml"),
        _not_empty("injection_intent", "run", "channel"),
        _never_negative("injection_intent", "reserved_ml", "owed_ml"),
        index="run",
    )
    _evidence(
        "checkpoint",
        _text("run", "channel", "phase"),
        _whole("water_ml", "stock_ml", "water_count_ml", "stock_count_ml"),
        _not_empty("checkpoint", "run"),
        _never_negative("checkpoint", "water_ml", "stock_ml"),
        index="run",
    )
    _evidence(
        "dose",
        _text("run", "block", "channel", "nutrient", "estimate", "basis"),
        _whole("planned_mg", "injected_mg", "delivered_mg", "in_lines_mg", "lost_mg"),
        _whole("u_injected_mg", "u_delivered_mg"),
        _not_empty("dose", "run", "block", "channel", "nutrient"),
        _checks("dose", estimate="estimate IN ('METER', 'EC', 'TANK')", basis="basis IN ('measured', 'estimated')"),
        _never_negative("dose", "planned_mg", "u_injected_mg", "u_delivered_mg"),
        index="run",
    )
    _evidence(
        "run_ended",
        _text("run", "state", "outcome", "why"),
        _whole("water_ml", "duration_ms"),
        _not_empty("run_ended", "run"),
        _checks("run_ended", outcome="outcome IN ('DELIVERED', 'SHORT', 'OVER', 'NOT_RUN')"),
        _never_negative("run_ended", "water_ml", "duration_ms"),
        unique="run",
    )


def _make_plant_evidence() -> None:
    _evidence(
        "flush_owed",
        _text("segment", "stock", "run"),
        _whole("owed_ml"),
        _not_empty("flush_owed", "segment"),
        _never_negative("flush_owed", "owed_ml"),
        index="segment",
    )
    _evidence(
        "flush_cleared",
        _text("segment", "stock"),
        _whole("water_ml"),
        _text("why"),
        _not_empty("flush_cleared", "segment"),
        _never_negative("flush_cleared", "water_ml"),
        index="segment",
    )
    _evidence(
        "alarm_raised", _text("code", "effect"), _truth("latched"), _not_empty("alarm_raised", "code"), index="code"
    )
    _evidence("alarm_cleared", _text("code"), _not_empty("alarm_cleared", "code"), index="code")
    _evidence(
        "command_answered",
        _text("command", "who", "role", "verb", "arguments"),
        _truth("accepted"),
        _text("reason"),
        index="command",
    )
    _evidence(
        "unscheduled",
        _text("channel"),
        _whole("volume_ml"),
        _text("basis", "why"),
        _not_empty("unscheduled", "channel"),
        _checks("unscheduled", basis="basis IN ('measured', 'estimated')"),
    )
    _evidence("event", _text("code", "detail"), _not_empty("event", "code"), index="code")


def _make_append_only() -> None:
    """Refuse UPDATE and DELETE on everything sealed.

    PostgreSQL would say it with rights, which bind every client: REVOKE UPDATE, DELETE, TRUNCATE on these tables from
    the role that the daemon uses, with the tables owned by another. SQLite has no rights, hence triggers. A batch
    rewrite of a table drops its triggers: a migration that makes one makes them again.
    """
    bind = op.get_bind()
    if bind.dialect.name != "sqlite":
        return
    for table in sorted(set(sa.inspect(bind).get_table_names()) - {"alembic_version"}):
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER no_{verb.lower()}_{table} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
