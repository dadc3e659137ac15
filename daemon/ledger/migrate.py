"""Making and upgrading ledger.db: the one place that drives alembic. Nothing here prints or touches logging.

Alembic is imported when a ledger is made or upgraded, and by no other start: it would take a tenth of the memory.
"""

import io
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Engine, NullPool, create_engine, event
from sqlalchemy.engine import Connection
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.pool import ConnectionPoolEntry

if TYPE_CHECKING:
    from alembic.config import Config

SCRIPTS = Path(__file__).parent / "migrations"
_DIGITS = 4


def immediate_engine(path: Path, pragmas: tuple[str, ...]) -> Engine:
    """Return an engine on an SQLite file whose transactions take the write lock when they begin.

    The driver's own habit is to begin late, which loses updates without an error, and not to begin at all before DDL,
    which leaves half a migration behind. The listeners belong to this engine alone: the pragmas of the ledger's
    engine would harm a migration.
    """
    # A pool of none: a connection that is closed is closed, and a failed one is not met again.
    engine = create_engine(f"sqlite:///{path}", poolclass=NullPool)

    @event.listens_for(engine, "connect")
    def _on_connect(connection: DBAPIConnection, _record: ConnectionPoolEntry) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        for pragma in pragmas:
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def alembic_config(connection: Connection | None = None) -> "Config":
    """Return alembic's settings for the scripts of this package; `connection` is what the scripts run on."""
    from alembic.config import Config

    config = Config(stdout=io.StringIO())
    config.set_main_option("script_location", str(SCRIPTS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def newest() -> str:
    """Return the revision that this release writes."""
    return max(known())


def known() -> frozenset[str]:
    """Return every revision that this release can upgrade from or write: each is the number its script begins with."""
    return frozenset(script.name[:_DIGITS] for script in (SCRIPTS / "versions").glob("[0-9]*.py"))


def upgrade(connection: Connection) -> None:
    """Bring the ledger behind `connection` to `newest()`. Whole or not at all: the caller commits."""
    from alembic import command

    command.upgrade(alembic_config(connection), "head")
