"""Starts that are claimed once, and the plan of each night. A released migration is never edited."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String(), nullable=False) for name in names]


def _whole(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, WHOLE, nullable=False, autoincrement=False) for name in names]


def _check(table: str, column: str, rule: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(f"{column} {rule}", name=op.f(f"ck_{table}_{column}"))


def _create(table: str, *parts: sa.Column[int] | sa.Column[str] | sa.Constraint) -> None:
    op.create_table(
        table,
        *_whole("seq", "at_ms"),
        sa.Column("trusted", sa.Boolean(), nullable=False),
        *parts,
        sa.ForeignKeyConstraint(["seq"], ["seal.seq"], name=op.f(f"fk_{table}_seq")),
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{table}")),
    )
    op.create_index(op.f(f"ix_{table}_night"), table, ["night"])
    if op.get_bind().dialect.name == "sqlite":  # PostgreSQL says it with rights, as in 0001
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER no_{verb.lower()}_{table} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )


def upgrade() -> None:
    """Make the tables, closed to all but new rows."""
    table = "start_claimed"
    _create(
        table,
        *_text("timetable"),
        *_whole("number"),
        *_text("night"),
        *_whole("part", "due_ms"),
        *_text("programs", "command", "why"),
        *(_check(table, column, "<> ''") for column in ("timetable", "night")),
        *(_check(table, column, ">= 0") for column in ("number", "part")),
        sa.UniqueConstraint(
            "timetable", "number", "night", "part", name=op.f(f"uq_{table}_timetable_number_night_part")
        ),
    )
    table = "night_planned"
    _create(table, *_text("night", "why", "plan"), *(_check(table, column, "<> ''") for column in ("night", "plan")))


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
