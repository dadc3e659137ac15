"""From targets and the shed to a linear problem, and from its answer to a blend: kilograms by tank, what is short, why.

Nothing here solves: the problem goes to a process of its own (`milp`), and the tanks that it fills are then assessed as
any stock is; what would fall out comes back as cuts, and the problem is made anew (`daemon.cli.solving`). Hard are the
stock in the shed, the limits of what the crop bears, the compatibility of each two products in a tank, and solubility.
Targets are met as far as those allow: what falls short, as the sum of fractions of the targets, is made least first;
then the cost or the salt; then the number of things to weigh; then the mass.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from daemon.agronomy.compatibility import Rule, pairings
from daemon.agronomy.cuts import Apart, Cut, Cuts
from daemon.agronomy.density import WATER_KG_L, density_kg_l
from daemon.agronomy.linear import Column, Objective, Problem, Row
from daemon.agronomy.margins import MARGIN
from daemon.agronomy.shed import OVER_PCT, Bag, Question, Tank, burden, check, content, usable
from daemon.agronomy.stock import assess

_TIME_LIMIT_S = 20.0
_GIVES_SHORT, _GIVES_BURDEN = 1e-6, 1e-4
"""Nobody weighs closer: what is short, and the cost, may be worse by that much for fewer things to weigh."""
_WORTH_WEIGHING = 1e-3
"""Of a target: a product that brings less than that of each of its targets is left out (common practice, no source)."""
_TYPICAL_G_L = 200.0
"""Strength at which the water that a product displaces is taken."""
_AIM = 0.985 * MARGIN
"""A little below the margin: water is only nearly linear in the products that take its place."""
_INERT = {"Cation", "Anion"}
_HEAVIEST_KG_L = 2.0
"""No stock solution weighs as much."""


@dataclass(frozen=True, slots=True)
class _Figures:
    """What one product is to one tank."""

    displaces: float
    """Kilograms of water that a kilogram of it takes the place of."""
    fraction: float
    """Of its solubility, for a kilogram in a kilogram of all water; 0 where nobody knows it."""
    least_kg: float
    """Less is not worth weighing."""
    most_kg: float
    """More never fits."""


def problem(question: Question, cuts: Cuts = ()) -> Problem:
    """Return the linear problem of a question, with what earlier attempts taught. Raises BlendError for a bad one."""
    check(question)
    bags = usable(question)
    figures = {
        tank.name: {name: _figures(question, bag, tank) for name, bag in bags.items()} for tank in question.tanks
    }
    places = [(tank.name, name) for tank in question.tanks for name in bags]
    columns = (
        *(Column(added_column(tank.name)) for tank in question.tanks),
        *(Column(kg_column(*place), figures[place[0]][place[1]].most_kg) for place in places),
        *(Column(use_column(*place), 1.0, is_whole=True) for place in places),
        *(Column(short_column(item), 1.0) for item, kg in question.targets_kg.items() if kg > 0.0),
    )
    rows = (
        *_target_rows(question, bags),
        *_limit_rows(question, bags),
        *(row for tank in question.tanks for row in _tank_rows(tank, bags, figures[tank.name])),
        *(_cut_row(tank, bags, cut) for tank in question.tanks for cut in cuts if cut.tank == tank.name),
    )
    objectives = (
        Objective({short_column(item): 1.0 for item, kg in question.targets_kg.items() if kg > 0.0}, _GIVES_SHORT),
        Objective({kg_column(*place): burden(question.aim, bags[place[1]]) for place in places}, _GIVES_BURDEN),
        Objective({use_column(*place): 1.0 for place in places}),
        Objective({kg_column(*place): 1.0 for place in places}),
    )
    return Problem(columns, rows, objectives, _TIME_LIMIT_S)


def kg_column(tank: str, product: str) -> str:
    """Return the name of the unknown that is the mass of a product in a tank."""
    return f"kg {product} in {tank}"


def use_column(tank: str, product: str) -> str:
    """Return the name of the unknown that is 1 where a tank gets a product."""
    return f"use {product} in {tank}"


def short_column(item: str) -> str:
    """Return the name of the unknown that is what is short, as a fraction of the target."""
    return f"short {item}"


def added_column(tank: str) -> str:
    """Return the name of the unknown that is the kilograms of water added to a tank."""
    return f"water in {tank}"


def _figures(question: Question, bag: Bag, tank: Tank) -> _Figures:
    """Return a product's figures, from a weak solution of it and from one of typical strength."""
    product, typical_kg = bag.product, _TYPICAL_G_L / 1000.0
    displaces = (WATER_KG_L - density_kg_l([(product, _TYPICAL_G_L)]) + typical_kg) / typical_kg
    weak = assess([(product, 1.0)], tank.coldest_c)
    fraction = 1000.0 * (weak.product_fractions[product.name] or 0.0)
    fraction *= weak.added_water_l_per_l + weak.hydrate_water_g_l / 1000.0
    water_kg = WATER_KG_L * tank.litres
    most = [_HEAVIEST_KG_L * tank.litres, math.inf if bag.kg is None else bag.kg]
    per_kg = fraction + _AIM * (displaces - product.water_g_g)
    most += [_AIM * water_kg / per_kg] if per_kg > 0.0 else []
    most += [water_kg / displaces] if displaces > 0.0 else []
    worth = (
        _WORTH_WEIGHING * target_kg / content(product, item)
        for item, target_kg in question.targets_kg.items()
        if content(product, item) > 0.0
    )
    return _Figures(displaces, fraction, min(min(worth, default=0.0), *most), min(most))


