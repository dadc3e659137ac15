"""Opening a ledger: made whole or not at all, upgraded, and refused with a reason and a way out."""

import logging
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command

from daemon.clock import real_seconds
from daemon.evidence import Event
from daemon.ledger import migrate, opening
from daemon.ledger.errors import (
    LedgerDamaged,
    LedgerError,
    LedgerKind,
    LedgerMissing,
    LedgerNewer,
    LedgerUnwritable,
)
from daemon.ledger.reports import verify_file
from daemon.ledger.tables import METADATA
from daemon.ledger.writer import open_ledger
from tests.daemon.ledger.samples import files_no_larger_than, keep, one_of_each, opened, stamp

_LATER = '''"""A later release's revision."""

import sqlalchemy as sa
from alembic import op

revision = "9999"
down_revision = "{newest}"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table("later", sa.Column("seq", sa.Integer(), primary_key=True))
    with op.batch_alter_table("seal", recreate="always") as batch:
        batch.create_index("ix_seal_kind", ["kind"])
    {last}
'''


@pytest.fixture
def ledger_path(tmp_path: Path) -> Path:
    """Return a closed, simulated ledger with one row of each kind."""
    path = tmp_path / "ledger.db"
    with opened(path) as ledger:
        keep(ledger, *one_of_each())
    return path


def _later_release(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, last: str = "") -> None:
    scripts = tmp_path / "migrations"
    shutil.copytree(migrate.SCRIPTS, scripts)
    (scripts / "versions" / "9999_later.py").write_text(_LATER.format(newest=migrate.newest(), last=last))
    monkeypatch.setattr(migrate, "SCRIPTS", scripts)


def test_the_migrations_make_what_the_tables_say(ledger_path: Path) -> None:
    """A column, index or constraint that the tables have and no migration makes would be missed on a farm only."""
    engine = migrate.immediate_engine(ledger_path, ())
    try:
        with engine.begin() as connection:
            command.check(migrate.alembic_config(connection))
            made = connection.exec_driver_sql("SELECT group_concat(sql) FROM sqlite_master").scalar_one()
    finally:
        engine.dispose()
    names = {str(rule.name) for table in METADATA.tables.values() for rule in table.constraints}
    assert len(names) > 60
    assert {name for name in names if name not in made} == set()


