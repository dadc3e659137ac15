"""`shiftwright budget`: what each block was to have of each nutrient, has had, and may still have."""

import argparse
import json
from collections.abc import Iterator, Mapping
from datetime import datetime

from daemon.agronomy.budget import Account, accounts, farm_average_kg_ha
from daemon.agronomy.caps import suggested_caps
from daemon.agronomy.past import Past
from daemon.agronomy.recommend import DueDose, due_dose
from daemon.cli.budget_view import Budget, Row, budget_figures, budget_lines
from daemon.cli.errors import InputError
from daemon.cli.given import moment
from daemon.cli.plant import read_plant
from daemon.cli.source import Source, add_source, read_source
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Cap, Cycle
from daemon.planning.field import areas_in_use
from daemon.site import Plant


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_source(parser)
    parser.add_argument("--block", metavar="BLOCK", help="this block alone")
    parser.add_argument("--cycle", metavar="CYCLE", help="this crop cycle alone")
    parser.add_argument("--at", metavar="DAY", help="as it stands on this day, its runs included (default: now)")
    parser.add_argument("--json", action="store_true", help="the figures as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Print the budget. Raises InputError for what is not there, with what to do."""
    plant = read_plant(arguments.site)
    now = moment(arguments.at, plant.site.site.zone)
    known = read_source(arguments)
    if arguments.at is not None:
        known = Source(known.decisions, _until(known.past, now), known.notes)
    if arguments.block is not None and arguments.block not in plant.site.block:
        raise InputError(f"--block: got {arguments.block!r}; expected one of {', '.join(plant.site.block)}")
    budgets = tuple(_budgets(plant, known, now, _wanted(known.decisions, arguments.cycle), arguments.block))
    if not budgets:
        raise InputError(f"--block: block {arguments.block} is in no such crop cycle; add it to the cycle's blocks")
    if arguments.json:
        print(json.dumps(budget_figures(plant, known, now, budgets), indent=1))
    else:
        print("\n".join(budget_lines(plant, known, now, budgets)))
    return 0


def _until(past: Past, now: datetime) -> Past:
    """Return what runs gave that began on the day of `now` or before it."""
    return Past(
        tuple(dose for dose in past.doses if dose.at.astimezone(now.tzinfo).date() <= now.date()),
        tuple(water for water in past.water if water.at.astimezone(now.tzinfo).date() <= now.date()),
    )


def _wanted(decisions: Decisions, only: str | None) -> dict[str, Cycle]:
    cycles = {key: cycle for (_, key), cycle in sorted(decisions.items()) if isinstance(cycle, Cycle)}
    if not cycles:
        raise InputError(
            "no crop cycle is entered, and a budget is kept for each. Enter [cycle.NAME] with its crop, blocks and "
            "stages: shiftwright import decisions FILE. An example: shiftwright demo --copy DIR"
        )
    if only is None:
        return cycles
    if only not in cycles:
        raise InputError(f"--cycle: got {only!r}; expected one of {', '.join(cycles)}")
    return {only: cycles[only]}


def _budgets(
    plant: Plant, known: Source, now: datetime, cycles: Mapping[str, Cycle], only: str | None
) -> Iterator[Budget]:
    """Yield each cycle's budget; with a block, of those cycles that have it, and its rows alone."""
    areas_ha = areas_in_use(plant.site, known.decisions)
    all_accounts = accounts(known.decisions, areas_ha, known.past, now)
    means = farm_average_kg_ha(all_accounts, areas_ha)
    for key, cycle in cycles.items():
        if only is None or only in cycle.blocks:
            rows = tuple(
                Row(account, _due(known, account, areas_ha, now))
                for account in all_accounts
                if account.cycle == key and only in (None, account.block)
            )
            mean_kg_ha = {nutrient: kg_ha for (of, nutrient), kg_ha in means.items() if of == key}
            yield Budget(key, cycle, rows, mean_kg_ha, _offered(known.decisions, key, now))


def _due(known: Source, account: Account, areas_ha: Mapping[str, float], now: datetime) -> DueDose | None:
    if not account.recommendation:
        return None
    area_ha = {account.block: areas_ha[account.block]}
    return due_dose(known.decisions, account.recommendation, account.nutrient, area_ha, known.past, now)


def _offered(decisions: Decisions, cycle: str, now: datetime) -> Cap | None:
    one = {name: decision for name, decision in decisions.items() if name[0] != Cycle.kind or name[1] == cycle}
    return next(iter(suggested_caps(one, now.date()).values()), None)
