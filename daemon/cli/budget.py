"""`shiftwright budget`: what each block was to have of each nutrient, has had, and may still have."""

import argparse
import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path

from daemon.agronomy.budget import Account, accounts, farm_average_kg_ha
from daemon.agronomy.caps import suggested_caps
from daemon.agronomy.past import Past
from daemon.agronomy.recommend import DueDose, due_dose
from daemon.cli.budget_view import Budget, Known, Row, budget_figures, budget_lines
from daemon.cli.client import DEFAULT_FOLDER
from daemon.cli.errors import InputError
from daemon.cli.given import moment
from daemon.cli.plant import read_plant
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Cap, Cycle
from daemon.ledger.accounts import read_past
from daemon.planning.decided import parse_decisions
from daemon.planning.field import areas_in_use
from daemon.runtime.decided import read_in_force
from daemon.runtime.folder import LEDGER
from daemon.site import Plant


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument("site", type=Path, help="the site file")
    source = parser.add_mutually_exclusive_group()
    source.add_argument(
        "--db", type=Path, default=DEFAULT_FOLDER, metavar="DIR", help=f"the daemon's folder (default {DEFAULT_FOLDER})"
    )
    source.add_argument(
        "--decisions", type=Path, metavar="FILE", help="go by this TOML file, as if nothing were delivered yet"
    )
    parser.add_argument("--block", metavar="BLOCK", help="this block alone")
    parser.add_argument("--cycle", metavar="CYCLE", help="this crop cycle alone")
    parser.add_argument("--at", metavar="DAY", help="as it stands on this day, its runs included (default: now)")
    parser.add_argument("--json", action="store_true", help="the figures as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Print the budget. Raises InputError for what is not there, with what to do."""
    plant = read_plant(arguments.site)
    now = moment(arguments.at, plant.site.site.zone)
    known = _of_file(arguments.decisions) if arguments.decisions is not None else _of_record(arguments.db)
    if arguments.at is not None:
        known = Known(known.decisions, _until(known.past, now), known.notes)
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


def _of_file(file: Path) -> Known:
    try:
        found = parse_decisions(file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file of decisions in UTF-8") from None
    if found.problems:
        count = len(found.problems)
        raise InputError("\n".join((f"{file}: {count} error{'s' if count > 1 else ''}", *map(str, found.problems))))
    return Known(found.right, Past(), (f"By {file}, as if nothing were delivered yet.",))


def _of_record(folder: Path) -> Known:
    path = folder / LEDGER
    if not path.exists():
        raise InputError(
            f"{folder}: got a folder without a record; expected the daemon's, after its first start (shiftwright run "
            "SITE --db DIR). To see what a file of decisions comes to: shiftwright budget SITE --decisions FILE"
        )
    in_force = read_in_force(path)
    return Known(in_force.decisions, read_past(path), in_force.unread)


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
    plant: Plant, known: Known, now: datetime, cycles: Mapping[str, Cycle], only: str | None
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


def _due(known: Known, account: Account, areas_ha: Mapping[str, float], now: datetime) -> DueDose | None:
    if not account.recommendation:
        return None
    area_ha = {account.block: areas_ha[account.block]}
    return due_dose(known.decisions, account.recommendation, account.nutrient, area_ha, known.past, now)


def _offered(decisions: Decisions, cycle: str, now: datetime) -> Cap | None:
    one = {name: decision for name, decision in decisions.items() if name[0] != Cycle.kind or name[1] == cycle}
    return next(iter(suggested_caps(one, now.date()).values()), None)
