"""`program list`: every program by its timetable, with its water and stocks, and when it runs next."""

import argparse
import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.cli.client import add_folder
from daemon.cli.given import moment
from daemon.cli.plant import read_plant
from daemon.cli.stock_given import kind_of
from daemon.cli.tables import table
from daemon.decisions.base import Decisions
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import PRESCRIBED, WATERED, Injection, Program
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.planning.timetable import next_start
from daemon.site import Plant

_UNITS = {
    "water_m3": "m3",
    "water_min": "min",
    "water_mm": "mm",
    "dose_kg_ha": "kg/ha",
    "dose_g_plant": "g a plant",
    "product_l_ha": "L/ha of product",
    "stock_l_m3": "L of stock in each m3",
    "nutrient_g_m3": "g in each m3",
    "line_ec_ms_cm": "mS/cm in the line",
}
_HEADS = ("program", "shift", "water", "stock", "nutrient", "dose", "")


def add_list(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of list."""
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)
    parser.add_argument("--json", action="store_true", help="the programs and timetables as JSON")


def list_programs(arguments: argparse.Namespace) -> int:
    """Print every program, by timetable."""
    plant, decisions = read_plant(arguments.site), read_in_force(arguments.db / LEDGER).decisions
    now = moment(None, plant.site.site.zone)
    if arguments.json:
        print(json.dumps(_figures(plant, decisions, now), indent=1))
    else:
        print("\n".join(_lines(plant, decisions, now)))
    return 0


def when_next(plant: Plant, decisions: Decisions, program: str) -> str:
    """Return when a program runs next, or how to have it run."""
    for key, timetable in kind_of(decisions, Timetable).items():
        if program in timetable.programs:
            return f"Timetable {key}: {_nights(timetable)}. {_next(plant, key, timetable)}."
    return (
        f"It is in no timetable: add --start HH:MM with --replace, or start it by hand (shiftwright start {program})."
    )


def _lines(plant: Plant, decisions: Decisions, now: datetime) -> Iterator[str]:
    programs = kind_of(decisions, Program)
    if not programs:
        yield "There is no program yet. To add one: shiftwright program add NAME SITE --shift SHIFT --water 174m3"
    left = dict(programs)
    for key, timetable in sorted(kind_of(decisions, Timetable).items()):
        yield f"Timetable {key}: {_nights(timetable)}. {_next(plant, key, timetable, now)}."
        yield from _programs((name, left.pop(name)) for name in timetable.programs if name in left)
        yield ""
    if left:
        yield "In no timetable: they run when somebody starts them."
        yield from _programs(sorted(left.items()))


def _programs(programs: Iterable[tuple[str, Program]]) -> Iterator[str]:
    rows: list[tuple[str, ...]] = []
    for key, program in programs:
        first: tuple[str, ...] = (key, program.shift, _water(program))
        for injection in program.injections:
            rows.append((*first, injection.stock, injection.nutrient, _dose(injection), _besides(injection)))
            first = ("", "", "")
        if not program.injections:
            rows.append((*first, "water alone", "", "", ""))
    if rows:
        yield from (f"  {line}" for line in table(_HEADS, rows))


def _water(program: Program) -> str:
    name, value = _given(program, WATERED)
    return f"{value:g} {_UNITS[name]}"


def _dose(injection: Injection) -> str:
    name, value = _given(injection, PRESCRIBED)
    return f"by {value}" if name == "recommendation" else f"{value:g} {_UNITS[name]}"


def _besides(injection: Injection) -> str:
    spread = () if injection.inject_m3 is None else (f"in {injection.inject_m3:g} m3",)
    nights = () if injection.nights is None else (f"on {', '.join(injection.nights)}",)
    return ", ".join((*spread, *nights))


def _given(part: Program | Injection, names: Iterable[str]) -> tuple[str, float]:
    return next((name, value) for name in names if (value := getattr(part, name)) is not None)


def _nights(timetable: Timetable) -> str:
    """Return its starts and nights in words."""
    on = "every night"
    if timetable.weekdays is not None:
        on = f"nights of {', '.join(timetable.weekdays)}"
    elif timetable.every_days is not None:
        on = f"every {timetable.every_days} nights"
    parts = [", ".join(f"{start:%H:%M}" for start in timetable.starts), on]
    parts += [f"from {timetable.first}"] if timetable.first else []
    parts += [f"until {timetable.last}"] if timetable.last else []
    parts += [f"not in {' or '.join(timetable.inhibited_by)}"] if timetable.inhibited_by else []
    return ", ".join(parts)


def _next(plant: Plant, key: str, timetable: Timetable, now: datetime | None = None) -> str:
    zone = plant.site.site.zone
    start = next_start(key, timetable, ZoneInfo(zone), now or moment(None, zone))
    return "It is over" if start is None else f"Next: {start.at.astimezone(ZoneInfo(zone)):%a %d %b %Y %H:%M}"


def _figures(plant: Plant, decisions: Decisions, now: datetime) -> dict[str, object]:
    zone = ZoneInfo(plant.site.site.zone)
    timetables = {}
    for key, timetable in sorted(kind_of(decisions, Timetable).items()):
        start = next_start(key, timetable, zone, now)
        next_at = None if start is None else start.at.astimezone(zone).isoformat()
        timetables[key] = {**timetable.model_dump(mode="json"), "next_start": next_at}
    programs = {key: program.model_dump(mode="json") for key, program in sorted(kind_of(decisions, Program).items())}
    return {"schema": 1, "timetables": timetables, "programs": programs}
