"""Indexes for a record of ten seasons: what is asked for has one, what nobody asks for has none.

A released migration is never edited.
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

WHOLE = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Find runs by their time and debts by their stock, and carry the index of no digest and no checkpoint."""
    op.create_index(op.f("ix_run_started_at_ms"), "run_started", ["at_ms"])
    for table in ("flush_owed", "flush_cleared"):
        op.drop_index(op.f(f"ix_{table}_segment"), table)
        op.create_index(op.f(f"ix_{table}_segment_stock"), table, ["segment", "stock"])
    op.drop_index(op.f("ix_checkpoint_run"), "checkpoint")
    if op.get_bind().dialect.name == "sqlite":
        _without_unique_digest()
    else:
        op.drop_constraint(op.f("uq_seal_digest"), "seal", type_="unique")


def _without_unique_digest() -> None:
    """Make the table of seals again: SQLite drops no constraint. Its triggers go with the old one."""
    op.create_table(
        "seal_anew",
        sa.Column("seq", WHOLE, nullable=False, autoincrement=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.CheckConstraint("kind <> ''", name=op.f("ck_seal_kind")),
        sa.CheckConstraint("length(digest) = 64", name=op.f("ck_seal_digest")),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_seal")),
    )
    op.execute("INSERT INTO seal_anew SELECT seq, kind, digest FROM seal ORDER BY seq")
    op.drop_table("seal")
    op.rename_table("seal_anew", "seal")
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER no_{verb.lower()}_seal BEFORE {verb} ON seal "
            "BEGIN SELECT RAISE(ABORT, 'seal is append-only'); END"
        )


def downgrade() -> None:
    """Nothing carries evidence back: go back by the copy that the upgrade kept."""
    raise NotImplementedError("restore the copy kept beside the ledger before the upgrade")