def _row(terms: Mapping[str, float], most: float, why: str) -> Row:
    """Return terms <= most, in units of that most where it is one."""
    unit = most if most > 0.0 else 1.0
    return Row({name: factor / unit for name, factor in terms.items() if factor}, most=most / unit, why=why)


def _everywhere(question: Question, per_kg: Mapping[str, float]) -> dict[str, float]:
    return {kg_column(tank.name, name): factor for tank in question.tanks for name, factor in per_kg.items()}


def _target_rows(question: Question, bags: Mapping[str, Bag]) -> Iterator[Row]:
    for item, target_kg in question.targets_kg.items():
        over_pct = question.over_pct.get(item, OVER_PCT)
        got = _everywhere(question, {name: content(bag.product, item) for name, bag in bags.items()})
        why = f"more of it brings {item} over its target by more than {over_pct:g} %"
        yield _row(got, target_kg * (1.0 + over_pct / 100.0), why)
        if target_kg > 0.0:
            yield Row({name: share / target_kg for name, share in got.items()} | {short_column(item): 1.0}, least=1.0)


def _limit_rows(question: Question, bags: Mapping[str, Bag]) -> Iterator[Row]:
    for name, bag in bags.items():
        if bag.kg is not None:
            yield _row(_everywhere(question, {name: 1.0}), bag.kg, f"all {bag.kg:g} kg in the shed are used")
    for item, most_kg in question.most_kg.items():
        got = _everywhere(question, {name: content(bag.product, item) for name, bag in bags.items()})
        yield _row(got, most_kg, f"more of it brings {item} over the {most_kg:g} kg that are allowed")
    share = question.ammonium_most_share
    if share is not None:
        over = {
            name: content(bag.product, "N_ammonium") - share * content(bag.product, "N") for name, bag in bags.items()
        }
        why = f"more of it brings ammonium over {100.0 * share:g} % of the nitrogen"
        yield _row(_everywhere(question, over), 0.0, why)


def _tank_rows(tank: Tank, bags: Mapping[str, Bag], figures: Mapping[str, _Figures]) -> Iterator[Row]:
    """Return what holds in one tank: its litres, solubility, and which products keep away from which."""
    full_kg = WATER_KG_L * tank.litres
    displaced = {kg_column(tank.name, name): each.displaces for name, each in figures.items()}
    yield _row(displaced, full_kg, f"tank {tank.name} has no room for it")
    yield Row({added_column(tank.name): 1.0} | displaced, least=full_kg, most=full_kg)
    water = water_in(tank, bags)
    for what, names in _groups(bags, figures):
        crowded = {kg_column(tank.name, name): figures[name].fraction / full_kg for name in names}
        why = f"{what} in tank {tank.name}: full to {100.0 * MARGIN:.0f} % of what dissolves at {tank.coldest_c:g} °C"
        yield Row(_less(crowded, water, _AIM / full_kg), most=0.0, why=why)
    for name, each in figures.items():
        kg, use = kg_column(tank.name, name), use_column(tank.name, name)
        yield Row({kg: 1.0, use: -each.most_kg}, most=0.0)
        yield Row({kg: 1.0, use: -each.least_kg}, least=0.0)
    for pair in pairings([bag.product for bag in bags.values()]):
        if pair.rule in (Rule.NEVER, Rule.UNKNOWN):
            both = {use_column(tank.name, name): 1.0 for name in (pair.one, pair.other)}
            known = "unknown: jar test. " if pair.rule is Rule.UNKNOWN else ""
            why = f"{pair.one} and {pair.other} may not share tank {tank.name}: {known}{pair.reason}"
            yield Row(both, most=1.0, why=why)


def water_in(tank: Tank, bags: Mapping[str, Bag]) -> dict[str, float]:
    """Return all water in a tank, added and brought along by products, as factors of the unknowns, in kg."""
    brought = {kg_column(tank.name, name): bag.product.water_g_g for name, bag in bags.items()}
    return {added_column(tank.name): 1.0} | brought


def _less(terms: Mapping[str, float], others: Mapping[str, float], times: float) -> dict[str, float]:
    """Return terms less so many times others."""
    names = dict.fromkeys((*terms, *others))
    return {name: terms.get(name, 0.0) - times * others.get(name, 0.0) for name in names}


def _groups(bags: Mapping[str, Bag], figures: Mapping[str, _Figures]) -> Iterator[tuple[str, list[str]]]:
    """Return the products whose fractions of solubility add up: all that share an ion; and those without ions alone."""
    known = [name for name, each in figures.items() if each.fraction]
    ions = {name: bags[name].product.ions_mol_g.keys() - _INERT for name in known}
    for ion in sorted(set().union(*ions.values())):
        yield f"all with {ion}", [name for name in known if ion in ions[name]]
    yield from ((bags[name].product.title, [name]) for name in known if not ions[name])


def _cut_row(tank: Tank, bags: Mapping[str, Bag], cut: Cut | Apart) -> Row:
    if isinstance(cut, Apart):
        together = {use_column(tank.name, name): 1.0 for name in cut.products}
        return Row(together, most=len(together) - 1.0, why=cut.why)
    full_kg = WATER_KG_L * tank.litres
    crowded = {
        kg_column(tank.name, name): 1000.0
        * math.fsum(n * bag.product.ions_mol_g.get(ion, 0.0) / cut.touch[ion] for ion, n in cut.ions.items())
        / full_kg
        for name, bag in bags.items()
    }
    why = f"{cut.title} would fall out in tank {tank.name} at {tank.coldest_c:g} °C"
    return Row(_less(crowded, water_in(tank, bags), sum(cut.ions.values()) / full_kg), most=0.0, why=why)
