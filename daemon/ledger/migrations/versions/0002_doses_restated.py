"""Doses that are stated anew when a mix is corrected. A released migration is never edited."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

TABLE = "dose_restated"
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String(), nullable=False) for name in names]


def _whole(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, WHOLE, nullable=False, autoincrement=False) for name in names]


def _checks(**rules: str) -> list[sa.CheckConstraint]:
    return [sa.CheckConstraint(rule, name=op.f(f"ck_{TABLE}_{column}")) for column, rule in rules.items()]


def upgrade() -> None:
    """Make the table, closed to all but new rows."""
    not_empty = ("run", "block", "channel", "nutrient", "mix", "why", "who")
    never_negative = ("planned_mg", "u_injected_mg", "u_delivered_mg")
    op.create_table(
        TABLE,
        *_whole("seq", "at_ms"),
        sa.Column("trusted", sa.Boolean(), nullable=False),
        *_text("run", "block", "channel", "nutrient", "estimate", "basis"),
        *_whole("planned_mg", "injected_mg", "delivered_mg", "in_lines_mg", "lost_mg"),
        *_whole("u_injected_mg", "u_delivered_mg"),
        *_text("mix", "why", "who"),
        *_checks(**{column: f"{column} <> ''" for column in not_empty}),
        *_checks(estimate="estimate IN ('METER', 'TANK')", basis="basis IN ('measured', 'estimated')"),
        *_checks(**{column: f"{column} >= 0" for column in never_negative}),
        sa.ForeignKeyConstraint(["seq"], ["seal.seq"], name=op.f(f"fk_{TABLE}_seq")),
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{TABLE}")),
    )
    op.create_index(op.f(f"ix_{TABLE}_run"), TABLE, ["run"])
    if op.get_bind().dialect.name == "sqlite":  # PostgreSQL says it with rights, as in 0001
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER no_{verb.lower()}_{TABLE} BEFORE {verb} ON {TABLE} "
                f"BEGIN SELECT RAISE(ABORT, '{TABLE} is append-only'); END"
            )


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
