"""`shiftwright owed` and `flush`: what the record says is still owed, each with the command that gives it."""

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.cli.client import add_folder, command
from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.clock import RealClock
from daemon.folder import LEDGER
from daemon.ledger.durable import Durable, open_state
from daemon.messages import Verb
from daemon.planning.flush import MAIN
from daemon.planning.rest import Rest
from daemon.planning.run_names import NOW, program_of
from daemon.runtime.left_over import left_by_runs
from daemon.site import Site


@dataclass(frozen=True, slots=True)
class _Debt:
    """Flush that a segment owes."""

    segment: str
    stock: str
    litres: float
    age_h: float | None
    """None where the clock was not trusted."""
    bars: tuple[str, ...]
    """Blocks that no stock may enter before it is flushed."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the site and the folder."""
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)
    parser.add_argument("--json", action="store_true", help="all of it as JSON")


def main(arguments: argparse.Namespace) -> int:
    """Print what is owed; return the exit code. Only reads: the daemon may run or not."""
    site = read_plant(arguments.site).site
    path = arguments.db / LEDGER
    if not path.exists():
        raise InputError(f"{arguments.db}: got a folder without a record; expected the daemon's (--db DIR)")
    now = RealClock().stamp()
    debts = _debts(site, open_state(path), now.ms if now.trusted else None)
    runs = [_run(*found, arguments.db) for found in left_by_runs(path)]
    if arguments.json:
        flush = [
            {"segment": d.segment, "stock": d.stock, "litres": d.litres, "age_h": d.age_h, "bars": list(d.bars)}
            for d in debts
        ]
        print(json.dumps({"flush": flush, "runs": runs}, indent=1))
        return 0
    print("\n".join([*_flush_lines(debts, arguments.db), *_run_lines(runs)]))
    return 0


def _debts(site: Site, durable: Durable, now_ms: int | None) -> list[_Debt]:
    found = []
    for stamped in durable.owed:
        row, since = stamped.row, durable.owed_since[stamped.row.segment, stamped.row.stock]
        age_h = (now_ms - since.at_ms) / 3.6e6 if now_ms is not None and since.trusted else None
        bars = tuple(site.block) if row.segment == MAIN else (row.segment,)
        found.append(_Debt(row.segment, row.stock, row.owed_ml / 1000.0, age_h, bars))
    return found


def _flush_lines(debts: list[_Debt], folder: Path) -> list[str]:
    if not debts:
        return ["No flush is owed."]
    lines = ["Flush owed:"]
    for debt in debts:
        age = "of unknown age" if debt.age_h is None else f"for {debt.age_h:.1f} h"
        lines.append(
            f"  {debt.segment}, stock {debt.stock}: {debt.litres:.0f} L {age}; "
            f"bars fertiliser to {', '.join(debt.bars)}"
        )
    return [
        *lines,
        f"  All of it: shiftwright flush --db {folder}",
        "  The next run over these pipes pays it first too.",
    ]


def _run(run: str, why: str, rest: Rest, folder: Path) -> dict[str, Any]:
    program = program_of(run)
    what = f"--block {program.removesuffix(NOW)} --minutes N" if program.endswith(NOW) else f"--rest {run}"
    return {
        "run": run,
        "why": why,
        "water_m3": round(rest.water_m3, 2),
        "stock_l": {stock: round(litres, 2) for stock, litres in rest.stock_l.items()},
        "command": f"shiftwright start {what} --db {folder}",
    }


def _run_lines(runs: list[dict[str, Any]]) -> list[str]:
    if not runs:
        return ["No run of the last nights was cut off with anything left to give."]
    lines = ["Runs that were cut off:"]
    for one in runs:
        stock = ", ".join(f"{litres:g} L of {name}" for name, litres in one["stock_l"].items()) or "no stock"
        lines.append(f"  {one['run']} ({one['why']}): {one['water_m3']:g} m3 of water, {stock}")
        lines.append(f"    {one['command']}")
    return lines


def add_flush(parser: argparse.ArgumentParser) -> None:
    """Declare the blocks and the folder."""
    parser.add_argument("blocks", nargs="*", metavar="BLOCK", help="flush these alone; none: all that owe a flush")
    add_folder(parser)


def flush(arguments: argparse.Namespace) -> int:
    """Flush what is owed with water alone."""
    return command(arguments, Verb.START, {"flush": arguments.blocks})
