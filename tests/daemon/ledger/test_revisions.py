"""Ledgers as every earlier release wrote them are carried forward, whenever the upgrade is killed; no row changes.

Each file of `revisions` was written by the last commit of its revision: two rows of each class of evidence that it had,
and decisions.
"""

import os
import shutil
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import Engine, event

from daemon.evidence import DoseRestated
from daemon.ledger import migrate
from daemon.ledger.accounts import read_past
from daemon.ledger.backup import read_backup, restored
from daemon.ledger.chain import GENESIS
from daemon.ledger.errors import LedgerDamaged
from daemon.ledger.opening import prepare
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import latest_decisions, run_report, verify_file
from daemon.ledger.tables import METADATA
from tests.daemon.ledger.samples import keep, opened, sample, stamp

FILES = {path.stem: path for path in sorted(Path(__file__).with_name("revisions").glob("*.sql"))}
_FIRST = "0001"
_FIRST_HEAD = "856a5b87283da35505a6ec1643f8221593029a853113ab041106542ba68d42b8"


def _written_by(revision: str, folder: Path) -> Path:
    """Return a ledger as that release wrote it."""
    path = folder / "ledger.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FILES[revision].read_text("utf-8"))
    return path


def _seals(path: Path) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT seq, kind, digest FROM seal ORDER BY seq").fetchall()


def _schema(path: Path) -> dict[str, str]:
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'").fetchall()
    return {name: " ".join(sql.split()) for name, sql in found}


@pytest.fixture(params=FILES)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """Return a ledger of each earlier release."""
    return _written_by(request.param, tmp_path)


def test_there_is_a_ledger_of_every_earlier_revision() -> None:
    """A new migration needs a ledger as the release before it wrote it."""
    assert set(FILES) == migrate.known() - {migrate.newest()}


def test_the_scripts_are_in_the_order_of_their_numbers(tmp_path: Path) -> None:
    """Revisions are known by the names of their scripts, without alembic: each must be what alembic knows it by."""
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory.from_config(migrate.alembic_config())
    assert scripts.get_current_head() == migrate.newest()
    assert {script.revision for script in scripts.walk_revisions()} == migrate.known()


def test_the_first_ledger_can_be_verified_before_it_is_upgraded(tmp_path: Path) -> None:
    """An old backup can be checked by a newer release; accounts say what to do."""
    first = _written_by(_FIRST, tmp_path)
    verdict = verify_file(first)
    assert (verdict.head, verdict.broken_seq) == (_FIRST_HEAD, None)
    with pytest.raises(LedgerDamaged, match=r"no such table: dose_restated.*the daemon upgrades an older one"):
        read_past(first)


def test_an_old_ledger_is_carried_forward(old: Path) -> None:
    """Invariant 7: the chain stands as it was sealed and goes on, the new tables are there and closed to changes."""
    before = _seals(old)
    assert before and before[0][2] != GENESIS
    with opened(old) as ledger:
        keep(ledger, sample(DoseRestated))
    assert _seals(old)[: len(before)] == before
    assert (verify_file(old).broken_seq, verify_file(old).rows) == (None, len(before) + 1)
    with reading(old) as connection:
        assert evidence(connection, DoseRestated)[-1].row == sample(DoseRestated)
    assert latest_decisions(old)
    assert run_report(old, "run run_started 1") is not None
    with closing(sqlite3.connect(old)) as connection:
        for change in ("UPDATE dose_restated SET run = 'x'", "DELETE FROM dose_restated"):
            with pytest.raises(sqlite3.IntegrityError, match="dose_restated is append-only"):
                connection.execute(change)


def test_a_backup_of_the_old_ledger_is_the_way_back(old: Path) -> None:
    """An upgrade is preceded by a backup that was read through; restored, it is the ledger that was."""
    before, revision = verify_file(old), old.parent
    with opened(old):
        pass
    (made,) = (revision / "backups").iterdir()
    backup = read_backup(made)
    assert backup.head == before.head and made.name == f"upgrade-from-{backup.revision}-{before.head[:8]}"
    restored(backup, old.parent, stamp().utc)
    assert verify_file(old) == before
    with opened(old):
        pass
    assert [one.name for one in (revision / "backups").iterdir()] == [made.name]


def test_what_an_upgrade_makes_is_what_a_birth_makes(old: Path, tmp_path: Path) -> None:
    """A farm that has upgraded has the same tables, indexes, constraints and triggers as a new one."""
    (tmp_path / "new").mkdir()
    for path in (old, tmp_path / "new" / "ledger.db"):
        with opened(path):
            pass
    assert _schema(old) == _schema(tmp_path / "new" / "ledger.db")
    assert METADATA.tables.keys() < _schema(old).keys()
    engine = migrate.immediate_engine(old, ())
    try:
        with engine.begin() as connection:
            command.check(migrate.alembic_config(connection))
    finally:
        engine.dispose()


def _upgrade_and_die(path: Path, at_statement: int) -> bool:
    """Upgrade in a child that kills itself before its nth statement; return whether it came to so many."""
    child = os.fork()
    if child == 0:
        done = 0

        def count(*_: object) -> None:
            nonlocal done
            done += 1
            if done == at_statement:
                os.kill(os.getpid(), signal.SIGKILL)

        try:
            for name in ("before_cursor_execute", "after_cursor_execute", "commit"):
                event.listen(Engine, name, count)
            prepare(path, simulated=True, stamp=stamp(), site_digest="")
        except BaseException:
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return os.WIFSIGNALED(status)


def _deaths(old: Path, folder: Path) -> Iterator[Path]:
    """Yield the ledger after a death before and after each statement of its upgrade, the commit among them."""
    statement = 1
    while True:
        home = folder / str(statement)
        home.mkdir()
        path = Path(shutil.copy(old, home / "ledger.db"))
        if not _upgrade_and_die(path, statement):
            return
        yield path
        shutil.rmtree(home)
        statement += 1


@pytest.mark.proof
@pytest.mark.timeout(400)
def test_an_upgrade_killed_at_any_statement_is_done_again(tmp_path: Path) -> None:
    """The next start finds the old ledger or the new one, never half of either, and ends with the new one.

    The upgrade from the first release runs every statement of every migration.
    """
    old = _written_by(_FIRST, tmp_path)
    before, deaths = _seals(old), 0
    (tmp_path / "whole").mkdir()
    whole = Path(shutil.copy(old, tmp_path / "whole" / "ledger.db"))
    with opened(whole):
        pass
    for path in _deaths(old, tmp_path):
        deaths += 1
        if deaths % 5 == 0:  # compound: the recovery dies as well
            _upgrade_and_die(path, deaths // 2)
        with opened(path):
            pass
        assert _schema(path) == _schema(whole)
        assert _seals(path) == before and verify_file(path).broken_seq is None
    assert deaths >= 60
