"""`shiftwright check`: all that is wrong with a site file, and with decisions beside it, at once."""

import argparse
from pathlib import Path

from daemon.cli.errors import InputError
from daemon.cli.plant import inspected, text_of, told
from daemon.commissioning.status import unknown_required
from daemon.commissioning.steps import STEPS
from daemon.decisions.kinds import KINDS
from daemon.planning.decided import Decided, parse_decisions
from daemon.planning.review import check_decisions
from daemon.site import Plant
from drivers.profile import Problem


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of check."""
    parser.add_argument("site", type=Path, help="the site file")
    parser.add_argument("--decisions", type=Path, metavar="FILE", help="check the decisions of this TOML file as well")


def main(arguments: argparse.Namespace) -> int:
    """Read the site file, and the decisions, and say all that is wrong with them at once. Touches nothing else."""
    found = inspected(arguments.site)
    wrong = [told(arguments.site, found.problems)] if found.problems else []
    decided = Decided({}, frozenset(), ())
    if arguments.decisions is not None:
        decided = parse_decisions(text_of(arguments.decisions))
        problems = (*decided.problems, *check_decisions(found, decided))
        wrong += [told(arguments.decisions, problems)] if problems else []
    if wrong or found.plant is None:
        raise InputError("\n".join(wrong))
    site = found.plant.site
    print(
        f"{arguments.site}: {site.site.name}, {len(site.block)} block(s), {len(site.injector)} injection channel(s), "
        f"{len(site.device)} device(s) on {len(site.bus)} bus(es). No errors."
    )
    for name in unknown_required(site):
        print(f"Warning: {_not_there(name, found.plant)}. Nothing is injected until this is put right; water runs.")
    if arguments.decisions is not None:
        counted = {kind: len(decided.names(model)) for kind, model in KINDS.items()}
        counts = ", ".join(f"{count} of {kind}" for kind, count in counted.items() if count)
        print(f"{arguments.decisions}: {counts}. No errors.")
    return 0


def _not_there(name: str, plant: Plant) -> Problem:
    step = STEPS[name.partition(".")[0]]
    subjects = ", ".join(f"{step.name}.{subject}" for subject in step.subjects(plant.site))
    return Problem("commissioning.required", repr(name), f"{step.name}, or one of {subjects or 'none: there is none'}")
