"""`stock check` and `stock products`: what is known of products, and of a tank that they would share."""

import argparse
import json
from collections.abc import Iterator, Mapping
from typing import Any

from daemon.agronomy.compatibility import Rule
from daemon.agronomy.products import known_names, substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.showing import MIX_LOSS
from daemon.agronomy.stock import Assessment, assess
from daemon.agronomy.substance import Substance
from daemon.agronomy.tank import products_slope
from daemon.agronomy.verdict import Verdict
from daemon.cli.errors import InputError
from daemon.cli.given import amounts, not_negative, temperature
from daemon.cli.stock_given import (
    add_decided,
    add_source,
    amounts_text,
    decided,
    jars_of,
    kind_of,
    parts_of,
    water_of,
)
from daemon.cli.tables import table
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Product, Water

_SALTS_SHOWN = 5
"""Of the salts that could crystallise, fullest first; --json has all."""


def add_check(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of check."""
    parts = parser.add_mutually_exclusive_group(required=True)
    parts.add_argument("--g-l", nargs="+", metavar="NAME=G", help="grams of each product in a litre of finished stock")
    parts.add_argument("--kg", nargs="+", metavar="NAME=KG", help="kilograms of each product in --litres")
    parser.add_argument("--litres", type=not_negative, help="of finished stock")
    parser.add_argument("--coldest-c", type=temperature, required=True, metavar="C", help="the coldest the tank gets")
    add_source(parser)
    add_decided(parser)


def check(arguments: argparse.Namespace) -> int:
    """Say whether products may share a tank at these strengths, and how to mix them. The answer is no exit code."""
    decisions = decided(arguments)
    litres: float | None = arguments.litres
    if arguments.kg is None:
        products_g_l = amounts(arguments.g_l, "--g-l")
    elif not litres:
        raise InputError("--kg: got kilograms without the tank's litres; expected --litres above 0 beside them")
    else:
        products_g_l = {name: 1000.0 * kg / litres for name, kg in amounts(arguments.kg, "--kg").items()}
    shown = Shown(products_g_l, arguments.coldest_c, water_of(decisions, arguments.source), decisions, litres)
    if arguments.json:
        print(json.dumps(shown.figures(), indent=1))
    else:
        print("\n".join((*shown.what_it_is(), *shown.how_to_mix())))
    return 0


def add_products(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of products."""
    add_decided(parser)


def products(arguments: argparse.Namespace) -> int:
    """Print every product that is known: the built-in salts, then those by their labels."""
    labels = kind_of(decided(arguments), Product)
    known = [substance_of(name, labels) for name in known_names(labels)]
    if arguments.json:
        print(json.dumps([_product_figures(product) for product in known], indent=1))
    else:
        print("\n".join(line for product in known for line in _product_lines(product)))
    return 0


class Shown:
    """An assessment, and how it is told: to people, and as figures."""

    def __init__(
        self,
        products_g_l: Mapping[str, float],
        coldest_c: float,
        water: Water | None,
        decisions: Decisions,
        litres: float | None = None,
    ) -> None:
        """Assess grams of each product in a litre. Raises ProductError for a product that nobody knows."""
        parts = parts_of(products_g_l, decisions)
        self.assessment = assess(parts, coldest_c, water, jars_of(decisions))
        self._products_g_l = products_g_l
        self._coldest_c = coldest_c
        self._litres = litres
        slope = products_slope(parts, decisions)
        self._slope = None if slope is None else slope * MIX_LOSS

    @property
    def refuses(self) -> str:
        """Return why it must not be mixed, each reason with its mend; empty where it may."""
        findings = [found for found in self.assessment.findings if found.verdict is Verdict.DO_NOT]
        return "\n".join(f"{found.reason}{f'; {found.mend}' if found.mend else ''}" for found in findings)

    def figures(self) -> dict[str, Any]:
        """Return all of it, as JSON has it. Amounts are for a litre of finished stock."""
        found = self.assessment
        litres = self._litres
        return {
            "verdict": found.verdict.value,
            "findings": [
                {"verdict": one.verdict.value, "what": one.what, "reason": one.reason, "mend": one.mend}
                for one in found.findings
            ],
            "products_g_l": dict(self._products_g_l),
            "coldest_c": self._coldest_c,
            "nutrients_g_l": dict(found.nutrients_g_l),
            "nitrogen_g_l": dict(found.nitrogen_g_l),
            "ph": found.ph,
            "density_kg_l": found.density_kg_l,
            "ec_ms_cm_per_g_l": self._slope,
            "litres": litres,
            "added_water_l_per_l": found.added_water_l_per_l,
            "added_water_l": None if litres is None else found.added_water_l_per_l * litres,
            "hydrate_water_g_l": found.hydrate_water_g_l,
            "cooling_k": found.cooling_k,
            "product_fractions": dict(found.product_fractions),
            "salts": [{"name": s.solid.name, "title": s.solid.title, "fraction": s.fraction} for s in found.salts],
            "saturation_indices": dict(found.indices),
            "pairs": [
                {"one": pair.one, "other": pair.other, "rule": pair.rule.value, "reason": pair.reason}
                for pair in found.pairs
            ],
            "steps": [{"what": step.what, "cautions": list(step.cautions)} for step in found.steps],
        }

    def what_it_is(self) -> Iterator[str]:
        """Yield what people read of the solution: the verdict and its reasons first."""
        found = self.assessment
        yield f"{found.verdict.value.upper()}, down to {self._coldest_c:g} °C"
        for one in found.findings:
            yield f"  {one.verdict.value}: {one.reason}"
            if one.mend:
                yield f"    mend: {one.mend}"
        forms = {form: g_l for form, g_l in found.nitrogen_g_l.items() if g_l > 0.0}
        yield f"strength: {amounts_text(found.nutrients_g_l, ' g/L')}"
        if forms:
            yield f"nitrogen: {amounts_text(forms, ' g/L')}"
        ph = "unknown" if found.ph is None else f"{found.ph:.1f}"
        yield f"pH {ph}, density {found.density_kg_l:.3f} kg/L"
        yield f"line EC: {self._slope_text()}"
        yield from self._fullness()
        if found.pairs:
            yield from table(
                ("product", "with", "rule", "reason"),
                [(p.one, p.other, p.rule.value, p.reason if p.rule is not Rule.MIXES else "") for p in found.pairs],
            )

    def how_to_mix(self) -> Iterator[str]:
        """Yield how to make it up in an empty tank: water, cooling, and step after step."""
        yield self._water_text()
        yield f"cooling: {_cooling_text(self.assessment)}"
        for number, step in enumerate(self.assessment.steps, start=1):
            yield f"{number}. {step.what}"
            yield from (f"   {caution}" for caution in step.cautions)

    def _slope_text(self) -> str:
        if self._slope is None:
            return "the water decides what acid or alkali makes of it: a bucket test tells"
        return f"{self._slope:.2f} mS/cm at 25 °C for each g/L of product"

    def _water_text(self) -> str:
        found = self.assessment
        whole = "" if self._litres is None else f", {found.added_water_l_per_l * self._litres:.0f} L in all"
        return (
            f"water to add: {found.added_water_l_per_l:.3f} L to each litre{whole}; "
            f"the products bring {found.hydrate_water_g_l:.0f} g/L of their own"
        )

    def _fullness(self) -> Iterator[str]:
        """Yield how full it is: of each product by itself, and of the salts that all of them could form."""
        found = self.assessment
        if self._products_g_l:
            yield from table(
                ("product", "g/L", "of its own solubility"),
                [
                    (name, f"{g_l:.1f}", _percent(found.product_fractions.get(name)))
                    for name, g_l in self._products_g_l.items()
                ],
            )
        if found.salts:
            yield from table(
                ("salt that could form", "of saturation"),
                [(salt.solid.title, _percent(salt.fraction)) for salt in found.salts[:_SALTS_SHOWN]],
            )


def _percent(fraction: float | None) -> str:
    return "-" if fraction is None else f"{100.0 * fraction:.0f} %"


def _cooling_text(found: Assessment) -> str:
    if found.cooling_k is None:
        return "not known"
    if found.cooling_k < 0.0:
        return f"none; it warms by up to {-found.cooling_k:.0f} °C"
    return f"up to {found.cooling_k:.0f} °C, dissolved all at once"


def _product_figures(product: Substance) -> dict[str, Any]:
    salt = SALTS.get(product.name)
    return {
        "name": product.name,
        "title": product.title,
        "is_built_in": salt is not None,
        "form": "liquid" if product.is_liquid else "solid",
        "nature": product.nature,
        "nutrients_pct": {name: 100.0 * g_g for name, g_g in product.nutrients_g_g.items()},
        "nitrogen_pct": {form: 100.0 * g_g for form, g_g in product.nitrogen_g_g.items()},
        "density_kg_l": product.density_kg_l,
        "ec_ms_cm_per_g_l": product.ec_ms_cm_per_g_l,
        "solubility": [{"at_c": at_c, "g_per_100_g_water": g} for at_c, g in product.solubility_g_per_100_g],
        "solubility_sources": _sources(product),
        "trade": "" if salt is None else salt.trade,
        "cautions": list(product.cautions),
    }


def _sources(product: Substance) -> list[str]:
    """Return who says what dissolves: the label's own figures have no other source."""
    salt = SALTS.get(product.name)
    if salt is None:
        return ["its label, or the salt that it is a grade of"] if product.solubility_g_per_100_g else []
    return list(dict.fromkeys(point.source for point in salt.solubility))


def _product_lines(product: Substance) -> Iterator[str]:
    salt = SALTS.get(product.name)
    origin = "by its label" if salt is None else "built in"
    form = "liquid" if product.is_liquid else "solid"
    yield f"{product.name}: {product.title}; {form}, {product.nature}, {origin}"
    nutrients_pct = {name: 100.0 * g_g for name, g_g in product.nutrients_g_g.items()}
    yield f"  {amounts_text(nutrients_pct, ' %')} by mass, elemental"
    if len(product.nitrogen_g_g) > 1:
        yield f"  nitrogen: {amounts_text({form: 100.0 * g for form, g in product.nitrogen_g_g.items()}, ' %')}"
    if product.solubility_g_per_100_g:
        points = ", ".join(f"{g:.1f} at {at_c:g} °C" for at_c, g in product.solubility_g_per_100_g)
        yield f"  g in 100 g of added water: {points}"
    yield from (f"  source: {source}" for source in _sources(product))
    if salt is not None and salt.trade:
        yield f"  trade: {salt.trade}"
