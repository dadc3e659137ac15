"""`shiftwright tonight`: what is different on one night, and back to how it was planned."""

import argparse
from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.given import day, moment
from daemon.cli.plant import read_plant
from daemon.cli.recording import Bodies, keep
from daemon.cli.stock_given import kind_of, named
from daemon.cli.subcommands import What, add_whats, do_what
from daemon.decisions.base import Decisions
from daemon.decisions.timetable import Timetable, Tonight
from daemon.decisions.watering import Shift
from daemon.folder import LEDGER
from daemon.ledger.in_force import parse_decision, read_in_force
from daemon.planning.timetable import next_start, night_of

_LEAST_PCT, _MOST_PCT = 10.0, 200.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands and their arguments."""
    add_whats(parser, _WHATS)


def main(arguments: argparse.Namespace) -> int:
    """Do one of them; return the exit code."""
    return do_what(arguments)


def _add_change(parser: argparse.ArgumentParser) -> None:
    _add_where(parser)
    parser.add_argument("--why", required=True, help="why: the record keeps it")


def _add_water(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("share", type=_share, metavar="PERCENT", help="of its water, such as 70%%; the dose stays")
    _add_change(parser)


def _add_where(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)
    parser.add_argument("--shift", action="append", help="this shift alone (repeatable; all without it)")
    parser.add_argument("--night", metavar="DATE", help="the date of its evening (default: that of the next start)")


def _skip(arguments: argparse.Namespace) -> int:
    return _change(arguments, {"do": "skip"})


def _water_only(arguments: argparse.Namespace) -> int:
    return _change(arguments, {"do": "water_only"})


def _water(arguments: argparse.Namespace) -> int:
    return _change(arguments, {"do": "water_share", "water_share": arguments.share})


def _as_planned(arguments: argparse.Namespace) -> int:
    return _change(arguments, None)


_WHATS = (
    What("skip", "no water and no fertiliser", _add_change, _skip),
    What("water-only", "the water without the fertiliser", _add_change, _water_only),
    What("water", "less water, or more, and the same dose", _add_water, _water),
    What("as-planned", "take back what was decided for a night", _add_where, _as_planned),
)


def _change(arguments: argparse.Namespace, change: Mapping[str, Any] | None) -> int:
    """Record what is different on a night, one decision for each shift or one for all; None takes it back.

    A newer word for the same shifts takes the place of the older one.
    """
    plant, in_force = read_plant(arguments.site), read_in_force(arguments.db / LEDGER)
    zone, decisions = plant.site.site.zone, in_force.decisions
    for shift in arguments.shift or ():
        named(decisions, Shift, shift, "--shift")
    night = night_ahead(decisions, zone) if arguments.night is None else day(arguments.night, "--night")
    bodies: dict[tuple[str, str], dict[str, Any] | None] = {}
    for shift in arguments.shift or (None,):
        key = f"night_{night:%Y_%m_%d}" + (f"_{shift}" if shift else "")
        if change is not None:
            body = {"night": night.isoformat(), "shifts": [shift] if shift else [], "why": arguments.why, **change}
            bodies[Tonight.kind, key] = parse_decision(Tonight.kind, key, body).model_dump(mode="json")
    if change is None:
        bodies = {
            (Tonight.kind, key): None
            for key, found in _on(decisions, night).items()
            if not arguments.shift or set(found.shifts) & set(arguments.shift)
        }
        if not bodies:
            raise InputError(f"Nothing else was decided for the night of {night:%a %d %b %Y}: it runs as planned.")
    whole: Bodies = bodies
    print(keep(plant, arguments.db, whole, in_force.versions))
    print("\n".join(_told(read_in_force(arguments.db / LEDGER).decisions, night)))
    return 0


def night_ahead(decisions: Decisions, zone: str) -> date:
    """Return the night that somebody means by tonight: that of the next start, or the one that it is."""
    now: datetime = moment(None, zone)
    here = ZoneInfo(zone)
    starts = (next_start(key, found, here, now) for key, found in kind_of(decisions, Timetable).items())
    return min((start.night for start in starts if start is not None), default=night_of(now, here))


def _on(decisions: Decisions, night: date) -> dict[str, Tonight]:
    return {key: found for key, found in kind_of(decisions, Tonight).items() if found.night == night}


def _told(decisions: Decisions, night: date) -> list[str]:
    """Return all that is different on a night, in words."""
    told = []
    for found in _on(decisions, night).values():
        who = f"shift {', '.join(found.shifts)}" if found.shifts else "all shifts"
        does = {
            "skip": "skipped",
            "water_only": "water without fertiliser",
            "water_share": f"{100.0 * (found.water_share or 1.0):g} % of the water, the same dose",
        }
        told.append(f"Night of {night:%a %d %b %Y}, {who}: {does[found.do]} ({found.why}).")
    return told or [f"Night of {night:%a %d %b %Y}: as planned."]


def _share(text: str) -> float:
    try:
        percent = float(text.removesuffix("%"))
    except ValueError:
        percent = 0.0
    if not _LEAST_PCT <= percent <= _MOST_PCT:
        raise argparse.ArgumentTypeError(f"got {text!r}; expected {_LEAST_PCT:g}% to {_MOST_PCT:g}% of its water")
    return percent / 100.0
