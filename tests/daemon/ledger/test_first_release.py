"""The ledger of the first release is carried forward: none of its rows changes, and what it lacks can be written."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command

from daemon.evidence import DoseRestated
from daemon.ledger import migrate
from daemon.ledger.accounts import read_past
from daemon.ledger.errors import LedgerDamaged
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import latest_decisions, run_report, verify_file
from daemon.ledger.tables import METADATA
from tests.daemon.ledger.samples import keep, opened, sample

_ROWS = 30
_HEAD = "856a5b87283da35505a6ec1643f8221593029a853113ab041106542ba68d42b8"


@pytest.fixture
def first(tmp_path: Path) -> Path:
    """Return a ledger as the first release wrote it: two rows of each class of evidence, and three decisions."""
    path = tmp_path / "ledger.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(Path(__file__).with_name("first_release.sql").read_text("utf-8"))
    return path


def test_an_old_ledger_is_verified_before_it_is_upgraded(first: Path) -> None:
    """The copy that an upgrade keeps, and an old backup, can be checked by a newer release; accounts say what to do."""
    verdict = verify_file(first)
    assert (verdict.rows, verdict.head, verdict.broken_seq) == (_ROWS, _HEAD, None)
    with pytest.raises(LedgerDamaged, match=r"no such table: dose_restated.*the daemon upgrades an older one"):
        read_past(first)


def test_an_old_ledger_is_carried_forward(first: Path) -> None:
    """Invariant 7: the chain stands as it was sealed and goes on, the new table is there and closed to changes."""
    with opened(first) as ledger:
        keep(ledger, sample(DoseRestated))
    assert verify_file(first).rows == _ROWS + 1
    assert verify_file(first.with_name("ledger.db.0001")).head == _HEAD
    with reading(first) as connection:
        assert [found.row for found in evidence(connection, DoseRestated)] == [sample(DoseRestated)]
        (sealed,) = connection.execute("SELECT digest FROM seal WHERE seq = ?", (_ROWS,)).fetchone()
        assert sealed == _HEAD
    assert [(one.kind, one.version) for one in latest_decisions(first)] == [("program", 1), ("shift", 1), ("stock", 1)]
    report = run_report(first, "run run_started 1")
    assert report is not None
    assert report.restated == ()
    with closing(sqlite3.connect(first)) as connection:
        for change in ("UPDATE dose_restated SET run = 'x'", "DELETE FROM dose_restated"):
            with pytest.raises(sqlite3.IntegrityError, match="dose_restated is append-only"):
                connection.execute(change)


def test_what_an_upgrade_makes_is_what_a_birth_makes(first: Path, tmp_path: Path) -> None:
    """A farm that has upgraded has the same tables, indexes, constraints and triggers as a new one."""
    (tmp_path / "new").mkdir()
    schemas = []
    for path in (first, tmp_path / "new" / "ledger.db"):
        with opened(path):
            pass
        with closing(sqlite3.connect(path)) as connection:
            found = connection.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'").fetchall()
        schemas.append({name: " ".join(sql.split()) for name, sql in found})
    assert schemas[0] == schemas[1]
    assert METADATA.tables.keys() < schemas[0].keys()
    engine = migrate.immediate_engine(first, ())
    try:
        with engine.begin() as connection_:
            command.check(migrate.alembic_config(connection_))
    finally:
        engine.dispose()
