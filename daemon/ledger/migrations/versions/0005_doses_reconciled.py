"""What a run's independent estimates say together. A released migration is never edited."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

TABLE = "dose_reconciled"
WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String(), nullable=False) for name in names]


def _whole(*names: str) -> list[sa.Column[int]]:
    return [sa.Column(name, WHOLE, nullable=False, autoincrement=False) for name in names]


def _check(column: str, rule: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(f"{column} {rule}", name=op.f(f"ck_{TABLE}_{column}"))


def upgrade() -> None:
    """Make the table, closed to all but new rows."""
    op.create_table(
        TABLE,
        *_whole("seq", "at_ms"),
        sa.Column("trusted", sa.Boolean(), nullable=False),
        *_text("run", "channel"),
        *_whole("meter_ml", "u_meter_ml", "tank_ml", "u_tank_ml", "ec_ml", "u_ec_ml", "dose_ml", "u_dose_ml"),
        *_whole("volume_en_thousandths", "strength_en_thousandths"),
        *_text("tank_silent", "ec_silent", "causes", "beside"),
        *(_check(column, "<> ''") for column in ("run", "channel", "causes", "beside")),
        *(_check(column, ">= 0") for column in ("meter_ml", "u_meter_ml", "u_tank_ml", "u_ec_ml", "u_dose_ml")),
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
