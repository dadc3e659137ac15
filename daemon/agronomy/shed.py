"""What is asked of the solver: the targets, what is in the shed, the tanks to be filled, and what the crop bears."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum

from daemon.agronomy.compatibility import refused_by_nature
from daemon.agronomy.substance import Substance
from daemon.decisions.base import NUTRIENTS
from daemon.decisions.tanks import JarTest, Water

FORMS = ("N_nitrate", "N_ammonium", "N_urea")
OVER_PCT = 5.0
"""By so much may a target be passed where nobody says otherwise (common practice, no source)."""


class BlendError(Exception):
    """What was asked of the solver cannot be. Says where, what was got, what was expected."""

    code = "blend.invalid"


class Aim(Enum):
    """What is made least, once what falls short of the targets is."""

    COST = "cost"
    SALT = "salt"
    """The rise of EC, as the products in pure water give it: what the roots meet. EC does not see urea."""


@dataclass(frozen=True, slots=True)
class Bag:
    """One product in the shed."""

    product: Substance
    kg: float | None = None
    """None for as much as it takes."""
    price_per_kg: float | None = None
    """Needed when the aim is cost."""


@dataclass(frozen=True, slots=True)
class Tank:
    """One stock tank, filled from empty."""

    name: str
    litres: float
    """Of finished solution."""
    coldest_c: float


@dataclass(frozen=True, slots=True)
class Question:
    """One charge of the tanks."""

    targets_kg: Mapping[str, float]
    """By nutrient, elemental, or by form of N (N_nitrate, N_ammonium, N_urea): what all tanks together should hold. 0
    means none of it; a nutrient without a target may be anything."""
    shed: Sequence[Bag]
    tanks: Sequence[Tank]
    aim: Aim
    over_pct: Mapping[str, float] = field(default_factory=dict)
    """By target, by how much it may be passed; OVER_PCT where it is not said."""
    most_kg: Mapping[str, float] = field(default_factory=dict)
    """By nutrient, what must not be passed in any case: chloride, sodium."""
    ammonium_most_share: float | None = None
    """Of all nitrogen; urea does not count as ammonium."""
    water: Water | None = None
    """What the tanks are filled with; None for pure."""
    jar_tests: Sequence[JarTest] = ()


def content(product: Substance, item: str) -> float:
    """Return grams of a nutrient or form of N in a gram of product."""
    form = item.removeprefix("N_")
    return product.nutrients_g_g.get(item, 0.0) if form == item else product.nitrogen_g_g.get(form, 0.0)


def burden(aim: Aim, bag: Bag) -> float:
    """Return what a kilogram adds to the cost, or to the salt in mS/cm x m3."""
    return bag.product.ec_ms_cm_per_g_l if aim is Aim.SALT else bag.price_per_kg or 0.0


def usable(question: Question) -> dict[str, Bag]:
    """Return what may go into a stock tank, by name."""
    return {bag.product.name: bag for bag in question.shed if not refused_by_nature((bag.product,))}


def check(question: Question) -> None:
    """Raise BlendError with everything that is wrong with a question."""
    wrong = tuple(_wrong(question))
    if wrong:
        raise BlendError("\n".join(wrong))


def _wrong(question: Question) -> Iterator[str]:
    if not question.tanks:
        yield "tanks: got none; expected one or two"
    for what, names in (
        ("tanks", [tank.name for tank in question.tanks]),
        ("shed", [bag.product.name for bag in question.shed]),
    ):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{what}.{name}: got it twice; expected it once"
    for tank in question.tanks:
        if not (math.isfinite(tank.litres) and tank.litres > 0.0 and math.isfinite(tank.coldest_c)):
            got = f"{tank.litres:g} L at {tank.coldest_c:g} °C"
            yield f"tanks.{tank.name}: got {got}; expected more than 0 L, and a temperature"
    for bag in question.shed:
        for what, amount in (("kg", bag.kg), ("price_per_kg", bag.price_per_kg)):
            if amount is not None and not _is_amount(amount):
                yield f"shed.{bag.product.name}.{what}: got {amount:g}; expected 0 or more"
        if question.aim is Aim.COST and bag.price_per_kg is None:
            yield (
                f"shed.{bag.product.name}.price_per_kg: got none; expected a price, for the least cost is asked for. "
                "Enter it (0 for what is paid already), leave the product out, or ask for the least salt"
            )
    for what, amounts, known in (
        ("targets_kg", question.targets_kg, (*NUTRIENTS, *FORMS)),
        ("over_pct", question.over_pct, tuple(question.targets_kg)),
        ("most_kg", question.most_kg, NUTRIENTS),
    ):
        for item, amount in amounts.items():
            if item not in known:
                yield f"{what}.{item}: got {item!r}; expected one of {', '.join(known)}"
            if not _is_amount(amount):
                yield f"{what}.{item}: got {amount:g}; expected 0 or more"
    share = question.ammonium_most_share
    if share is not None and not 0.0 <= share <= 1.0:
        yield f"ammonium_most_share: got {share:g}; expected 0 to 1"


def _is_amount(amount: float) -> bool:
    return math.isfinite(amount) and amount >= 0.0
