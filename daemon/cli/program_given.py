"""What `program add` is given, in the words of somebody at a terminal, into the bodies of a program and a timetable."""

import argparse
from collections.abc import Mapping, Sequence
from typing import Any

from daemon.cli.errors import InputError
from daemon.cli.given import amount
from daemon.decisions.timetable import WEEKDAYS, Timetable
from daemon.decisions.watering import Injection

_WATER = {"m3": "water_m3", "min": "water_min", "mm": "water_mm"}
_WATER_FORM = "174m3, 120min or 12mm"
_SHORT = {
    "m3": "inject_m3",
    "kg_ha": "dose_kg_ha",
    "g_plant": "dose_g_plant",
    "l_ha": "product_l_ha",
    "l_m3": "stock_l_m3",
    "g_m3": "nutrient_g_m3",
    "ec": "line_ec_ms_cm",
}
_WORDS = {"recommendation": "recommendation", "nights": "nights", **_SHORT}
"""What may be said of a stock, and the decision's own name for it."""
_STOCK_FORM = "STOCK NUTRIENT and a dose, such as calcium N kg_ha=3.5 or calcium N recommendation=NAME"


def add_program_options(parser: argparse.ArgumentParser) -> None:
    """Declare what the program itself is."""
    parser.add_argument("--shift", required=True, help="the shift that it waters")
    parser.add_argument("--water", required=True, metavar="AMOUNT", help=f"all of its water: {_WATER_FORM}")
    parser.add_argument(
        "--inject",
        nargs="+",
        action="append",
        default=[],
        metavar="WORD",
        help=f"a stock (repeatable; without any it is water alone): {_STOCK_FORM}. Doses: recommendation=, "
        "kg_ha=, g_plant=, l_ha= (of product), l_m3= (of stock), g_m3= (of nutrient), ec= (mS/cm of the line). "
        "Besides: m3= (water to spread it over; else it is found) and nights=mon,thu",
    )
    parser.add_argument(
        "--order", choices=("together", "in_turn"), default="together", help="stocks at once, or one after the other"
    )
    parser.add_argument("--source", metavar="NAME", help="the water analysis that holds for it")
    parser.add_argument(
        "--meet", metavar="HOW", help="whose dose is right where blocks differ: mean (default), lowest, or a block"
    )


def add_timetable_options(parser: argparse.ArgumentParser) -> None:
    """Declare when it runs."""
    parser.add_argument("--start", action="append", metavar="HH:MM", help="a start by the site's clock (repeatable)")
    nights = parser.add_mutually_exclusive_group()
    nights.add_argument("--on", metavar="DAYS", help="nights of these weekdays, such as mon,wed,fri (default: all)")
    nights.add_argument("--every", type=int, metavar="N", help="every so many nights from --first on")
    parser.add_argument("--first", metavar="DATE", help="its first night")
    parser.add_argument("--last", metavar="DATE", help="its last night")
    parser.add_argument("--late", type=int, metavar="MIN", help="a start that was missed still runs so long (120)")
    parser.add_argument("--finish-by", metavar="HH:MM", help="warn of a night that goes on for longer")
    parser.add_argument(
        "--inhibit", choices=("rain", "wind"), action="append", help="a contact that keeps it from beginning"
    )
    parser.add_argument("--timetable", metavar="NAME", help="the timetable that it joins (default: its own name)")


def program_body(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return the program as a decision's body. Raises InputError with what was got and what was expected."""
    key, value = _water(arguments.water)
    body = {
        "shift": arguments.shift,
        key: value,
        "injections": [_injection(words) for words in arguments.inject],
        "order": arguments.order,
        "source": arguments.source,
        "meet": arguments.meet,
    }
    return {name: value for name, value in body.items() if value is not None}


def timetable_changes(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return what was given of a timetable; None where something given takes the place of what was there."""
    given = {
        "starts": arguments.start,
        "weekdays": None if arguments.on is None else weekdays(arguments.on, "--on"),
        "every_days": arguments.every,
        "first": arguments.first,
        "last": arguments.last,
        "late_min": arguments.late,
        "finish_by": arguments.finish_by,
        "inhibited_by": arguments.inhibit,
    }
    changes: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    if arguments.on is not None:
        changes["every_days"] = None
    if arguments.every is not None:
        changes["weekdays"] = None
    return changes


def timetable_body(
    old: Timetable | None, programs: Sequence[str], changes: Mapping[str, Any], name: str
) -> dict[str, Any]:
    """Return a timetable with `programs`, made or changed. Raises InputError for a new one without a start."""
    if old is None and "starts" not in changes:
        raise InputError(f"timetable {name} is new: got no start; expected when it runs, such as --start 21:30")
    before = {} if old is None else old.model_dump(mode="json")
    return {**before, "programs": list(programs), **changes}


def weekdays(text: str, what: str) -> list[str]:
    """Return the weekdays of mon,wed,fri. Raises InputError for any other word."""
    days = [day.strip().lower()[:3] for day in text.split(",")]
    if not set(days) <= set(WEEKDAYS):
        raise InputError(f"{what}: got {text!r}; expected weekdays such as mon,wed,fri")
    return days


def _water(text: str) -> tuple[str, float]:
    for unit, name in _WATER.items():
        if text.endswith(unit):
            number = text.removesuffix(unit).strip()
            return name, amount(number, f"--water {text!r}", f"--water {_WATER_FORM}")
    raise InputError(f"--water: got {text!r}; expected it with its unit: {_WATER_FORM}")


def _injection(words: Sequence[str]) -> dict[str, Any]:
    what = f"--inject {' '.join(words)}"
    if len(words) < 3 or any("=" in word for word in words[:2]):
        raise InputError(f"{what}: expected {_STOCK_FORM}")
    body: dict[str, Any] = {"stock": words[0], "nutrient": words[1]}
    for word in words[2:]:
        name, equals, value = word.partition("=")
        key = _WORDS.get(name, name)
        if not equals or key not in Injection.model_fields or key in body:
            problem = "got it twice; expected it once" if key in body else f"expected one of {'=, '.join(_WORDS)}="
            raise InputError(f"{what}: {word!r}: {problem}")
        if key == "nights":
            body[key] = weekdays(value, f"{what}: nights")
        elif key == "recommendation":
            body[key] = value
        else:
            body[key] = amount(value, f"{what}: {word!r}", f"{name}=3.5")
    return body
