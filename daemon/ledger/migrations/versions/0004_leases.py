"""Outputs that were forced and interlocks that were bypassed. A released migration is never edited."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
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
    op.create_index(op.f(f"ix_{table}_lease"), table, ["lease"])
    if op.get_bind().dialect.name == "sqlite":  # PostgreSQL says it with rights, as in 0001
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER no_{verb.lower()}_{table} BEFORE {verb} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            )


def upgrade() -> None:
    """Make the tables, closed to all but new rows."""
    table = "lease_granted"
    _create(
        table,
        *_text("lease", "kind", "target"),
        sa.Column("is_on", sa.Boolean(), nullable=False),
        *_whole("seconds"),
        *_text("who", "reason"),
        *(_check(table, column, "<> ''") for column in ("lease", "target", "who", "reason")),
        _check(table, "kind", "IN ('force', 'bypass')"),
        _check(table, "seconds", "> 0"),
    )
    table = "lease_ended"
    _create(
        table, *_text("lease", "target", "why"), *(_check(table, column, "<> ''") for column in ("lease", "target"))
    )


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
