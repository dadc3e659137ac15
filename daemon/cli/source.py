"""Where a command finds what it goes by: the daemon's record, or a file of decisions as if nothing had been given."""

import argparse
from dataclasses import dataclass
from pathlib import Path

from daemon.agronomy.past import Past
from daemon.cli.client import DEFAULT_FOLDER
from daemon.cli.errors import InputError
from daemon.decisions.base import Decisions
from daemon.folder import LEDGER
from daemon.ledger.accounts import read_past
from daemon.ledger.in_force import read_in_force
from daemon.planning.decided import parse_decisions


@dataclass(frozen=True, slots=True)
class Source:
    """What people decided, and what runs gave."""

    decisions: Decisions
    past: Past
    notes: tuple[str, ...]
    """What to say of it."""


def add_source(parser: argparse.ArgumentParser) -> None:
    """Declare the site, and the folder or the file."""
    parser.add_argument("site", type=Path, help="the site file")
    source = parser.add_mutually_exclusive_group()
    source.add_argument(
        "--db", type=Path, default=DEFAULT_FOLDER, metavar="DIR", help=f"the daemon's folder (default {DEFAULT_FOLDER})"
    )
    source.add_argument(
        "--decisions", type=Path, metavar="FILE", help="go by this TOML file, as if nothing were delivered yet"
    )


def read_source(arguments: argparse.Namespace) -> Source:
    """Return it. Raises InputError for what is not there or wrong, with what to do, and what the record raises."""
    return _of_file(arguments.decisions) if arguments.decisions is not None else _of_record(arguments)


def _of_file(file: Path) -> Source:
    try:
        found = parse_decisions(file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file of decisions in UTF-8") from None
    if found.problems:
        count = len(found.problems)
        raise InputError("\n".join((f"{file}: {count} error{'s' if count > 1 else ''}", *map(str, found.problems))))
    return Source(found.right, Past(), (f"By {file}, as if nothing were delivered yet.",))


def _of_record(arguments: argparse.Namespace) -> Source:
    path = arguments.db / LEDGER
    if not path.exists():
        raise InputError(
            f"{arguments.db}: got a folder without a record; expected the daemon's, after its first start (shiftwright "
            "run SITE --db DIR). To see what a file of decisions comes to: shiftwright "
            f"{arguments.command} SITE --decisions FILE"
        )
    in_force = read_in_force(path)
    return Source(in_force.decisions, read_past(path), in_force.unread)
