"""Alembic's environment: one connection handed over by daemon.ledger.migrate, one transaction for the whole upgrade."""

from alembic import context

from daemon.ledger.tables import METADATA

# The connection has begun its own transaction (SQLite can undo its DDL, the driver's habits stand in the way) and keeps
# foreign keys unchecked: a batch rewrite of `seal` would else take its children along.
context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=METADATA,
    render_as_batch=True,
    transactional_ddl=True,
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
