"""`shiftwright stock`: what a tank may hold, what it holds, what was done to it, and what to weigh for it."""

import argparse
from collections.abc import Callable
from dataclasses import dataclass

from daemon.cli import stock_check, stock_log, stock_record, stock_solve


@dataclass(frozen=True, slots=True)
class _What:
    name: str
    summary: str
    declare: Callable[[argparse.ArgumentParser], None]
    do: Callable[[argparse.Namespace], int]


_WHATS = (
    _What("check", "may these products share a tank, and how to mix them", stock_check.add_check, stock_check.check),
    _What("products", "the products that are known, by analysis", stock_check.add_products, stock_check.products),
    _What("show", "what is in each tank, and its log", stock_log.add_show, stock_log.show),
    _What("mix", "record that a tank was filled, topped up or drained", stock_record.add_mix, stock_record.mix),
    _What("correct", "correct a mix; doses since are restated", stock_record.add_correct, stock_record.correct),
    _What("bucket", "record a bucket test of a batch", stock_record.add_bucket, stock_record.bucket),
    _What("jar", "record a jar test of products together", stock_record.add_jar, stock_record.jar),
    _What("solve", "what to weigh for the targets, from what is in the shed", stock_solve.add_solve, stock_solve.solve),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands and their arguments."""
    whats = parser.add_subparsers(dest="what", required=True, metavar="WHAT")
    for what in _WHATS:
        added = whats.add_parser(what.name, help=what.summary, description=what.summary)
        what.declare(added)
        added.add_argument("--json", action="store_true", help="the figures as JSON")
        added.set_defaults(do_stock=what.do)


def main(arguments: argparse.Namespace) -> int:
    """Do one of them; return the exit code."""
    do: Callable[[argparse.Namespace], int] = arguments.do_stock
    return do(arguments)
