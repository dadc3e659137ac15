"""`stock solve`: what to weigh for the targets of one charge, from what is in the shed."""

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from daemon.agronomy.blend import Blend
from daemon.agronomy.cuts import Filling
from daemon.agronomy.products import substance_of
from daemon.agronomy.shed import Aim, Bag, Question, Tank
from daemon.cli.errors import InputError
from daemon.cli.given import amount, amounts, not_negative, temperature
from daemon.cli.solving import blend
from daemon.cli.stock_given import add_decided, add_source, decided, jars_of, kind_of, water_of
from daemon.cli.tables import table
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Product

_MOST_TANKS = 2
_AIMS = {"cost": Aim.COST, "salt": Aim.SALT}


def add_solve(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of solve."""
    parser.add_argument(
        "--target",
        nargs="+",
        required=True,
        metavar="N=KG",
        help="kilograms of each nutrient, or of N_nitrate and so on",
    )
    parser.add_argument(
        "--shed",
        nargs="+",
        required=True,
        metavar="NAME[=KG][@PRICE]",
        help="what there is; no KG: as much as it takes",
    )
    parser.add_argument(
        "--tank", nargs="+", required=True, metavar="NAME=LITRES@C", help="one or two, each with its cold"
    )
    parser.add_argument("--over", nargs="+", default=[], metavar="N=PCT", help="by how much a target may be passed")
    parser.add_argument("--chloride-kg", type=not_negative, metavar="KG", help="chloride that must not be passed")
    parser.add_argument("--ammonium-share", type=not_negative, metavar="0-1", help="the most, of all nitrogen")
    parser.add_argument("--aim", choices=tuple(_AIMS), default="salt", help="what is made least (default salt)")
    add_source(parser)
    add_decided(parser)


def solve(arguments: argparse.Namespace) -> int:
    """Print the masses for each tank, what they give, and what cannot be met and why."""
    decisions = decided(arguments)
    question = Question(
        targets_kg=amounts(arguments.target, "--target"),
        shed=_shed(arguments.shed, decisions),
        tanks=_tanks(arguments.tank),
        aim=_AIMS[arguments.aim],
        over_pct=amounts(arguments.over, "--over"),
        most_kg={} if arguments.chloride_kg is None else {"Cl": arguments.chloride_kg},
        ammonium_most_share=arguments.ammonium_share,
        water=water_of(decisions, arguments.source),
        jar_tests=jars_of(decisions),
    )
    found = blend(question)
    print(json.dumps(_figures(found), indent=1) if arguments.json else "\n".join(_lines(found)))
    return 0


def _shed(given: Sequence[str], decisions: Decisions) -> list[Bag]:
    labels = kind_of(decisions, Product)
    return [_bag(text, labels) for text in given]


def _bag(text: str, labels: Mapping[str, Product]) -> Bag:
    where, form = f"--shed {text!r}", "--shed NAME=KG@PRICE, such as potassium_nitrate=500@1.80"
    held, at, price = text.partition("@")
    name, is_limited, kg = held.partition("=")
    label = labels.get(name)
    return Bag(
        substance_of(name, labels),
        amount(kg, where, form) if is_limited else None,
        amount(price, where, form) if at else None if label is None else label.price_per_kg,
    )


def _tanks(given: Sequence[str]) -> list[Tank]:
    if len(given) > _MOST_TANKS:
        raise InputError(f"--tank: got {len(given)} tanks; expected one or two")
    return [_tank(text) for text in given]


def _tank(text: str) -> Tank:
    name, _, rest = text.partition("=")
    litres, _, coldest = rest.partition("@")
    where, form = f"--tank {text!r}", "--tank a=1000@8: litres, and the coldest that the tank gets in °C"
    try:
        coldest_c = temperature(coldest)
    except argparse.ArgumentTypeError as error:
        raise InputError(f"{where}: {error}, as in {form}") from None
    return Tank(name, amount(litres, where, form), coldest_c)


def _water_l(filling: Filling) -> float:
    return filling.assessment.added_water_l_per_l * filling.tank.litres


def _figures(found: Blend) -> dict[str, Any]:
    return {
        "fits": found.fits,
        "tanks": [
            {
                "tank": filling.tank.name,
                "litres": filling.tank.litres,
                "coldest_c": filling.tank.coldest_c,
                "kg": dict(filling.kg),
                "water_l": _water_l(filling),
                "verdict": filling.assessment.verdict.value,
                "findings": [
                    {"verdict": one.verdict.value, "what": one.what, "reason": one.reason, "mend": one.mend}
                    for one in filling.assessment.findings
                ],
            }
            for filling in found.fillings
        ],
        "got": [asdict(got) for got in found.got],
        "cost": found.cost,
        "ec_ms_cm_m3": found.ec_ms_cm_m3,
        "ammonium_share": found.ammonium_share,
        "left_out": dict(found.left_out),
    }


def _lines(found: Blend) -> Iterator[str]:
    if not found.fits:
        yield "No blend was found that stays dissolved; this one does not, and the tanks below say why. Do not mix it."
    if not found.fillings:
        yield "Nothing goes into any tank."
    for filling in found.fillings:
        tank, verdict = filling.tank, filling.assessment.verdict.value
        yield f"tank {tank.name}, {tank.litres:g} L, down to {tank.coldest_c:g} °C: {verdict}"
        rows = [(name, f"{kg:.2f}", f"{1000.0 * kg / tank.litres:.1f}") for name, kg in filling.kg.items()]
        yield from (f"  {line}" for line in table(("product", "kg", "g/L"), rows))
        yield f"  water to add: {_water_l(filling):.0f} L"
        for one in filling.assessment.findings:
            yield f"  {one.verdict.value}: {one.reason}{f'; {one.mend}' if one.mend else ''}"
    yield from table(
        ("nutrient", "got, kg", "target, kg", "short, kg"),
        [
            (
                got.item,
                f"{got.kg:.2f}",
                "-" if got.target_kg is None else f"{got.target_kg:.2f}",
                f"{got.short_kg:.2f}" if got.short_kg else "",
            )
            for got in found.got
        ],
    )
    for got in found.got:
        yield from (f"{got.item} is {got.short_kg:.2f} kg short: {why}" for why in got.why)
    yield from (f"{name} is left out: {why}" for name, why in found.left_out.items())
    if found.cost is not None:
        yield f"cost: {found.cost:.2f}"
    yield f"salt: {found.ec_ms_cm_m3:.1f} mS/cm for each m3 of water that it is spread over"
    if found.ammonium_share is not None:
        yield f"ammonium: {100.0 * found.ammonium_share:.0f} % of the nitrogen"
