"""`shiftwright mode`, `force`, `bypass`, `release`: who commands the plant, and what is set aside for a time."""

import argparse

from daemon.cli.client import add_folder, add_technician, command, role_of
from daemon.control.lease import LONGEST_S
from daemon.control.states import UnitMode
from daemon.messages import TECHNICIAN, Verb

_LONGEST_MIN = f"{LONGEST_S / 60.0:.0f}"


def add_mode(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of mode."""
    parser.add_argument(
        "mode",
        type=str.upper,
        choices=[mode.value for mode in UnitMode],
        help="AUTOMATIC: the timetable starts; SEMI_AUTOMATIC: people alone do; MANUAL: outputs are forced, no shift "
        "runs; OUT_OF_SERVICE: nothing comes on",
    )
    add_folder(parser)


def mode(arguments: argparse.Namespace) -> int:
    """Change the unit's mode."""
    return command(arguments, Verb.MODE, {"mode": arguments.mode})


def add_force(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of force."""
    parser.add_argument("target", help="pump, valve.BLOCK or injector.CHANNEL")
    parser.add_argument("to", choices=("on", "off"), help="how it is held")
    _add_lease(parser)
    parser.add_argument("--drive", type=float, metavar="PART", help="of an injector: part of its range, above 0 to 1")
    add_technician(parser)
    add_folder(parser)


def force(arguments: argparse.Namespace) -> int:
    """Hold an output for a time, as far as everything permits it."""
    values = {
        "target": arguments.target,
        "on": arguments.to == "on",
        "minutes": arguments.minutes,
        "reason": arguments.reason,
    }
    if arguments.drive is not None:
        values["drive"] = arguments.drive
    return command(arguments, Verb.FORCE, values, role_of(arguments))


def add_bypass(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of bypass."""
    parser.add_argument("code", help="the interlock, as `interlocks` lists it")
    _add_lease(parser)
    add_folder(parser)


def bypass(arguments: argparse.Namespace) -> int:
    """Set a non-critical interlock aside for a time."""
    values = {"code": arguments.code, "minutes": arguments.minutes, "reason": arguments.reason}
    return command(arguments, Verb.BYPASS, values, TECHNICIAN)


def add_release(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of release."""
    parser.add_argument("target", nargs="?", help="a forced output or a bypassed interlock; none: all of them")
    add_technician(parser)
    add_folder(parser)


def release(arguments: argparse.Namespace) -> int:
    """End what is forced or bypassed before its time."""
    values = {"target": arguments.target} if arguments.target is not None else {}
    return command(arguments, Verb.RELEASE, values, role_of(arguments))


def _add_lease(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--minutes", type=float, required=True, metavar="N", help=f"for so long, at most {_LONGEST_MIN}; then it ends"
    )
    parser.add_argument("--reason", required=True, help="why: the record keeps it with your name")
