"""`stock show`: what is in each tank, what was drawn from it since, and everything that was done to it."""

import argparse
import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from daemon.agronomy.tank import Entry
from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.cli.stock_given import amounts_text
from daemon.cli.tables import table
from daemon.decisions.tanks import Mix
from daemon.folder import LEDGER
from daemon.ledger.in_force import read_in_force
from daemon.ledger.tank_now import TankNow, tank_now
from daemon.site import Plant


def add_show(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of show."""
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)
    parser.add_argument("--tank", help="this tank alone")


def show(arguments: argparse.Namespace) -> int:
    """Print the tanks: contents, what runs drew since, what is left, and the log."""
    plant = read_plant(arguments.site)
    path = arguments.db / LEDGER
    in_force = read_in_force(path)
    names = [check_tank(plant, arguments.tank)] if arguments.tank is not None else list(plant.site.tank)
    tanks = [tank_now(plant, path, in_force.decisions, name) for name in names]
    zone = ZoneInfo(plant.site.site.zone)
    if arguments.json:
        print(json.dumps({"tanks": [_figures(tank) for tank in tanks], "unread": list(in_force.unread)}, indent=1))
    else:
        print("\n".join([*(line for tank in tanks for line in _lines(tank, zone)), *in_force.unread]))
    return 0


def check_tank(plant: Plant, tank: str) -> str:
    """Return the name of a tank of the site. Raises InputError with those that there are."""
    if tank not in plant.site.tank:
        raise InputError(f"--tank: got {tank!r}; expected one of {', '.join(plant.site.tank)}")
    return tank


def put_in(mix: Mix) -> str:
    """Return what went into the tank, on one line."""
    if mix.did == "drained":
        return "-"
    portions = (f"{p.kg:g} kg {p.product}{f' ({p.lot})' if p.lot else ''}" for p in mix.portions)
    water = f"water {mix.water_l:g} L" if mix.water_l is not None else f"water to {mix.filled_to_l:g} L"
    return ", ".join((*portions, water))


def _figures(tank: TankNow) -> dict[str, Any]:
    held = tank.contents
    return {
        "tank": tank.name,
        "volume_l": tank.volume_l,
        "contents": None
        if held is None
        else {
            "stock": held.stock,
            "batch": held.batch,
            "since": held.since.isoformat(),
            "litres": held.litres,
            "drawn_l": tank.drawn_l,
            "left_l": held.litres - tank.drawn_l,
            "products_g_l": dict(held.products_g_l),
            "nutrients_g_l": dict(held.nutrients_g_l),
            "nitrogen_g_l": dict(held.nitrogen_g_l),
            "ec_ms_cm_per_g_l": held.ec_ms_cm_per_g_l,
            "ec_from": held.ec_from,
            "strength_accuracy_pct": held.strength_accuracy_pct,
        },
        "why_unknown": tank.why_unknown,
        "warnings": list(tank.warnings),
        "log": [
            {
                "key": entry.key,
                **entry.mix.model_dump(mode="json"),
                "litres_after": None if entry.contents is None else entry.contents.litres,
                "why_unknown": entry.why_unknown,
            }
            for entry in tank.log
        ],
    }


def _lines(tank: TankNow, zone: ZoneInfo) -> Iterator[str]:
    held = tank.contents
    if held is None:
        yield f"tank {tank.name} ({tank.volume_l:g} L): {tank.why_unknown or 'empty'}"
    else:
        yield f"tank {tank.name} ({tank.volume_l:g} L): stock {held.stock}, batch {held.batch}"
        yield (
            f"  {held.litres:.1f} L on {local(held.since, zone)}; drawn since: {tank.drawn_l:.1f} L; "
            f"left: {held.litres - tank.drawn_l:.1f} L"
        )
        yield f"  products: {amounts_text(held.products_g_l, ' g/L')}"
        strength = amounts_text(held.nutrients_g_l, " g/L")
        yield f"  strength: {strength}; within {held.strength_accuracy_pct:g} % (k = 2)"
        source = "by a bucket test" if held.ec_from == "bucket_test" else "by its products"
        yield f"  line EC: {held.ec_ms_cm_per_g_l:.2f} mS/cm for each g/L of product, {source}"
        yield from (f"  {warning}" for warning in tank.warnings)
    if tank.log:
        heads = ("at", "mix", "did", "by", "heel, L", "put in", "L after", "note")
        rows = [_row(entry, zone) for entry in tank.log]
        yield from (f"  {line}" for line in table(heads, rows))


def _row(entry: Entry, zone: ZoneInfo) -> tuple[str, ...]:
    mix = entry.mix
    after = f"{mix.heel_l:g}" if mix.did == "drained" else "-"
    if entry.contents is not None:
        after = f"{entry.contents.litres:.1f}"
    note = entry.why_unknown or mix.why
    return local(mix.at, zone), entry.key, mix.did, mix.by, f"{mix.heel_l:g}", put_in(mix), after, note


def local(at: datetime, zone: ZoneInfo) -> str:
    """Return a moment as the site's clocks have it, with its offset: two o'clock comes twice in a year."""
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M %z}"
