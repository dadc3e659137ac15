"""Commands to a running daemon: status, start, hold, stop, reset; and how the others ask."""

import argparse
import getpass
import json
import uuid
from dataclasses import asdict
from pathlib import Path
from typing import Any

from daemon.cli.errors import InputError
from daemon.local_socket.client import LocalClient
from daemon.messages import OPERATOR, TECHNICIAN, Command, Snapshot, Verb

DEFAULT_FOLDER = Path("/var/lib/shiftwright")
_TIMEOUT_S = 15.0


def add_folder(parser: argparse.ArgumentParser) -> None:
    """Declare where the daemon keeps its ledger and its socket."""
    parser.add_argument(
        "--db", type=Path, default=DEFAULT_FOLDER, metavar="DIR", help=f"the daemon's folder (default {DEFAULT_FOLDER})"
    )


def add_status(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of status."""
    add_folder(parser)
    parser.add_argument("--json", action="store_true", help="the whole snapshot as JSON")


def status(arguments: argparse.Namespace) -> int:
    """Print what the newest scan saw."""
    snapshot = snapshot_of(arguments)
    if arguments.json:
        print(json.dumps(asdict(snapshot), indent=1))
        return 0
    print("\n".join(lines_of(snapshot)))
    return 0


def add_start(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of start."""
    parser.add_argument(
        "programs", nargs="*", help="the programs to run, one after the other; none goes on with a held run"
    )
    parser.add_argument("--block", metavar="NAME", help="water this block alone, now, without fertiliser")
    parser.add_argument("--minutes", type=float, metavar="N", help="for so long, with --block")
    parser.add_argument("--rest", metavar="RUN", help="give what a run that was cut off still owes (see owed)")
    add_folder(parser)


def start(arguments: argparse.Namespace) -> int:
    """Start programs' shifts, one after the other, or one block's water, or go on with a held run."""
    block, minutes = arguments.block, arguments.minutes
    if arguments.rest is not None:
        if arguments.programs or block is not None:
            raise InputError("start: --rest RUN stands alone")
        return command(arguments, Verb.START, {"rest": arguments.rest})
    if (block is None) != (minutes is None) or (block is not None and arguments.programs):
        raise InputError("start: expected programs, or --block NAME with --minutes N, or nothing to go on")
    if block is not None:
        return command(arguments, Verb.START, {"block": block, "minutes": minutes})
    return command(arguments, Verb.START, {"programs": arguments.programs})


def hold(arguments: argparse.Namespace) -> int:
    """Hold the run: fertiliser off, water on for a bounded time."""
    return command(arguments, Verb.HOLD, {})


def add_stop(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of stop."""
    parser.add_argument(
        "what",
        choices=("fertiliser", "everything"),
        help="fertiliser: water and flush go on. everything: a controlled stop of all, with the flush owed",
    )
    add_folder(parser)


def stop(arguments: argparse.Namespace) -> int:
    """Stop fertiliser alone, or everything."""
    verb = Verb.STOP_FERTILISER if arguments.what == "fertiliser" else Verb.STOP_EVERYTHING
    return command(arguments, verb, {})


def add_reset(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of reset."""
    add_technician(parser)
    add_folder(parser)


def reset(arguments: argparse.Namespace) -> int:
    """Clear what an operator may clear, or what a technician must. Starts nothing."""
    return command(arguments, Verb.RESET, {}, role_of(arguments))


def add_technician(parser: argparse.ArgumentParser) -> None:
    """Declare that a technician may ask, where that makes a difference."""
    parser.add_argument("--technician", action="store_true", help="ask as a technician; the record keeps your name")


def role_of(arguments: argparse.Namespace) -> str:
    """Return the role that somebody asks in."""
    return TECHNICIAN if arguments.technician else OPERATOR


def command(arguments: argparse.Namespace, verb: Verb, values: dict[str, Any], role: str = OPERATOR) -> int:
    """Ask the daemon for something and print its answer; return the exit code."""
    asked = Command(uuid.uuid4().hex, getpass.getuser(), role, verb, values)
    with _daemon(arguments.db) as daemon:
        answer = daemon.command(asked)
    print(answer.reason)
    return 0 if answer.accepted else 1


def snapshot_of(arguments: argparse.Namespace) -> Snapshot:
    """Return the daemon's newest snapshot."""
    with _daemon(arguments.db) as daemon:
        return daemon.snapshot()


def _daemon(folder: Path) -> LocalClient:
    return LocalClient(folder / "daemon.sock", _TIMEOUT_S)


def lines_of(snapshot: Snapshot) -> list[str]:
    """Return a snapshot in words."""
    kind = "SIMULATED" if snapshot.simulated else "real plant"
    phase = f", {snapshot.phase}" if snapshot.phase else ""
    lines = [f"{snapshot.site} ({kind}): {snapshot.procedure}{phase}, {snapshot.mode}"]
    if snapshot.run:
        done = snapshot.progress
        then = f", then {', '.join(snapshot.queue)}" if snapshot.queue else ""
        lines.append(
            f"run {snapshot.run}{then}: water {done['water_m3']:.1f} of {done['planned_water_m3']:.1f} m3, "
            f"stock {done['stock_l']:.1f} of {done['planned_stock_l']:.1f} L"
        )
    lines += [_estimate(estimate) for estimate in snapshot.estimates]
    for name, reading in snapshot.readings.items():
        value = "no value" if reading["value"] is None else f"{reading['value']:g}"
        mark = "" if reading["quality"] == "GOOD" else f"  {reading['quality']}"
        lines.append(f"  {name:28} {value}{mark}")
    lines += [f"flush owed: {o['segment']}, stock {o['stock']}, {o['left_l'] / 1000.0:.1f} m3" for o in snapshot.owed]
    if snapshot.tonight.get("next"):
        lines.append(f"next start: {snapshot.tonight['next']['at']}, timetable {snapshot.tonight['next']['timetable']}")
    lines += [f"MIND: {text}" for text in snapshot.tonight.get("notices", ())]
    lines += [_alarm(alarm) for alarm in snapshot.alarms]
    lines += [_lease(lease) for lease in snapshot.leases]
    lines += [
        f"bus {name}: {link['last_failure']}" for name, link in snapshot.links.items() if link["failures_in_a_row"]
    ]
    lines += [
        f"device {name}: {device['state']}; {device['last_failure']}"
        for name, device in snapshot.devices.items()
        if device["state"] != "answering"
    ]
    if not snapshot.ledger["writable"]:
        lines.append("The record cannot be written: water only, no fertiliser. See to the disk.")
    return lines


def _estimate(estimate: dict[str, Any]) -> str:
    """Return one channel's stock in words: by all estimates together, and by each that speaks."""
    each = ", ".join(
        f"{name} {estimate[key]['litres']:.1f}"
        for key, name in (("meter", "meter"), ("tank", "tank"), ("ec", "EC"))
        if estimate[key] is not None
    )
    together = estimate["together"]
    return (
        f"channel {estimate['channel']}: {together['litres']:.1f} ± {together['u_k2_litres']:.1f} L of stock ({each})"
    )


def _alarm(alarm: dict[str, Any]) -> str:
    kind = "CAUSE" if alarm["state"] == "no alarm" else "ALARM"
    state = f" ({alarm['state']})" if kind == "ALARM" else ""
    return f"{kind} {alarm['code']}{state}: {alarm['meaning']} {alarm['check']} Reset: {alarm['reset']}."


def _lease(lease: dict[str, Any]) -> str:
    held = f"{lease['target']} {'on' if lease['is_on'] else 'off'}" if lease["kind"] == "force" else lease["target"]
    what = "FORCED" if lease["kind"] == "force" else "BYPASSED"
    return f"{what} {held}: by {lease['who']}, {lease['left_s'] / 60.0:.0f} min more: {lease['reason']}"
