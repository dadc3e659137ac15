"""`shiftwright stock`: what a tank may hold, what it holds, what was done to it, and what to weigh for it."""

import argparse

from daemon.cli import stock_check, stock_log, stock_record, stock_solve
from daemon.cli.subcommands import What, add_whats, do_what

_WHATS = (
    What("check", "may these products share a tank, and how to mix them", stock_check.add_check, stock_check.check),
    What("products", "the products that are known, by analysis", stock_check.add_products, stock_check.products),
    What("show", "what is in each tank, and its log", stock_log.add_show, stock_log.show),
    What("mix", "record that a tank was filled, topped up or drained", stock_record.add_mix, stock_record.mix),
    What("correct", "correct a mix; doses since are restated", stock_record.add_correct, stock_record.correct),
    What("bucket", "record a bucket test of a batch", stock_record.add_bucket, stock_record.bucket),
    What("jar", "record a jar test of products together", stock_record.add_jar, stock_record.jar),
    What("solve", "what to weigh for the targets, from what is in the shed", stock_solve.add_solve, stock_solve.solve),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the subcommands and their arguments."""
    for added in add_whats(parser, _WHATS):
        added.add_argument("--json", action="store_true", help="the figures as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Do one of them; return the exit code."""
    return do_what(arguments)
