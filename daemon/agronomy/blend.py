"""The answer of the solver as a grower reads it: what to weigh for each tank, what it gives, what is short and why."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from daemon.agronomy.compatibility import refused_by_nature
from daemon.agronomy.cuts import Filling, fits
from daemon.agronomy.linear import Answer, Problem, Row
from daemon.agronomy.shed import Aim, Bag, Question, Tank, burden, content, usable
from daemon.agronomy.solver import added_column, kg_column, use_column, water_in
from daemon.agronomy.stock import assess
from daemon.agronomy.substance import Substance
from daemon.decisions.base import NUTRIENTS

_MISSED = 1e-3
"""Of a target, from which it counts as short."""
_NEAR = 2e-3
"""Of a limit, within which it holds back."""
_DIGITS = 6
"""Of kilograms: to the milligram."""


@dataclass(frozen=True, slots=True)
class Got:
    """One nutrient in all tanks together."""

    item: str
    kg: float
    target_kg: float | None
    """None where there was none."""
    short_kg: float
    why: tuple[str, ...]
    """What keeps each product that would bring more of it from doing so; empty where nothing is short."""


@dataclass(frozen=True, slots=True)
class Blend:
    """What to weigh for one charge of the tanks, and what comes of it."""

    fillings: tuple[Filling, ...]
    """Of each tank that gets anything."""
    got: tuple[Got, ...]
    """Targets first, then whatever else comes along."""
    cost: float | None
    """None where a product that is used has no price."""
    ec_ms_cm_m3: float
    """Rise of EC, times the m3 of water that it is spread over: products in pure water, one by one."""
    ammonium_share: float | None
    """Of all nitrogen; None without nitrogen."""
    left_out: Mapping[str, str]
    """Products of the shed that no stock tank may hold, with the reason."""
    short: float
    """Sum of what is short, each as a fraction of its target: what was made least first."""
    burden: float
    """What was made least next: the cost or the salt."""
    fits: bool
    """Whether everything stays dissolved in every tank, with the working margin."""


def solution(question: Question, problem: Problem, answer: Answer) -> Blend:
    """Return the blend that an optimal answer to `problem` means, its tanks assessed."""
    bags = usable(question)
    tanks = [_filling(question, tank, bags, answer) for tank in question.tanks]
    fillings = [filling for filling in tanks if filling.kg]
    used = [(bags[name], kg) for filling in fillings for name, kg in filling.kg.items()]
    got = tuple(_got(question, problem, answer, fillings))
    nitrogen_kg, ammonium_kg = (
        math.fsum(kg * content(bag.product, item) for bag, kg in used) for item in ("N", "N_ammonium")
    )
    prices = [(bag.price_per_kg, kg) for bag, kg in used]
    return Blend(
        fillings=tuple(fillings),
        got=got,
        cost=None if any(price is None for price, _ in prices) else math.fsum((p or 0.0) * kg for p, kg in prices),
        ec_ms_cm_m3=math.fsum(kg * burden(Aim.SALT, bag) for bag, kg in used),
        ammonium_share=ammonium_kg / nitrogen_kg if nitrogen_kg else None,
        left_out=_left_out(question),
        short=math.fsum(each.short_kg / each.target_kg for each in got if each.target_kg),
        burden=math.fsum(kg * burden(question.aim, bag) for bag, kg in used),
        fits=all(fits(filling) for filling in fillings),
    )


def _filling(question: Question, tank: Tank, bags: Mapping[str, Bag], answer: Answer) -> Filling:
    masses = {
        name: round(answer.values[kg_column(tank.name, name)], _DIGITS)
        for name in bags
        if answer.values[use_column(tank.name, name)] > 0.5
    }
    parts = [(bags[name].product, 1000.0 * kg / tank.litres) for name, kg in masses.items()]
    alone = assess(parts, tank.coldest_c)
    whole = alone
    if question.water is not None or question.jar_tests:
        whole = assess(parts, tank.coldest_c, question.water, question.jar_tests)
    water_kg = math.fsum(factor * answer.values[name] for name, factor in water_in(tank, bags).items())
    return Filling(tank, masses, water_kg, whole, alone)


def _left_out(question: Question) -> dict[str, str]:
    return {bag.product.name: finding.reason for bag in question.shed for finding in refused_by_nature((bag.product,))}


def _got(question: Question, problem: Problem, answer: Answer, fillings: Sequence[Filling]) -> Iterator[Got]:
    products = [(bag.product, bag.product.name) for bag in question.shed]
    kg = {name: math.fsum(filling.kg.get(name, 0.0) for filling in fillings) for _, name in products}
    binding = [row for row in problem.rows if row.why and _binds(row, answer)]
    for item in (*question.targets_kg, *(nutrient for nutrient in NUTRIENTS if nutrient not in question.targets_kg)):
        target_kg = question.targets_kg.get(item)
        got_kg = math.fsum(kg[name] * content(product, item) for product, name in products)
        if target_kg is not None or got_kg > 0.0:
            short_kg = max(0.0, (target_kg or 0.0) - got_kg)
            is_short = short_kg > _MISSED * (target_kg or 0.0)
            why = tuple(_obstacles(question, item, binding, answer)) if is_short else ()
            yield Got(item, got_kg, target_kg, short_kg if is_short else 0.0, why)


def _binds(row: Row, answer: Answer) -> bool:
    reached = math.fsum(factor * answer.values[name] for name, factor in row.terms.items())
    return row.most is not None and reached >= row.most - _NEAR


def _obstacles(question: Question, item: str, binding: Sequence[Row], answer: Answer) -> Iterator[str]:
    """Return for each product that brings the item what keeps it from bringing more, in any tank."""
    left_out = _left_out(question)
    carriers = [bag.product for bag in question.shed if content(bag.product, item) > 0.0]
    if not carriers:
        yield f"nothing in the shed brings {item}"
    held_back: dict[tuple[str, ...], list[str]] = {}
    for product in carriers:
        if product.name in left_out:
            yield left_out[product.name]
            continue
        why = tuple(dict.fromkeys(why for tank in question.tanks for why in _holding(tank, product, binding, answer)))
        held_back.setdefault(why, []).append(product.title)
    for why, titles in held_back.items():
        yield f"{'; '.join(titles)}: {', and '.join(why) or 'what more it could bring is too little to weigh'}"


def _holding(tank: Tank, product: Substance, binding: Sequence[Row], answer: Answer) -> Iterator[str]:
    """Return what keeps a product from being more in one tank: its own doing, or else the water that it displaces."""
    kg, use = kg_column(tank.name, product.name), use_column(tank.name, product.name)
    unused = answer.values[use] < 0.5
    direct = [row.why for row in binding if row.terms.get(kg, 0.0) > 0.0 or (unused and use in row.terms)]
    yield from direct
    if not direct:
        water = added_column(tank.name)
        yield from (f"it takes the place of water: {row.why}" for row in binding if row.terms.get(water, 0.0) < 0.0)
