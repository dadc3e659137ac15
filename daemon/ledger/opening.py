"""Opening ledger.db: made when missing, upgraded when older, refused when it is newer, damaged or of the other kind."""

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from daemon.clock import UtcStamp
from daemon.ledger import migrate
from daemon.ledger.backup import BackupError, before_upgrade
from daemon.ledger.batch import Columns, Head, Value, insert_sealed
from daemon.ledger.chain import GENESIS
from daemon.ledger.errors import LedgerDamaged, LedgerKind, LedgerNewer, LedgerUnwritable, sqlite_code
from daemon.ledger.tables import Meta

_RESTORE = "restore the last backup, or move the file away to begin a new ledger (every latch is then set)"
_BUSY_MS = 5000
_CHUNK = 1 << 20
_NO_ROOM_TO_WRITE = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)


@dataclass(frozen=True, slots=True)
class _Found:
    """What an existing file says of itself."""

    revision: str
    born: str


def prepare(path: Path, *, simulated: bool, stamp: UtcStamp, site_digest: str) -> bool:
    """Leave at `path` a ledger that this release and this kind of run may write. Returns whether it was born now.

    Raises LedgerNewer, LedgerKind and LedgerDamaged as they are named, and LedgerUnwritable where a ledger has to be
    made or upgraded and cannot be, or cannot even be read.
    """
    kind = "simulated" if simulated else "real"
    if not path.exists():
        if _beside(path, "-wal").exists():
            raise LedgerDamaged(f"{path}: got a write-ahead log without its ledger, expected both; {_RESTORE}")
        _create(path, kind, stamp, site_digest)
        return True
    found = _inspect(path)
    if found.revision not in migrate.known():
        raise LedgerNewer(
            f"{path}: got a ledger of revision {found.revision}, expected {migrate.newest()} or older; "
            "run the release that wrote it, or a newer one; or restore a backup from before the upgrade"
        )
    if found.born != kind:
        raise LedgerKind(
            f"{path}: got a ledger born {found.born}, expected one born {kind}; "
            "name another file: simulated and real evidence never mix"
        )
    if found.revision != migrate.newest():
        _upgrade(path, found.revision, stamp)
    return False


def _create(path: Path, kind: str, stamp: UtcStamp, site_digest: str) -> None:
    """Make the ledger beside its place and move it there whole: a torn birth leaves no ledger, never half a one."""
    unborn = _beside(path, ".unborn")
    try:
        for left in (unborn, _beside(unborn, "-journal")):
            left.unlink(missing_ok=True)
        engine = migrate.immediate_engine(unborn, ("synchronous=FULL",))
        try:
            with engine.begin() as connection:
                migrate.upgrade(connection)
                birth: dict[str, Value] = {"at_ms": stamp.ms, "trusted": stamp.trusted}
                birth |= {"born": kind, "site_digest": site_digest}
                insert_sealed(connection, Head(0, GENESIS), [Columns(Meta.__tablename__, birth)])
        finally:
            engine.dispose()
        os.replace(unborn, path)
        _sync_folder(path)
    except Exception as problem:
        if (cause := _trouble_of_the_disk(problem)) is not None:
            raise LedgerUnwritable(
                f"{path}: could not make the ledger ({cause}), expected a folder this user may write with room on it"
            ) from problem
        raise


def _upgrade(path: Path, revision: str, stamp: UtcStamp) -> None:
    """Upgrade in one transaction, after a backup that is the way back."""
    try:
        before_upgrade(path.parent, revision, stamp.utc)
        engine = migrate.immediate_engine(path, ("synchronous=FULL", f"busy_timeout={_BUSY_MS}"))
        try:
            with engine.begin() as connection:
                migrate.upgrade(connection)
        finally:
            engine.dispose()
    except BackupError as problem:
        raise LedgerUnwritable(
            f"{path}: is not upgraded from revision {revision} without a backup, and there could be none: {problem}"
        ) from problem
    except Exception as problem:
        if (cause := _trouble_of_the_disk(problem)) is not None:
            raise LedgerUnwritable(
                f"{path}: could not upgrade the ledger from revision {revision} ({cause}); "
                "it is unchanged: make room, or make it writable, and start again"
            ) from problem
        raise


def _inspect(path: Path) -> _Found:
    """Read what the file says of itself and have SQLite check its pages; damage is believed when it is seen twice.

    SQLite calls a sector that the disk cannot read damage as well, and so would have a backup restored for it.
    """
    try:
        return _look(path)
    except LedgerDamaged:
        _read_through(path)
        return _look(path)


def _read_through(path: Path) -> None:
    """Read every byte of the file and its log. Raises LedgerUnwritable where the disk cannot."""
    try:
        for one in (path, _beside(path, "-wal")):
            if not one.exists():
                continue
            file = os.open(one, os.O_RDONLY)
            try:
                at = 0
                while found := os.pread(file, _CHUNK, at):
                    at += len(found)
            finally:
                os.close(file)
    except OSError as problem:
        raise LedgerUnwritable(
            f"{one}: could not be read ({problem}); the disk is failing: replace it, then restore the last backup"
        ) from problem


def _look(path: Path) -> _Found:
    try:
        try:
            return _read(path, "mode=rw", "PRAGMA quick_check(1)")
        except sqlite3.OperationalError as problem:
            if sqlite_code(problem) not in _NO_ROOM_TO_WRITE:
                raise
            # A disk that is full or read-only: the record stands, water can run, and the writer goes on trying. Without
            # its log the file need not hang together, so it is not judged, however it looks.
            try:
                return _read(path, "mode=ro&immutable=1", "SELECT 'ok'")
            except (sqlite3.DatabaseError, LedgerDamaged):
                raise problem from None
    except sqlite3.OperationalError as problem:
        if sqlite_code(problem) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, *_NO_ROOM_TO_WRITE):
            raise LedgerUnwritable(
                f"{path}: could not read the ledger ({problem}); see to the disk, or close what holds the file"
            ) from problem
        raise LedgerDamaged(f"{path}: got a file that is no ledger ({problem}); {_RESTORE}") from problem
    except sqlite3.DatabaseError as problem:
        raise LedgerDamaged(f"{path}: got a damaged file ({problem}), expected a ledger; {_RESTORE}") from problem


def _read(path: Path, mode: str, check: str) -> _Found:
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?{mode}", uri=True)) as connection:
        connection.execute(f"PRAGMA busy_timeout={_BUSY_MS}")
        pages = str(connection.execute(check).fetchone()[0])
        if pages != "ok":
            raise LedgerDamaged(f"{path}: got a damaged file ({pages}), expected a ledger; {_RESTORE}")
        revision = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        meta = connection.execute("SELECT born FROM meta").fetchone()
        if revision is None or meta is None:
            raise LedgerDamaged(f"{path}: got a ledger without its birth, expected one row of it; {_RESTORE}")
        return _Found(str(revision[0]), str(meta[0]))


def _trouble_of_the_disk(problem: BaseException | None) -> BaseException | None:
    """Return the trouble with the disk at the root of an error; None where there is none, and it is a bug."""
    while problem is not None and not isinstance(problem, OSError | sqlite3.OperationalError):
        problem = problem.__cause__
    return problem


def _beside(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def _sync_folder(path: Path) -> None:
    """Make the new name itself durable."""
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
