"""A command of several: `stock mix`, `program add` and their like, from a table of what there is."""

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class What:
    """One of them."""

    name: str
    summary: str
    declare: Callable[[argparse.ArgumentParser], None]
    do: Callable[[argparse.Namespace], int]


def add_whats(parser: argparse.ArgumentParser, whats: Sequence[What]) -> list[argparse.ArgumentParser]:
    """Declare all of them, and return their parsers."""
    added = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    parsers = []
    for what in whats:
        one = added.add_parser(what.name, help=what.summary, description=what.summary)
        what.declare(one)
        one.set_defaults(do_what=what.do)
        parsers.append(one)
    return parsers


def do_what(arguments: argparse.Namespace) -> int:
    """Do the one that was asked for; return the exit code."""
    do: Callable[[argparse.Namespace], int] = arguments.do_what
    return do(arguments)
