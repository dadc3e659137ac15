"""Backups of the daemon's folder, made while it runs, each checked by opening it; and the way back.

A backup is a folder of its own with whole copies of the databases and a sheet that says what they are. It is made under
another name and moved to its place when all of it is on the disk and was read through: there is no half a backup.
"""

import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from daemon.folder import ACCESS, ALERTS, HISTORY, LEDGER
from daemon.ledger import migrate
from daemon.ledger.errors import LedgerError
from daemon.ledger.reports import verify_file

DATABASES = (LEDGER, HISTORY, ACCESS, ALERTS)
FOLDER = "backups"
"""Where they lie in the daemon's folder, unless somebody says otherwise."""
_SHEET = "backup.json"
_FORMAT = 1
_NAME = "shiftwright-"
_ASIDE = ("", "-wal", "-shm")
_BUSY_MS = 5000


class BackupError(Exception):
    """A backup cannot be made, or not be used. Says which, why and what to do; nothing was changed."""

    code = "backup"


class Backup(NamedTuple):
    """One backup."""

    path: Path
    at: str
    """When it was made, ISO 8601 in UTC."""
    release: str
    revision: str
    """Of the ledger's tables."""
    rows: int
    head: str
    """Of the ledger's chain: to be written down elsewhere."""
    files: Mapping[str, str]
    """SHA-256 of each file, by its name."""


def make_backup(folder: Path, into: Path, beside: Iterable[Path], at: datetime, release: str, name: str = "") -> Backup:
    """Copy the databases of `folder`, and the files `beside`, into a new folder of `into`; return it once it was read.

    `at` is in UTC, and names the folder unless `name` does. The daemon may run meanwhile: each copy is one moment of
    its database. Raises BackupError.
    """
    name = name or f"{_NAME}{at:%Y%m%dT%H%M%SZ}"
    made, work = into / name, into / f".{name}.part"
    try:
        into.mkdir(parents=True, exist_ok=True)
        if made.exists():
            raise BackupError(f"{made}: there is one already; wait a second, or name another folder")
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir(mode=0o700)
        for database in DATABASES:
            if (folder / database).exists():
                _copy_database(folder / database, work / database)
        if not (work / LEDGER).exists():
            raise BackupError(f"{folder}: got no {LEDGER}; expected the daemon's folder")
        for file in beside:
            _copy_file(file, work / file.name)
        backup = _described(work, made, at, release)
        sheet = {"format": _FORMAT, **backup._asdict(), "path": name}
        _write(work / _SHEET, json.dumps(sheet, indent=1))
        _sync(work)
        work.rename(made)
        _sync(into)
    except (OSError, sqlite3.Error, LedgerError) as error:
        raise BackupError(
            f"{into}: could not make a backup ({error}); see to the disk. Nothing else was changed"
        ) from error
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return backup


def before_upgrade(folder: Path, revision: str, at: datetime) -> Backup:
    """Return the backup from before an upgrade of a ledger of `revision`, which is made unless it is there.

    An upgrade that was cut off comes again, and finds it. It bears no date, so that it outlasts those of every day, and
    the head of its chain, so that none takes another's place. Raises BackupError.
    """
    try:
        name = f"upgrade-from-{revision}-{verify_file(folder / LEDGER).head[:8]}"
    except LedgerError as error:
        raise BackupError(f"{folder / LEDGER}: could not be read through ({error})") from error
    into = folder / FOLDER
    try:
        return read_backup(into / name)
    except BackupError:
        shutil.rmtree(into / name, ignore_errors=True)
        return make_backup(folder, into, (), at, version("shiftwright"), name)


