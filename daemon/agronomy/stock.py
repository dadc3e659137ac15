"""Whether products may share a stock tank at these strengths: what stays dissolved, what falls out, how to mix it."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from daemon.agronomy.compatibility import Pairing, jar_tests_of, pair_findings, pairings, refused_by_nature
from daemon.agronomy.density import WATER_KG_L, density_kg_l, solution_l
from daemon.agronomy.margins import crowding, product_fractions
from daemon.agronomy.minerals import MINERALS, saturation_indices
from daemon.agronomy.mixing import Step, cooling_k, mixing_order
from daemon.agronomy.saturation import Saturation, saturations
from daemon.agronomy.speciation import SpeciationError, speciate
from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Finding, Verdict
from daemon.agronomy.waters import water_ions
from daemon.decisions.tanks import JarTest, Water

_DRY_KG = 1e-3
"""Less water than this in a litre counts as so much: products alone."""
_ROUNDED = 1e-6
_OWN_DOING = 0.05
"""Rise of a mineral's index up to which the water is to blame for it."""
_NEARLY_SI = -0.3
"""A mineral this near to falling out asks for care (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Assessment:
    """All that is known of a stock solution before it is mixed. Amounts are for a litre of finished solution."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    """Worst first."""
    nutrients_g_l: Mapping[str, float]
    nitrogen_g_l: Mapping[str, float]
    """By form."""
    ph: float | None
    """At the coldest temperature; None where it could not be calculated."""
    density_kg_l: float
    added_water_l_per_l: float
    hydrate_water_g_l: float
    """Water that the products bring, in their crystals or as liquids."""
    cooling_k: float | None
    """Upper bound of the cooling while dissolving; negative warms; None where a heat of solution is not known."""
    product_fractions: Mapping[str, float | None]
    """Of each product's own solubility at the coldest temperature; None where it is not known."""
    salts: tuple[Saturation, ...]
    """Every soluble salt that the ions could form, fullest first."""
    indices: Mapping[str, float]
    """Saturation index by mineral."""
    pairs: tuple[Pairing, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class _Dissolved:
    ph: float | None
    salts: tuple[Saturation, ...]
    indices: Mapping[str, float]


def assess(
    parts: Sequence[tuple[Substance, float]],
    coldest_c: float,
    water: Water | None = None,
    jar_tests: Iterable[JarTest] = (),
) -> Assessment:
    """Return what is known of these grams of each product in a litre of stock that gets as cold as `coldest_c`.

    Each product comes once. `water` is what the tank is filled with; without it, pure. Minerals and pH are for no less
    than 0 °C, where their constants end.
    """
    parts = [(product, g_l) for product, g_l in parts if g_l > 0.0]
    products = [product for product, _ in parts]
    density = density_kg_l(parts)
    hydrate_g = math.fsum(g_l * product.water_g_g for product, g_l in parts)
    added_kg = max(0.0, density - math.fsum(g_l for _, g_l in parts) / 1000.0)
    water_kg = max(_DRY_KG, added_kg + hydrate_g / 1000.0)
    ions = _summed((product.ions_mol_g, g_l / water_kg) for product, g_l in parts)
    tank = alone = _dissolved(ions, coldest_c)
    of_the_water: Mapping[str, float] = {}
    if water is not None:
        source = water_ions(water, max(0.0, coldest_c))
        of_the_water = saturation_indices(source.solution, max(0.0, coldest_c))
        tank = _dissolved(_summed([(ions, 1.0), (source.mol_kg, added_kg / water_kg)]), coldest_c)
    fractions = product_fractions(parts, water_kg, coldest_c)
    pairs = pairings(products)
    jars = jar_tests_of({product.name: g_l for product, g_l in parts}, coldest_c, jar_tests)
    findings = (
        *refused_by_nature(products),
        *pair_findings(pairs, *jars),
        *crowding(parts, fractions, tank.salts, water_kg, coldest_c),
        *_falls_out(alone.indices, tank.indices, of_the_water),
        *_overfull(parts),
        *_unknown(products, fractions, tank.ph, coldest_c),
    )
    cools_k = cooling_k(parts, 1000.0 * added_kg)
    order = list(Verdict)
    return Assessment(
        verdict=Verdict.worst(*(finding.verdict for finding in findings)),
        findings=tuple(sorted(findings, key=lambda finding: -order.index(finding.verdict))),
        nutrients_g_l=_summed((product.nutrients_g_g, g_l) for product, g_l in parts),
        nitrogen_g_l=_summed((product.nitrogen_g_g, g_l) for product, g_l in parts),
        ph=tank.ph,
        density_kg_l=density,
        added_water_l_per_l=added_kg / WATER_KG_L,
        hydrate_water_g_l=hydrate_g,
        cooling_k=cools_k,
        product_fractions=fractions,
        salts=tank.salts,
        indices=tank.indices,
        pairs=pairs,
        steps=mixing_order(parts, cools_k),
    )


def _dissolved(mol_kg: Mapping[str, float], coldest_c: float) -> _Dissolved:
    mineral_c = max(0.0, coldest_c)
    try:
        solution = speciate(mol_kg, mineral_c)
    except SpeciationError:
        return _Dissolved(None, (), {})
    return _Dissolved(solution.ph, saturations(mol_kg, solution, coldest_c), saturation_indices(solution, mineral_c))


def _summed(parts: Iterable[tuple[Mapping[str, float], float]]) -> dict[str, float]:
    """Return what each gram or kilogram brings, times so many of them, by name."""
    total: dict[str, float] = {}
    for each, amount in parts:
        for name, share in each.items():
            total[name] = total.get(name, 0.0) + amount * share
    return total


def _falls_out(alone: Mapping[str, float], tank: Mapping[str, float], water: Mapping[str, float]) -> Iterator[Finding]:
    """Yield the minerals that fall out of the products alone, with the tank's water, or nearly."""
    for mineral in MINERALS:
        by_products, index, before = (found.get(mineral.name, -math.inf) for found in (alone, tank, water))
        if by_products > 0.0:
            acid = "two tanks, or acid that keeps pH below 5.5" if "Mg" in mineral.parts else "two tanks"
            yield _mineral(Verdict.DO_NOT, f"{mineral.title} falls out", by_products, acid)
        elif index > max(0.0, before + _OWN_DOING):
            sludge = "let it settle and leave the sludge, or take softer water"
            yield _mineral(
                Verdict.WITH_CARE, f"a little {mineral.title} falls out, with what the water brings", index, sludge
            )
        elif by_products > _NEARLY_SI:
            yield _mineral(Verdict.WITH_CARE, f"{mineral.title} is near to falling out", by_products, "two tanks")


def _mineral(verdict: Verdict, what: str, index: float, mend: str) -> Finding:
    return Finding(verdict, "mineral", f"{what}: saturation index {index:+.1f}, and above 0 it forms", mend)


def _overfull(parts: Sequence[tuple[Substance, float]]) -> Iterator[Finding]:
    litres = solution_l([(product, g_l / 1000.0) for product, g_l in parts], 0.0)
    if litres > 1.0 + _ROUNDED:
        yield Finding(
            Verdict.DO_NOT,
            "volume",
            f"these grams alone fill {litres:.2f} L of each litre, without any water",
            f"a {litres:.2f} times larger tank at the least, and water besides",
        )


def _unknown(
    products: Sequence[Substance], fractions: Mapping[str, float | None], ph: float | None, coldest_c: float
) -> Iterator[Finding]:
    for product in products:
        if fractions[product.name] is None and not product.is_liquid:
            points = product.solubility_g_per_100_g
            known = f"only from {points[0][0]:g} °C up" if points else "not known"
            yield Finding(
                Verdict.WITH_CARE,
                "solubility",
                f"unknown: jar test. The solubility of {product.title} at {coldest_c:g} °C is {known}",
                "try it in a jar at this strength and temperature, or enter its solubility",
            )
    if products and ph is None:
        yield Finding(
            Verdict.WITH_CARE,
            "solubility",
            "unknown: jar test. So much in so little water is past what can be calculated",
            "try it in a jar at this strength and temperature",
        )
