"""`stock mix`, `correct`, `bucket` and `jar`: what somebody did at a tank or tried, into the record."""

import argparse
import getpass
import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from daemon.agronomy.showing import expected_in_bucket, wrong_bag
from daemon.agronomy.tank import Entry, log_of, not_as_made_up
from daemon.cli.client import add_folder
from daemon.cli.errors import InputError, RefusedError
from daemon.cli.given import amount, amounts, moment, not_negative, temperature
from daemon.cli.plant import read_plant
from daemon.cli.recording import keep
from daemon.cli.stock_check import Shown
from daemon.cli.stock_given import kind_of, named, parts_of
from daemon.cli.stock_log import check_tank
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.tanks import BucketTest, JarTest, Mix, Stock, Water
from daemon.folder import LEDGER
from daemon.ledger.in_force import InForce, parse_decision, read_in_force
from daemon.site import Plant

_STEM = 26
"""Letters of a name that stand in a key made of it: with the moment behind it, it is still a name."""


def add_mix(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of mix."""
    _add_site(parser)
    parser.add_argument("--tank", required=True, help="the tank")
    parser.add_argument("--heel-l", type=not_negative, required=True, metavar="L", help=_HEEL)
    _add_done(parser)


def mix(arguments: argparse.Namespace) -> int:
    """Record what was done to a tank, unless what it would hold must not be mixed."""
    plant, in_force = _read(arguments)
    at = moment(arguments.at, plant.site.site.zone)
    body = {
        "tank": check_tank(plant, arguments.tank),
        "did": "filled",
        "by": getpass.getuser(),
        **_done(arguments, at),
    }
    key = _new_key(in_force, Mix, arguments.tank, at)
    return _keep_mix(arguments, plant, in_force, key, body)


def add_correct(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of correct."""
    parser.add_argument("mix", help="the mix, by its name in the tank's log")
    _add_site(parser)
    parser.add_argument("--why", required=True, help="what was wrong; the restated rows say so")
    parser.add_argument("--tank", help="the tank that it really was")
    parser.add_argument("--heel-l", type=not_negative, metavar="L", help=_HEEL)
    _add_done(parser)


def correct(arguments: argparse.Namespace) -> int:
    """Record a mix as it really was; doses of runs since are restated."""
    plant, in_force = _read(arguments)
    old = named(in_force.decisions, Mix, arguments.mix, "mix")
    at = None if arguments.at is None else moment(arguments.at, plant.site.site.zone)
    changes = _done(arguments, at)
    if arguments.tank is not None:
        changes["tank"] = check_tank(plant, arguments.tank)
    if not changes:
        raise InputError(f"mix {arguments.mix}: got nothing to change; expected what it was, such as --kg or --heel-l")
    body = {**old.model_dump(mode="json", exclude_defaults=True), **changes, "why": arguments.why}
    if changes.get("did") == "drained":
        body = {name: value for name, value in body.items() if name not in _OF_A_FILLING}
    elif changes.keys() & set(_OF_A_FILLING):
        body["did"] = "filled"
    for one, other in (("water_l", "filled_to_l"), ("filled_to_l", "water_l")):
        if one in changes:
            body.pop(other, None)
    return _keep_mix(arguments, plant, in_force, arguments.mix, body)


def add_bucket(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of bucket."""
    _add_site(parser)
    parser.add_argument("--mix", required=True, help="the filling that the stock was drawn after")
    parser.add_argument("--stock-ml", type=not_negative, required=True, metavar="ML", help="stock in the bucket")
    parser.add_argument("--water-l", type=not_negative, required=True, metavar="L", help="water in the bucket")
    parser.add_argument("--water-ec", type=not_negative, required=True, metavar="MS_CM", help="EC of the water alone")
    parser.add_argument("--mixed-ec", type=not_negative, required=True, metavar="MS_CM", help="EC of both together")
    _add_who(parser)


def bucket(arguments: argparse.Namespace) -> int:
    """Record a bucket test, and say what it makes of the batch."""
    plant, in_force = _read(arguments)
    named(in_force.decisions, Mix, arguments.mix, "--mix")
    at = moment(arguments.at, plant.site.site.zone)
    key = _new_key(in_force, BucketTest, arguments.mix, at)
    body = {
        "mix": arguments.mix,
        "at": at.isoformat(),
        "by": arguments.by or getpass.getuser(),
        "stock_ml": arguments.stock_ml,
        "water_l": arguments.water_l,
        "water_ec_ms_cm": arguments.water_ec,
        "mixed_ec_ms_cm": arguments.mixed_ec,
    }
    test = parse_decision("bucket_test", key, body)
    entry = _entry_with(in_force.decisions, key, test, arguments.mix)
    said = _keep(plant, arguments.db, in_force, test, key)
    held = entry.contents
    if held is None:
        figures: dict[str, Any] = {"measured": None, "expected": None, "warning": entry.why_unknown}
    else:
        expected = None if held.products_ec_ms_cm_per_g_l is None else expected_in_bucket(held)
        figures = {"measured": held.ec_ms_cm_per_g_l, "expected": expected, "warning": wrong_bag(held)}
    if arguments.json:
        print(json.dumps({"key": key, **figures, "said": said}, indent=1))
        return 0
    print(f"measured: {_slope(figures['measured'])}\nexpected: {_slope(figures['expected'])}")
    print("\n".join(line for line in (figures["warning"], said) if line))
    return 0


def add_jar(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of jar."""
    _add_site(parser)
    parser.add_argument("--g-l", nargs="+", required=True, metavar="NAME=G", help="grams of each product in a litre")
    parser.add_argument(
        "--coldest-c", type=temperature, required=True, metavar="C", help="the coldest that the jar got"
    )
    parser.add_argument("--hours", type=not_negative, required=True, help="how long it stood")
    outcome = parser.add_mutually_exclusive_group(required=True)
    outcome.add_argument("--clear", action="store_true", help="nothing fell out, clouded or heated")
    outcome.add_argument("--clouded", action="store_true", help="something fell out, clouded or heated")
    _add_who(parser)


def jar(arguments: argparse.Namespace) -> int:
    """Record a jar test, and say what these products now are at these strengths."""
    plant, in_force = _read(arguments)
    at = moment(arguments.at, plant.site.site.zone)
    products_g_l = amounts(arguments.g_l, "--g-l")
    parts_of(products_g_l, in_force.decisions)  # a name that nobody knows is told before anything is kept
    key = _new_key(in_force, JarTest, "jar", at)
    body = {
        "products_g_l": products_g_l,
        "coldest_c": arguments.coldest_c,
        "hours": arguments.hours,
        "clear": arguments.clear,
        "at": at.isoformat(),
        "by": arguments.by or getpass.getuser(),
    }
    test = parse_decision("jar_test", key, body)
    said = _keep(plant, arguments.db, in_force, test, key)
    shown = Shown(products_g_l, arguments.coldest_c, None, {**in_force.decisions, (JarTest.kind, key): test})
    if arguments.json:
        print(json.dumps({"key": key, "assessment": shown.figures(), "said": said}, indent=1))
    else:
        print(
            f"Now {shown.assessment.verdict.value}, at these strengths and down to {arguments.coldest_c:g} °C.\n{said}"
        )
    return 0


_HEEL = "litres of the old solution in the tank before it is filled, or left after draining; 0 for none"
_OF_A_FILLING = ("stock", "portions", "water_l", "filled_to_l")


def _add_site(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)


def _add_who(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--at", metavar="TIME", help="when, by the site's clocks; now without it")
    parser.add_argument("--by", metavar="WHO", help="who did it; you without it")


def _add_done(parser: argparse.ArgumentParser) -> None:
    """Declare what was done to a tank."""
    parser.add_argument("--stock", help="the stock solution that it is now")
    parser.add_argument("--kg", nargs="+", metavar="NAME=KG[@LOT]", help="what went in, by product and lot")
    level = parser.add_mutually_exclusive_group()
    level.add_argument("--filled-to-l", type=not_negative, metavar="L", help="the mark, heel included")
    level.add_argument("--water-l", type=not_negative, metavar="L", help="water that was added, by meter")
    level.add_argument("--drained", action="store_true", help="it was drained, down to the heel")
    parser.add_argument("--anyway", metavar="WHY", help="record what must not be mixed, for it was done; and why")
    _add_who(parser)


def _read(arguments: argparse.Namespace) -> tuple[Plant, InForce]:
    return read_plant(arguments.site), read_in_force(arguments.db / LEDGER)


def _new_key(in_force: InForce, kind: type[Decision], stem: str, at: datetime) -> str:
    """Return a name that is new to the record. Raises InputError where one of that moment is there."""
    key = f"{stem[:_STEM]}_{at:%Y%m%d_%H%M}"
    if (kind.kind, key) in in_force.versions:
        mend = f"correct it with `stock correct {key}`, or give another" if kind is Mix else "expected another"
        raise InputError(f"{kind.kind} {key} is in the record already; {mend} --at")
    return key


def _done(arguments: argparse.Namespace, at: datetime | None) -> dict[str, Any]:
    """Return the fields of a mix that were given."""
    given: dict[str, Any] = {
        "did": "drained" if arguments.drained else None,
        "at": None if at is None else at.isoformat(),
        "by": arguments.by,
        "heel_l": arguments.heel_l,
        "stock": arguments.stock,
        "portions": None if arguments.kg is None else _portions(arguments.kg),
        "water_l": arguments.water_l,
        "filled_to_l": arguments.filled_to_l,
    }
    return {name: value for name, value in given.items() if value is not None}


def _portions(given: Sequence[str]) -> list[dict[str, Any]]:
    portions: list[dict[str, Any]] = []
    for text in given:
        product, _, rest = text.partition("=")
        kg, _, lot = rest.partition("@")
        portions.append({"product": product, "kg": amount(kg, f"--kg {text!r}", "--kg NAME=KG@LOT"), "lot": lot})
    return portions


def _keep_mix(arguments: argparse.Namespace, plant: Plant, in_force: InForce, key: str, body: Mapping[str, Any]) -> int:
    """Tell what a tank will hold, and record the mix unless that refuses it."""
    if arguments.anyway:
        why = body.get("why")
        body = {**body, "why": f"{why}; anyway: {arguments.anyway}" if why else arguments.anyway}
    found = parse_decision("mix", key, body)
    shown, notes, refuses = _assessed(in_force.decisions, key, found)
    lines = [*([] if shown is None else shown.what_it_is()), *notes]
    figures: dict[str, Any] = {
        "key": key,
        "assessment": None if shown is None else shown.figures(),
        "notes": notes,
        "refuses": refuses,
    }
    said = ""
    if not refuses or arguments.anyway:
        said = _keep(plant, arguments.db, in_force, found, key)
    if arguments.json:
        print(json.dumps({**figures, "is_recorded": bool(said), "said": said}, indent=1))
    else:
        print("\n".join(filter(None, (*lines, said))))
    if not said:
        raise RefusedError(f'{refuses}\nNothing was recorded. If it was done all the same: --anyway "WHY"')
    return 0


def _assessed(decisions: Decisions, key: str, found: Decision) -> tuple[Shown | None, list[str], str]:
    """Return the assessment of what a tank holds after a mix, notes beside it, and what refuses it."""
    if not isinstance(found, Mix):
        raise TypeError(f"got {found.kind}, expected a mix")
    entry = _entry_with(decisions, key, found, key)
    if entry.why_unknown:
        return None, [], entry.why_unknown
    held = entry.contents
    if held is None or found.did == "drained":
        return None, [f"Tank {found.tank} holds {found.heel_l:g} L."], ""
    stock = named(decisions, Stock, held.stock, "--stock")
    water = kind_of(decisions, Water).get(stock.source or "")
    shown = Shown(held.products_g_l, stock.coldest_c, water, decisions)
    made_up = not_as_made_up(held, stock)
    return shown, [f"Note: {made_up}."] if made_up else [], shown.refuses


def _entry_with(decisions: Decisions, key: str, new: Decision, mix_key: str) -> Entry:
    """Return the log's entry of a mix with one more decision; of bucket tests that one alone."""
    others = {
        name: decision
        for name, decision in decisions.items()
        if not (isinstance(new, BucketTest) and isinstance(decision, BucketTest))
    }
    after = {**others, (new.kind, key): new}
    tank = named(after, Mix, mix_key, "mix").tank
    return next(entry for entry in log_of(tank, after) if entry.key == mix_key)


def _keep(plant: Plant, folder: Path, in_force: InForce, decision: Decision, key: str) -> str:
    """Record a decision over the version that was read, and return what was said. Raises RefusedError."""
    return keep(plant, folder, {(decision.kind, key): decision.model_dump(mode="json")}, in_force.versions)


def _slope(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.2f} mS/cm for each g/L of product, at 25 °C"
