"""`shiftwright commission report`: all that was measured at a site, to print and sign, or as JSON."""

import argparse
import json

from api.commissioning_report import report_html, report_of, reported
from daemon.cli.errors import InputError
from daemon.clock import RealClock
from daemon.folder import LEDGER
from daemon.site_file import parse_site
from drivers.profile import load_profiles


def main(arguments: argparse.Namespace) -> int:
    """Print the report, or write it as a page; return the exit code."""
    plant = parse_site(arguments.site.read_text("utf-8"), load_profiles())
    report = report_of(plant, reported(arguments.db / LEDGER), RealClock().stamp().utc)
    if arguments.html is None:
        print(json.dumps(report, indent=1))
        return 0
    try:
        arguments.html.write_text(report_html(report), "utf-8")
    except OSError as error:
        raise InputError(f"--html: got {error}; expected a place where this user may write") from None
    print(f"Written to {arguments.html}: {len(report['results'])} results, {len(report['open'])} open points.")
    return 0
