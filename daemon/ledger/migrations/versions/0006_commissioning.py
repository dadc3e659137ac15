"""The commissioning's attempts: begun, entered, turned back, ended. A released migration is never edited."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXTS = {
    "step_begun": ("attempt", "step", "subject", "section", "who"),
    "step_entered": ("attempt", "stage", "brought", "who"),
    "step_turned": ("attempt", "stage", "why", "who"),
    "step_ended": ("attempt", "state", "verdict", "result", "why", "who"),
}
NOT_EMPTY = {
    "step_begun": ("attempt", "step", "subject", "who"),
    "step_entered": ("attempt", "stage", "brought", "who"),
    "step_turned": ("attempt", "why", "who"),
    "step_ended": ("attempt", "who"),
}
RULES = {"step_ended": {"state": "IN ('ACCEPTED', 'ABORTED')"}}
INDEXED = {"step_begun": ("step",), "step_entered": ("attempt",), "step_turned": ("attempt",), "step_ended": ()}
ONCE = ("step_begun", "step_ended")


def _make(table: str) -> None:
    rules = {**dict.fromkeys(NOT_EMPTY[table], "<> ''"), **RULES.get(table, {})}
    once = [sa.UniqueConstraint("attempt", name=op.f(f"uq_{table}_attempt"))] if table in ONCE else []
    op.create_table(
        table,
        *(sa.Column(name, WHOLE, nullable=False, autoincrement=False) for name in ("seq", "at_ms")),
        sa.Column("trusted", sa.Boolean(), nullable=False),
        *(sa.Column(name, sa.String(), nullable=False) for name in TEXTS[table]),
        *(sa.CheckConstraint(f"{column} {rule}", name=op.f(f"ck_{table}_{column}")) for column, rule in rules.items()),
        *once,
        sa.ForeignKeyConstraint(["seq"], ["seal.seq"], name=op.f(f"fk_{table}_seq")),
        sa.PrimaryKeyConstraint("seq", name=op.f(f"pk_{table}")),
    )
    for column in INDEXED[table]:
        op.create_index(op.f(f"ix_{table}_{column}"), table, [column])


def upgrade() -> None:
    """Make the tables, closed to all but new rows."""
    for table in TEXTS:
        _make(table)
        if op.get_bind().dialect.name == "sqlite":  # PostgreSQL says it with rights, as in 0001
            for verb in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER no_{verb.lower()}_{table} BEFORE {verb} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
                )


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
