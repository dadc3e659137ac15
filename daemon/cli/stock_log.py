"""`stock show`: what is in each tank, what was drawn from it since, and everything that was done to it."""

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from daemon.agronomy.contents import Contents
from daemon.agronomy.showing import wrong_bag
from daemon.agronomy.tank import Entry, log_of, not_as_made_up
from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.cli.plant import read_plant
from daemon.cli.stock_given import amounts_text
from daemon.cli.tables import table
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Mix, Stock
from daemon.ledger.drawings import drawn_l
from daemon.runtime.decided import read_in_force
from daemon.runtime.folder import LEDGER
from daemon.site import Plant


@dataclass(frozen=True, slots=True)
class _Tank:
    """One tank, as decisions and the record have it."""

    name: str
    volume_l: float
    log: tuple[Entry, ...]
    drawn_l: float
    """Since the newest entry of the log; 0 where the tank is empty, or nobody can tell what it holds."""
    warnings: tuple[str, ...]

    @property
    def contents(self) -> Contents | None:
        """Return what it held right after the newest entry."""
        return self.log[-1].contents if self.log else None

    @property
    def why_unknown(self) -> str:
        """Return why nobody can tell what it holds; else empty."""
        return self.log[-1].why_unknown if self.log else "nobody has entered a mix yet"


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
    tanks = [_tank(plant, path, in_force.decisions, name) for name in names]
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


def _tank(plant: Plant, path: Path, decisions: Decisions, name: str) -> _Tank:
    log = log_of(name, decisions)
    contents = log[-1].contents if log else None
    channels = {channel for channel, injector in plant.site.injector.items() if injector.tank == name}
    since_drawn_l, warnings = 0.0, []
    if contents is not None:
        since_drawn_l = drawn_l(path, channels, round(1000.0 * contents.since.timestamp()))
        stock = decisions.get((Stock.kind, contents.stock))
        made_up = not_as_made_up(contents, stock) if isinstance(stock, Stock) else ""
        warnings = [warning for warning in (wrong_bag(contents), made_up) if warning]
    return _Tank(name, plant.site.tank[name].volume_l, log, since_drawn_l, tuple(warnings))


def _figures(tank: _Tank) -> dict[str, Any]:
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


def _lines(tank: _Tank, zone: ZoneInfo) -> Iterator[str]:
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
