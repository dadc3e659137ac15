"""`shiftwright plan`: what will run on a night, shift by shift, every check with its reason, and a rehearsal of it."""

import argparse
import json
import tempfile
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path
from zoneinfo import ZoneInfo

import uvloop

from daemon.agronomy.past import Past
from daemon.agronomy.tank import contents_at
from daemon.as_measured import as_measured
from daemon.cli.errors import InputError
from daemon.cli.given import day, moment
from daemon.cli.night_view import TRUTH, shift_lines
from daemon.cli.plan_view import is_refused, plan_figures, plan_lines, rehearsal_figures
from daemon.cli.plant import read_plant
from daemon.cli.rehearsal import Rehearsal, rehearse
from daemon.cli.source import Source, add_source, read_source
from daemon.cli.tonight import night_ahead
from daemon.folder import LEDGER, SOCKET
from daemon.ledger.accounts import PastReader
from daemon.local_socket.client import LocalClient
from daemon.local_socket.frames import LocalSocketFault
from daemon.planning.outlook import Known
from daemon.planning.timetable import instant, night_of
from daemon.planning.tonight import plan_night
from daemon.runtime.tonight import known_of
from daemon.site import Plant

_LOOK_S = 2.0
_SCHEMA = 1


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    add_source(parser)
    parser.add_argument("--night", metavar="DATE", help="the date of its evening (default: that of the next start)")
    parser.add_argument(
        "--simulate", action="store_true", help="run it on the simulator first, and say what would be delivered"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there")


def main(arguments: argparse.Namespace) -> int:
    """Print the plan of a night. Returns 1 where a shift is refused."""
    if arguments.json is not None and not arguments.json.parent.is_dir():
        raise InputError(f"--json: got {arguments.json}; expected a file in a folder that exists")
    source = read_source(arguments)
    plant = as_measured(read_plant(arguments.site), source.decisions)
    zone = ZoneInfo(plant.site.site.zone)
    night = night_ahead(source.decisions, zone.key) if arguments.night is None else day(arguments.night, "--night")
    now = planned_at(night, zone)
    folder = arguments.db if arguments.decisions is None else None
    known = _known(plant, source, folder, night, now)
    outlook = plan_night(plant, source.decisions, night, now, known)
    print("\n".join([*plan_lines(plant, outlook, now), *source.notes]))
    figures = {"schema": _SCHEMA, **plan_figures(outlook, now)}
    is_empty = all(run.recipe is None for start in outlook.starts for run in start.runs)
    if arguments.simulate and is_empty:
        print("Nothing runs on this night: nothing was rehearsed.")
    elif arguments.simulate:
        with tempfile.TemporaryDirectory(prefix="shiftwright-") as scratch:
            done = uvloop.run(rehearse(arguments.site, plant, source.decisions, outlook, known.held_l, Path(scratch)))
        print("\n".join(_rehearsed(done, zone)))
        figures["simulated"] = rehearsal_figures(done)
    if arguments.json is not None:
        arguments.json.write_text(json.dumps(figures, indent=1, ensure_ascii=False) + "\n", "utf-8")
    return 1 if is_refused(outlook) else 0


def planned_at(night: date, zone: ZoneInfo) -> datetime:
    """Return when a night is planned: now while it is that night, else the noon at which it begins."""
    now = moment(None, zone.key)
    noon = instant(datetime.combine(night, time(12)), zone)
    return now if night_of(now, zone) == night else noon.astimezone(zone)


def _known(plant: Plant, source: Source, folder: Path | None, night: date, now: datetime) -> Known:
    """Return what to plan a night by: as it was before `now`, where it is not the night that goes on."""
    if folder is None:
        contents = ((tank, contents_at(tank, source.decisions, now)) for tank in plant.site.tank)
        return Known(source.past, {tank: held.litres for tank, held in contents if held is not None})
    is_tonight = night_of(moment(None, plant.site.site.zone), ZoneInfo(plant.site.site.zone)) == night
    levels_l = _read_l(plant, folder) if is_tonight else {}
    known = known_of(plant, source.decisions, PastReader(folder / LEDGER), night, now, levels_l)
    return known if is_tonight else replace(known, past=_until(known.past, now), begun=frozenset())


def _until(past: Past, now: datetime) -> Past:
    return Past(tuple(one for one in past.doses if one.at <= now), tuple(one for one in past.water if one.at <= now))


def _read_l(plant: Plant, folder: Path) -> dict[str, float]:
    """Return what the daemon reads in each tank; nothing where none answers."""
    try:
        with LocalClient(folder / SOCKET, _LOOK_S) as daemon:
            readings = daemon.snapshot().readings
    except LocalSocketFault:
        return {}
    found = {injector.tank: readings.get(f"tank.{name}.content_l") for name, injector in plant.site.injector.items()}
    return {
        tank: float(reading["value"])
        for tank, reading in found.items()
        if reading is not None and reading["quality"] == "GOOD" and reading["value"] is not None
    }


def _rehearsed(done: Rehearsal, zone: ZoneInfo) -> list[str]:
    lines = ["", "Rehearsed on the simulator. It is not your plant, and this is no promise."]
    for report in done.reports:
        lines += [
            "",
            *shift_lines(done.truth_kg[report.started.row.run], report, zone, heads=report is done.reports[0]),
        ]
    return [*lines, *done.refused, "", TRUTH, f"{done.simulated_s / 3600.0:.1f} h in {done.wall_s:.0f} s."]
