"""Backups that are made while the record is written, and the way back: the same record, or an error and no change."""

import json
import sqlite3
import threading
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from daemon.evidence import Event
from daemon.folder import ACCESS, HISTORY, LEDGER
from daemon.ledger.backup import BackupError, backups, drop_oldest, make_backup, read_backup, restored
from daemon.ledger.reports import verify_file
from tests.daemon.ledger.samples import WAIT_S, one_of_each, opened, stamp

AT = datetime(2026, 11, 29, 3, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a daemon's folder with a record, a history and who may log in."""
    made = tmp_path / "db"
    made.mkdir()
    with opened(made / LEDGER) as ledger:
        assert ledger.wait_durable(ledger.submit(one_of_each(), stamp()), WAIT_S)
    for name in (HISTORY, ACCESS):
        with closing(sqlite3.connect(made / name)) as connection:
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("CREATE TABLE t (v INTEGER)")
            connection.executemany("INSERT INTO t VALUES (?)", [(n,) for n in range(500)])
            connection.commit()
    return made


def _backup(folder: Path, into: Path, hours: float = 0.0) -> Path:
    return make_backup(folder, into, (), AT + timedelta(hours=hours), "0.1.0").path


def test_destroyed_and_restored_is_the_same_record(folder: Path, tmp_path: Path) -> None:
    """The drill: rows, head and the other databases are as they were; what was there since lies aside."""
    before = verify_file(folder / LEDGER)
    made = read_backup(_backup(folder, tmp_path / "kept"))
    assert (made.rows, made.head) == (before.rows, before.head) and set(made.files) == {LEDGER, HISTORY, ACCESS}
    with opened(folder / LEDGER) as ledger:
        assert ledger.wait_durable(ledger.submit((Event("later", ""),), stamp()), WAIT_S)
    later = verify_file(folder / LEDGER)
    (folder / HISTORY).write_bytes(b"\0" * 4096)
    aside = restored(made, folder, AT)
    assert verify_file(folder / LEDGER) == before and verify_file(aside / LEDGER) == later
    with closing(sqlite3.connect(folder / HISTORY)) as connection:
        assert connection.execute("SELECT count(*) FROM t").fetchone() == (500,)
    with opened(folder / LEDGER) as ledger:  # and is written on
        assert ledger.wait_durable(ledger.submit((Event("after", ""),), stamp()), WAIT_S)
    assert verify_file(folder / LEDGER).rows == before.rows + 1


def test_a_backup_of_a_record_that_is_written_meanwhile_is_one_moment_of_it(folder: Path, tmp_path: Path) -> None:
    """Guards the night: the writer waits for nobody, and each copy's chain holds to its own end."""
    stop = threading.Event()
    with opened(folder / LEDGER) as ledger:

        def write() -> None:
            number = 0
            while not stop.is_set():
                number += 1
                ledger.wait_durable(ledger.submit((Event("tick", str(number)),), stamp(number)), WAIT_S)

        writer = threading.Thread(target=write)
        writer.start()
        try:
            rows = [read_backup(_backup(folder, tmp_path / "kept", hours)).rows for hours in range(6)]
        finally:
            stop.set()
            writer.join()
        assert rows == sorted(rows) and rows[-1] > rows[0]
    assert verify_file(folder / LEDGER).broken_seq is None


@pytest.mark.parametrize("where", [100, 5000, -200])
def test_a_backup_that_was_altered_is_refused(folder: Path, tmp_path: Path, where: int) -> None:
    """One byte anywhere, in any of its files; the record stays as it is."""
    made = _backup(folder, tmp_path / "kept")
    for name in (LEDGER, HISTORY):
        data = bytearray((made / name).read_bytes())
        data[where] ^= 1
        (made / name).write_bytes(data)
        with pytest.raises(BackupError, match=f"{name}: is not as it was copied"):
            read_backup(made)
        data[where] ^= 1
        (made / name).write_bytes(data)
    assert read_backup(made).rows > 1


def test_what_is_no_backup_is_refused(folder: Path, tmp_path: Path) -> None:
    """A folder without its sheet, one cut short, and one from a newer release, each with what to do."""
    made = _backup(folder, tmp_path / "kept")
    with pytest.raises(BackupError, match="expected a folder made by backup"):
        read_backup(tmp_path)
    sheet = json.loads((made / "backup.json").read_text())
    (made / "backup.json").write_text(json.dumps({**sheet, "format": 2}))
    with pytest.raises(BackupError, match="of format 2; expected 1"):
        read_backup(made)
    with closing(sqlite3.connect(made / LEDGER)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.commit()
    newer = make_sheet(made, {**sheet, "revision": "9999", "release": "9.0"})
    with pytest.raises(BackupError, match=r"got a ledger of revision 9999, expected .* install release 9\.0"):
        read_backup(newer)


def make_sheet(made: Path, sheet: dict[str, object]) -> Path:
    """Write a sheet with the hashes of what lies there now."""
    import hashlib

    files = {one.name: hashlib.sha256(one.read_bytes()).hexdigest() for one in made.iterdir() if one.suffix == ".db"}
    (made / "backup.json").write_text(json.dumps({**sheet, "files": files}))
    return made


def test_a_damaged_record_makes_no_backup(folder: Path, tmp_path: Path) -> None:
    """Guards against a backup that nobody can use: nothing half is left behind."""
    data = bytearray((folder / LEDGER).read_bytes())
    data[4096 * 2 : 4096 * 3] = bytes(4096)
    (folder / LEDGER).write_bytes(data)
    with pytest.raises(BackupError, match="could not make a backup"):
        _backup(folder, tmp_path / "kept")
    assert list((tmp_path / "kept").iterdir()) == []
    with pytest.raises(BackupError, match=r"got no ledger\.db"):
        _backup(tmp_path / "empty", tmp_path / "kept")


def test_the_newest_are_kept(folder: Path, tmp_path: Path) -> None:
    """Retention goes by age, and touches nothing that is no backup."""
    into = tmp_path / "kept"
    made = [_backup(folder, into, hours) for hours in range(5)]
    (into / "shiftwright-notes").mkdir()
    assert drop_oldest(into, 2) == made[:3] and backups(into) == made[3:]
    assert (into / "shiftwright-notes").is_dir()
    with pytest.raises(BackupError, match="there is one already"):
        _backup(folder, into, 4.0)


def test_a_restore_that_was_cut_off_can_be_done_again(folder: Path, tmp_path: Path) -> None:
    """Guards a power cut in it: what was half in its place is put right by the second time."""
    made = read_backup(_backup(folder, tmp_path / "kept"))
    (folder / LEDGER).rename(folder / "elsewhere")
    (folder / f".{HISTORY}.restoring").write_bytes(b"half")
    restored(made, folder, AT)
    assert verify_file(folder / LEDGER).head == made.head
    assert not list(folder.glob(".*.restoring"))