def test_opening_prints_and_logs_nothing(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Migrations leave the daemon's own logging as it was and its output clean."""
    before = (logging.root.handlers[:], logging.root.level, logging.getLogger("alembic").handlers[:])
    with opened(tmp_path / "ledger.db") as ledger:
        keep(ledger, Event("a", ""))
    assert (logging.root.handlers, logging.root.level, logging.getLogger("alembic").handlers) == before
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("simulated", [True, False])
def test_real_and_simulated_never_mix(tmp_path: Path, simulated: bool) -> None:
    """Simulated evidence never unlocks a real plant: each kind of run is refused the other's ledger, both ways."""
    path = tmp_path / "ledger.db"
    with opened(path, simulated=simulated):
        pass
    with pytest.raises(LedgerKind, match="name another file") as refused:
        open_ledger(path, simulated=not simulated, stamp=stamp(), now=real_seconds)
    assert refused.value.code == "ledger.kind"
    with opened(path, simulated=simulated) as ledger:
        assert not ledger.born


def test_a_newer_ledger_is_refused_and_left_alone(
    ledger_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ledger that a newer release has upgraded is not written by an older one."""
    with monkeypatch.context() as later:
        _later_release(tmp_path, later)
        with opened(ledger_path):
            pass
    before = ledger_path.read_bytes()
    with pytest.raises(LedgerNewer, match=f"revision 9999, expected {migrate.newest()} or older; run the release"):
        open_ledger(ledger_path, simulated=True, stamp=stamp(), now=real_seconds)
    assert ledger_path.read_bytes() == before


def test_an_older_ledger_is_upgraded_and_a_copy_kept(
    ledger_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An upgrade that rewrites the parent of all evidence loses no row, and the way back lies beside it."""
    rows, newest = verify_file(ledger_path), migrate.newest()
    _later_release(tmp_path, monkeypatch)
    with opened(ledger_path) as ledger:
        keep(ledger, Event("after", ""))
    assert verify_file(ledger_path).rows == rows.rows + 1
    assert verify_file(tmp_path / "backups" / f"upgrade-from-{newest}-{rows.head[:8]}" / "ledger.db") == rows
    with closing(sqlite3.connect(ledger_path)) as connection:
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("9999",)]


def test_a_failed_upgrade_changes_nothing(ledger_path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An upgrade is whole or not at all: one that fails at its last statement leaves the old ledger as it was."""
    with monkeypatch.context() as later:
        _later_release(tmp_path, later, last='op.execute("INSERT INTO nowhere VALUES (1)")')
        with pytest.raises(LedgerUnwritable, match="it is unchanged"):
            open_ledger(ledger_path, simulated=True, stamp=stamp(), now=real_seconds)
    with closing(sqlite3.connect(ledger_path)) as connection:
        names = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    assert names.isdisjoint({"later", "ix_seal_kind"})
    with opened(ledger_path) as ledger:
        keep(ledger, Event("after", ""))


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _garbage(path: Path) -> None:
    path.write_bytes(b"not a ledger " * 1000)


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _zero_a_page(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'seal'").fetchone()
    whole = path.read_bytes()
    path.write_bytes(whole[: 4096 * (root - 1)] + bytes(4096) + whole[4096 * root :])


def _foreign(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE shopping (item TEXT)")


def _log_alone(path: Path) -> None:
    path.with_name("ledger.db-wal").write_bytes(b"x")
    path.unlink()


@pytest.mark.parametrize("harm", [_empty, _garbage, _cut, _zero_a_page, _foreign, _log_alone])
def test_a_damaged_ledger_is_refused_with_a_way_out(ledger_path: Path, harm: Callable[[Path], None]) -> None:
    """No record, no dose: what is no whole ledger is never begun anew over what is left of it."""
    harm(ledger_path)
    left = {path.name for path in ledger_path.parent.iterdir()}
    with pytest.raises(LedgerDamaged, match="restore the last backup") as refused:
        open_ledger(ledger_path, simulated=True, stamp=stamp(), now=real_seconds)
    assert str(ledger_path) in str(refused.value)
    assert {path.name for path in ledger_path.parent.iterdir()} == left


def test_a_torn_birth_is_begun_again(tmp_path: Path) -> None:
    """A crash or a full disk while the ledger is made leaves no ledger, and the next start makes it."""
    path = tmp_path / "ledger.db"
    with files_no_larger_than(20_000), pytest.raises(LedgerUnwritable, match="could not make the ledger"):
        opening.prepare(path, simulated=True, stamp=stamp(), site_digest="")
    assert not path.exists()
    with opened(path) as ledger:
        assert ledger.born
    assert {left.name for left in tmp_path.iterdir()} == {"ledger.db"}


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    """The message says which path could not be made."""
    with pytest.raises(LedgerUnwritable, match="nowhere"):
        open_ledger(tmp_path / "nowhere" / "ledger.db", simulated=True, stamp=stamp(), now=real_seconds)


def test_readers_say_what_is_wrong(tmp_path: Path) -> None:
    """Reading what is no ledger is an error of ours with its code, not a stack of SQLite's."""
    with pytest.raises(LedgerMissing) as missing:
        verify_file(tmp_path / "none.db")
    _garbage(tmp_path / "bad.db")
    with pytest.raises(LedgerDamaged) as damaged:
        verify_file(tmp_path / "bad.db")
    assert (missing.value.code, damaged.value.code) == ("ledger.missing", "ledger.damaged")


def test_every_error_has_a_code_of_its_own() -> None:
    """What others match on is the code."""
    kinds = LedgerError.__subclasses__()
    assert len({kind.code for kind in kinds} | {LedgerError.code}) == len(kinds) + 1
    assert all(kind.code.startswith("ledger.") for kind in kinds)
