"""`shiftwright alert test`: send one message to each destination of the site file, and say what became of it."""

import argparse
import asyncio
from pathlib import Path

from api.followers.credentials import CredentialError, read_credentials
from api.followers.following import send, words_to
from api.followers.letter import Letter
from api.followers.sending import SendError
from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.cli.subcommands import What, add_whats, do_what


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommand and its arguments."""
    add_whats(parser, (What("test", "send a message that says it is a test", _add_test, _test),))


def main(arguments: argparse.Namespace) -> int:
    """Do it; return the exit code."""
    return do_what(arguments)


def _add_test(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, help="the site file")
    parser.add_argument("--to", action="append", metavar="NAME", help="this destination alone (repeatable)")


def _test(arguments: argparse.Namespace) -> int:
    """Send; return 1 where one of them did not take it. Raises InputError."""
    plant = read_plant(arguments.site)
    alerts = plant.site.alerts
    if not alerts.to:
        raise InputError("the site file names no destination: add a table [alerts.to.NAME], see README.md")
    unknown = [name for name in arguments.to or () if name not in alerts.to]
    if unknown:
        raise InputError(f"--to: got {unknown[0]!r}; expected one of {', '.join(alerts.to)}")
    try:
        credentials = read_credentials(alerts)
    except CredentialError as error:
        raise InputError(str(error)) from None
    failures = 0
    for name in arguments.to or alerts.to:
        to = alerts.to[name]
        words = words_to(plant.site, to)
        letter = Letter(
            words.say("alert.test", site=plant.site.site.name), words.say("alert.test_text"), wakes=False, of=()
        )
        try:
            asyncio.run(send(to, credentials.get(name, {}), letter))
        except SendError as error:
            failures += 1
            print(f"{name}: not sent. {error}")
        else:
            print(f"{name}: sent.")
    return 1 if failures else 0