def read_backup(path: Path) -> Backup:
    """Return a backup after reading all of it: sizes, hashes, pages, and the ledger's chain. Raises BackupError."""
    try:
        sheet = json.loads((path / _SHEET).read_text("utf-8"))
        if sheet["format"] != _FORMAT:
            raise BackupError(f"{path}: got a backup of format {sheet['format']}; expected {_FORMAT}: use its release")
        backup = Backup(**{name: sheet[name] for name in Backup._fields} | {"path": path})
        for name, digest in backup.files.items():
            if _digest(path / name) != digest:
                raise BackupError(f"{path / name}: is not as it was copied; use another backup")
        found = _described(path, path, datetime.fromisoformat(backup.at), backup.release)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BackupError(
            f"{path}: got no backup that can be read ({error}); expected a folder made by backup"
        ) from error
    except (sqlite3.Error, LedgerError) as error:
        raise BackupError(f"{path}: is damaged ({error}); use another backup") from error
    if (found.rows, found.head) != (backup.rows, backup.head):
        raise BackupError(f"{path}: its ledger is not the one that its sheet tells of; use another backup")
    if backup.revision not in migrate.known():
        raise BackupError(
            f"{path}: got a ledger of revision {backup.revision}, expected {migrate.newest()} or older; install "
            f"release {backup.release} or a newer one"
        )
    return backup


def backups(into: Path) -> list[Path]:
    """Return the backups of a folder, the oldest first."""
    return sorted(one for one in into.glob(f"{_NAME}*") if (one / _SHEET).is_file())


def drop_oldest(into: Path, keep: int) -> list[Path]:
    """Remove all but the newest `keep` backups; return what went."""
    gone = backups(into)[: -keep or None]
    for one in gone:
        shutil.rmtree(one)
    return gone


def restored(backup: Backup, folder: Path, at: datetime) -> Path:
    """Put a backup's databases in the place of the folder's; return where those lie now.

    The daemon and the api must be stopped, which the caller sees to. What was there is moved aside whole; a stop in
    between leaves both, and restoring again goes on. Raises BackupError.
    """
    aside = folder / f"replaced-{at:%Y%m%dT%H%M%SZ}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in DATABASES:
            if name in backup.files:
                _copy_file(backup.path / name, folder / f".{name}.restoring")
        aside.mkdir(mode=0o700, exist_ok=True)
        for name in DATABASES:
            for old in (folder / f"{name}{end}" for end in _ASIDE):
                if old.exists():
                    old.rename(aside / old.name)
            if name in backup.files:
                (folder / f".{name}.restoring").rename(folder / name)
        _sync(aside)
        _sync(folder)
    except OSError as error:
        raise BackupError(
            f"{folder}: could not restore ({error}); what was there lies in {aside}: see to the disk and restore again"
        ) from error
    return aside


def _described(work: Path, path: Path, at: datetime, release: str) -> Backup:
    """Read the copies through, and return what they are."""
    for database in DATABASES:
        if (work / database).exists():
            _check_pages(work / database)
    verdict = verify_file(work / LEDGER)
    if verdict.broken_seq is not None:
        raise LedgerError(f"row {verdict.broken_seq}: {verdict.why}")
    with closing(_opened(work / LEDGER)) as connection:
        (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    files = {one.name: _digest(one) for one in sorted(_files(work))}
    return Backup(path, at.isoformat(timespec="seconds"), release, revision, verdict.rows, verdict.head, files)


def _files(work: Path) -> Iterator[Path]:
    return (one for one in work.iterdir() if one.is_file() and one.name != _SHEET)


def _copy_database(source: Path, to: Path) -> None:
    """Copy one moment of a database that may be written meanwhile, as one file without a log beside it."""
    with closing(_opened(source)) as reading, closing(sqlite3.connect(to)) as copy:
        reading.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")
    _sync(to)


def _opened(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    connection.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
    return connection


def _check_pages(path: Path) -> None:
    with closing(_opened(path)) as connection:
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise sqlite3.DatabaseError(f"{path.name}: {found}")


def _copy_file(source: Path, to: Path) -> None:
    shutil.copyfile(source, to)
    to.chmod(0o600)
    _sync(to)


def _write(path: Path, text: str) -> None:
    path.write_text(text, "utf-8")
    _sync(path)


def _sync(path: Path) -> None:
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
