"""`shiftwright backup`, `restore` and `export`: copies of the record, the way back, and what others can check."""

import argparse
import shutil
from importlib.metadata import version
from pathlib import Path

from daemon.cli import verify
from daemon.cli.client import add_folder
from daemon.cli.errors import InputError, RefusedError
from daemon.clock import RealClock
from daemon.folder import LEDGER, LOCK
from daemon.ledger.backup import FOLDER, drop_oldest, make_backup, read_backup, restored
from daemon.ledger.export import export_evidence
from daemon.runtime.lock import PlantBusy, PlantLock


def add_backup(parser: argparse.ArgumentParser) -> None:
    """Declare what is copied, and where to."""
    add_folder(parser)
    parser.add_argument(
        "--to", type=Path, metavar="DIR", help=f"folder of the backups (default: {FOLDER} in the daemon's)"
    )
    parser.add_argument("--site", type=Path, metavar="FILE", help="copy the site file along")
    parser.add_argument(
        "--keep", type=int, default=0, metavar="N", help="then remove all but the newest N (default: none)"
    )


def backup(arguments: argparse.Namespace) -> int:
    """Copy the record while the daemon runs, read the copy through, and say what it is."""
    if arguments.keep < 0:
        raise InputError(f"--keep: got {arguments.keep}; expected 0 or more")
    if arguments.site is not None and not arguments.site.is_file():
        raise InputError(f"--site: got {arguments.site}; expected a file")
    into = arguments.to or arguments.db / FOLDER
    beside = () if arguments.site is None else (arguments.site,)
    made = make_backup(arguments.db, into, beside, RealClock().stamp().utc, version("shiftwright"))
    print(f"{made.path}: {', '.join(made.files)}; {made.rows} sealed rows, all read again. Head {made.head}")
    for gone in drop_oldest(into, arguments.keep) if arguments.keep else ():
        print(f"{gone}: removed, as older than the newest {arguments.keep}")
    if arguments.to is None:
        print("It lies on the same disk: copy it to another one as well (--to).")
    return 0


def add_restore(parser: argparse.ArgumentParser) -> None:
    """Declare the backup, and the folder that it goes to."""
    parser.add_argument("backup", type=Path, metavar="BACKUP", help="a folder that backup made")
    add_folder(parser)
    parser.add_argument("--dry-run", action="store_true", help="read the backup through and say what would be done")


def restore(arguments: argparse.Namespace) -> int:
    """Put a backup in the place of the record. Refused while the daemon runs."""
    found = read_backup(arguments.backup)
    print(f"{found.path}: made {found.at} by release {found.release}; {found.rows} sealed rows. Head {found.head}")
    if arguments.dry_run:
        print(
            f"It can be used. It would go to {arguments.db}; what is there would be moved aside. Nothing was changed."
        )
        return 0
    arguments.db.mkdir(parents=True, exist_ok=True)
    lock = PlantLock(arguments.db / LOCK, ())
    try:
        lock.acquire()
    except PlantBusy as busy:
        raise RefusedError(f"{busy} Stop the daemon and the api first; nothing was changed.") from busy
    try:
        aside = restored(found, arguments.db, RealClock().stamp().utc)
    finally:
        lock.close()
    print(f"Restored. What was there before lies in {aside}.")
    print("What the plant did since that backup is in no record now: look at the meters, and at what is owed.")
    return 0


def add_export(parser: argparse.ArgumentParser) -> None:
    """Declare the file."""
    parser.add_argument("file", type=Path, metavar="FILE", help="where the lines go; it must not exist yet")
    add_folder(parser)


def export(arguments: argparse.Namespace) -> int:
    """Write all evidence as lines, and lay beside it what checks them anywhere."""
    if arguments.file.exists():
        raise InputError(f"{arguments.file}: is there already; expected a new file: nothing is overwritten")
    part = arguments.file.with_name(f".{arguments.file.name}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            found = export_evidence(arguments.db / LEDGER, file)
        part.rename(arguments.file)
    finally:
        part.unlink(missing_ok=True)
    checker = arguments.file.with_name("verify.py")
    shutil.copyfile(Path(verify.__file__), checker)
    print(f"{arguments.file}: {found.rows} rows. Head {found.head}")
    print(f"Anywhere else: python3 {checker.name} {arguments.file.name}. Write the head down and keep it apart.")
    return 0
