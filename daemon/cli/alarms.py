"""`shiftwright alarms`: what stands, what it means, what to look at; acknowledge and shelve, which change no action."""

import argparse
import json

from daemon.cli.client import add_folder, command, snapshot_of
from daemon.cli.subcommands import What, add_whats, do_what
from daemon.cli.tables import table
from daemon.messages import Verb

_HEADS = ("alarm", "priority", "state", "since", "does", "reset by")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands and their arguments."""
    add_whats(parser, _WHATS)


def main(arguments: argparse.Namespace) -> int:
    """Do one of them; return the exit code."""
    return do_what(arguments)


def _add_list(parser: argparse.ArgumentParser) -> None:
    add_folder(parser)
    parser.add_argument("--json", action="store_true", help="as JSON")


def _list(arguments: argparse.Namespace) -> int:
    shown = snapshot_of(arguments).alarms
    if arguments.json:
        print(json.dumps(shown, indent=1))
        return 0
    if not shown:
        print("No alarm stands.")
        return 0
    rows = []
    for alarm in shown:
        first = ", came first" if alarm["first"] else ""
        shelved = f" for {alarm['shelved_s'] / 60.0:.0f} min" if alarm["shelved_s"] else ""
        state = f"{alarm['state']}{shelved}{first}"
        since = f"{alarm['age_s'] / 60.0:.0f} min"
        rows.append((alarm["code"], alarm["priority"].lower(), state, since, alarm["effect"], alarm["reset"]))
    print("\n".join(table(_HEADS, rows)))
    for alarm in shown:
        likely = f" Likely: {alarm['likely']}" if alarm["likely"] else ""
        print(f"\n{alarm['code']}: {alarm['meaning']}{likely}\n  First: {alarm['check']}")
    return 0


def _add_acknowledge(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("code", nargs="?", default="", help="this alarm alone (all without it)")
    add_folder(parser)


def _acknowledge(arguments: argparse.Namespace) -> int:
    return command(arguments, Verb.ACKNOWLEDGE, {"code": arguments.code} if arguments.code else {})


def _add_shelve(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("code", help="the alarm")
    parser.add_argument("--minutes", type=float, required=True, metavar="N", help="for so long")
    parser.add_argument("--reason", required=True, help="why: the record keeps it")
    add_folder(parser)


def _shelve(arguments: argparse.Namespace) -> int:
    values = {"code": arguments.code, "minutes": arguments.minutes, "reason": arguments.reason}
    return command(arguments, Verb.SHELVE, values)


def _add_unshelve(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("code", help="the alarm")
    add_folder(parser)


def _unshelve(arguments: argparse.Namespace) -> int:
    return command(arguments, Verb.UNSHELVE, {"code": arguments.code})


_WHATS = (
    What("list", "what stands, the most urgent first", _add_list, _list),
    What("acknowledge", "say that it has been seen; changes no process action", _add_acknowledge, _acknowledge),
    What("shelve", "keep one quiet for a time; it still acts", _add_shelve, _shelve),
    What("unshelve", "let it speak again", _add_unshelve, _unshelve),
)
