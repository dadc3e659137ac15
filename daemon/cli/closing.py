"""`shiftwright block`: a block closed for a time, for pickers or after spraying, and open again."""

import argparse
from datetime import datetime
from pathlib import Path
from typing import Any

from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.given import day, moment
from daemon.cli.plant import read_plant
from daemon.cli.recording import keep
from daemon.cli.stock_given import kind_of
from daemon.cli.subcommands import What, add_whats, do_what
from daemon.decisions.watering import BlockState
from daemon.folder import LEDGER
from daemon.ledger.in_force import parse_decision, read_in_force
from daemon.site import Plant


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands and their arguments."""
    add_whats(parser, _WHATS)


def main(arguments: argparse.Namespace) -> int:
    """Do one of them; return the exit code."""
    return do_what(arguments)


def _add_close(parser: argparse.ArgumentParser) -> None:
    _add_block(parser)
    parser.add_argument(
        "--until", required=True, metavar="TIME", help="2026-11-27T15:00 by the site's clock; a day alone is its start"
    )
    parser.add_argument("--why", required=True, help="why: the record keeps it")


def _close(arguments: argparse.Namespace) -> int:
    plant = read_plant(arguments.site)
    return _record(arguments, plant, _until(arguments.until, plant.site.site.zone))


def _add_open(parser: argparse.ArgumentParser) -> None:
    _add_block(parser)
    parser.add_argument("--why", default="open again", help="why: the record keeps it")


def _open(arguments: argparse.Namespace) -> int:
    return _record(arguments, read_plant(arguments.site), None)


_WHATS = (
    What("close", "keep water off a block until a time", _add_close, _close),
    What("open", "let a block have water again", _add_open, _open),
)


def _add_block(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="BLOCK", help="the block")
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)


def _until(text: str, zone: str) -> str:
    """Return a day as it is, and a moment with its offset. Raises InputError for what is neither, or is past."""
    is_moment = "T" in text or " " in text
    until = moment(text, zone, "--until") if is_moment else day(text, "--until")
    now = moment(None, zone)
    if (until <= now) if isinstance(until, datetime) else (until <= now.date()):
        raise InputError(f"--until: got {text}, which is past; expected a time to come")
    return until.isoformat()


def _record(arguments: argparse.Namespace, plant: Plant, until: str | None) -> int:
    """Record until when a block is closed; None opens it. The area that is in use of it stays."""
    in_force, key = read_in_force(arguments.db / LEDGER), arguments.name
    if key not in plant.site.block:
        raise InputError(f"block: got {key!r}; expected one of {', '.join(plant.site.block)}")
    before = kind_of(in_force.decisions, BlockState).get(key)
    if until is None and (before is None or before.closed_until is None):
        raise InputError(f"block {key} is not closed: nothing was recorded")
    body: dict[str, Any] = {"why": arguments.why}
    if before is not None and before.area_ha is not None:
        body["area_ha"] = before.area_ha
    if until is not None:
        body["closed_until"] = until
    state = parse_decision(BlockState.kind, key, body)
    said = keep(plant, arguments.db, {(BlockState.kind, key): state.model_dump(mode="json")}, in_force.versions)
    print(f"{said}\nBlock {key}: {'open' if until is None else f'closed until {until}'} ({arguments.why}).")
    return 0
