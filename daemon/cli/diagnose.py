"""`shiftwright diagnose`: one file for whoever helps, with how things stand and without secrets or names of people."""

import argparse
import json
import os
import platform
import re
import shutil
import sys
import tomllib
import zipfile
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any

from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.clock import RealClock
from daemon.folder import LEDGER, SOCKET
from daemon.ledger.errors import LedgerError
from daemon.ledger.reading import reading
from daemon.ledger.reports import is_simulated, noted_after, verify_file
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import LocalSocketFault

_LOOK_S = 2.0
_EVENTS = 500
_LEFT_OUT = "(left out)"
_PRIVATE = re.compile(r"\b(?:api|alerts)\b")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the site, the daemon's folder and the file."""
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)
    parser.add_argument("--to", type=Path, default=Path("diagnosis.zip"), metavar="FILE", help="default: diagnosis.zip")


def main(arguments: argparse.Namespace) -> int:
    """Gather what helps, and say what is in it. What cannot be read is told in its place."""
    if arguments.to.exists():
        raise InputError(f"{arguments.to}: is there already; expected a new file: nothing is overwritten")
    text = arguments.site.read_text("utf-8") if arguments.site.is_file() else ""
    parts = {
        "about.json": _json(_about(arguments.db)),
        "site.json": redacted(text),
        "site_errors.txt": _site_errors(arguments.site),
        "record.json": _json(_record(arguments.db / LEDGER)),
        "events.json": _json(_events(arguments.db / LEDGER)),
        "snapshot.json": _json(_snapshot(arguments.db)),
    }
    with zipfile.ZipFile(arguments.to, "w", zipfile.ZIP_DEFLATED) as bundle:
        for name, content in parts.items():
            bundle.writestr(name, content)
    arguments.to.chmod(0o600)
    print(f"{arguments.to}: {', '.join(parts)}.")
    print("Look through it before you send it: words that people wrote about the plant are in it.")
    return 0


def redacted(site: str) -> str:
    """Return a site file as JSON whose api and alerts keep no text: no address, name, topic or file of secrets.

    One that is no TOML is returned as it is, up to the first of the two.
    """
    try:
        found = tomllib.loads(site)
    except tomllib.TOMLDecodeError:
        return _PRIVATE.split(site, maxsplit=1)[0]
    return _json({name: _without_text(part) if name in ("api", "alerts") else part for name, part in found.items()})


def _without_text(value: Any) -> Any:
    match value:
        case str():
            return _LEFT_OUT
        case list():
            return [_without_text(one) for one in value]
        case dict():
            return {name: _without_text(one) for name, one in value.items()}
        case _:
            return value


def _json(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False, default=str)


def _about(folder: Path) -> dict[str, Any]:
    names = sorted(
        {re.split(r"[\s\[<>=!~;]", one)[0] for one in requires("shiftwright") or () if "extra ==" not in one}
    )
    sizes = (
        {one.name: one.stat().st_size for one in sorted(folder.glob("*")) if one.is_file()} if folder.is_dir() else {}
    )
    room = shutil.disk_usage(folder) if folder.is_dir() else None
    return {
        "at": RealClock().stamp().utc.isoformat(timespec="seconds"),
        "release": version("shiftwright"),
        "python": sys.version.split()[0],
        "machine": platform.machine(),
        "system": platform.release(),
        "cores": os.cpu_count(),
        "load": os.getloadavg(),
        "packages": {name: _version(name) for name in names},
        "files_bytes": sizes,
        "disk_bytes": None if room is None else {"total": room.total, "free": room.free},
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _site_errors(site: Path) -> str:
    try:
        read_plant(site)
    except InputError as error:
        told = str(error).replace(str(site), site.name).splitlines()
        return "\n".join(f"{line.partition(':')[0]}: {_LEFT_OUT}" if _PRIVATE.match(line) else line for line in told)
    return "none"


def _record(path: Path) -> dict[str, Any]:
    try:
        verdict = verify_file(path)
        with reading(path) as connection:
            (revision,) = connection.execute("SELECT version_num FROM alembic_version").fetchone()
            counted = dict(connection.execute("SELECT kind, count(*) FROM seal GROUP BY kind ORDER BY kind").fetchall())
        simulated = is_simulated(path)
    except LedgerError as error:
        return {"error": type(error).__name__, "code": error.code}
    return {
        "rows": verdict.rows, "head": verdict.head, "broken_at": verdict.broken_seq, "why": verdict.why,
        "revision": revision, "simulated": simulated, "rows_by_kind": counted,
    }  # fmt: skip


def _events(path: Path) -> list[dict[str, Any]]:
    """Return the newest alarms, ends of runs and events: none of them bears a person's name."""
    try:
        found, _ = noted_after(path, 0)
    except LedgerError:
        return []
    return [
        {"seq": one.seq, "at_ms": one.at_ms, "trusted": one.trusted, "row": type(one.row).__name__, **_fields(one.row)}
        for one in found[-_EVENTS:]
    ]


def _fields(row: Any) -> dict[str, Any]:
    return {name: getattr(row, name) for name in type(row).__dataclass_fields__}


def _snapshot(folder: Path) -> dict[str, Any]:
    try:
        with LocalClient(folder / SOCKET, _LOOK_S) as daemon:
            snapshot = daemon.snapshot()
    except (LocalSocketFault, OSError) as error:
        return {"error": type(error).__name__}
    shown = {name: getattr(snapshot, name) for name in type(snapshot).__dataclass_fields__}
    shown["leases"] = [{key: one[key] for key in one if key not in ("who", "reason")} for one in snapshot.leases]
    shown["step"] = {key: snapshot.step[key] for key in snapshot.step if key != "who"}
    return shown
