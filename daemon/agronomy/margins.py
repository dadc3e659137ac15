"""How near to saturation is too near, and what to do about it: more water, warmer, two tanks."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from daemon.agronomy.saturation import (
    Points,
    Saturation,
    dissolves_at_c,
    interpolated,
    saturated_g_kg,
)
from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Finding, Verdict

MARGIN = 0.8
"""Of saturation: the working margin at the coldest temperature (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Crowded:
    """Something that may crystallise, alone or with others."""

    title: str
    fraction: float
    points: Points
    """(°C, what stays dissolved, in any unit); empty where warmth cannot be reckoned."""
    apart: bool
    """Whether two tanks would help."""


def product_fractions(
    parts: Sequence[tuple[Substance, float]], water_kg_l: float, coldest_c: float
) -> dict[str, float | None]:
    """Return the fraction of its own solubility of each product; None where nobody knows it at that temperature."""
    limits = {product.name: interpolated(saturated_g_kg(product), coldest_c) for product, _ in parts}
    return {
        product.name: None if (limit := limits[product.name]) is None else g_l / water_kg_l / limit
        for product, g_l in parts
    }


def crowding(
    parts: Sequence[tuple[Substance, float]],
    fractions: Mapping[str, float | None],
    salts: Sequence[Saturation],
    water_kg_l: float,
    coldest_c: float,
) -> tuple[Finding, ...]:
    """Return what is past the working margin: products, salts that their ions form, products that share an ion."""
    crowded = [*_products(parts, fractions, salts), *_formed(parts, salts)]
    shared = _shared(parts, fractions)
    if shared and shared.fraction > max((each.fraction for each in crowded), default=0.0):
        crowded.append(shared)
    return tuple(_finding(each, water_kg_l, coldest_c) for each in crowded if each.fraction >= MARGIN)


def _products(
    parts: Sequence[tuple[Substance, float]], fractions: Mapping[str, float | None], salts: Sequence[Saturation]
) -> Iterator[_Crowded]:
    """Each product, by itself or with the others' ions, whichever is worse."""
    together = {salt.solid.name: salt.fraction for salt in salts}
    for product, _ in parts:
        alone = fractions[product.name]
        if alone is not None:
            fraction = max(alone, together.get(product.salt or "", 0.0))
            yield _Crowded(product.title, fraction, saturated_g_kg(product), fraction >= MARGIN > alone)


def _formed(parts: Sequence[tuple[Substance, float]], salts: Sequence[Saturation]) -> Iterator[_Crowded]:
    """Each salt that nobody added."""
    added = {product.salt for product, _ in parts}
    for salt in salts:
        if salt.solid.name not in added:
            title = f"{salt.solid.title}, which the ions of this mix form"
            yield _Crowded(title, salt.fraction, salt.solid.saturated_mol_kg, len(parts) > 1)


def _shared(parts: Sequence[tuple[Substance, float]], fractions: Mapping[str, float | None]) -> _Crowded | None:
    """The products that share an ion, by the sum of their fractions: the fullest such group."""
    groups = [
        [product for product, _ in parts if product.ions_mol_g.get(ion) and fractions[product.name] is not None]
        for ion in sorted({ion for product, _ in parts for ion in product.ions_mol_g} - {"Cation", "Anion"})
    ]
    sums = [
        (math.fsum(fractions[product.name] or 0.0 for product in group), group) for group in groups if len(group) > 1
    ]
    if not sums:
        return None
    fraction, group = max(sums, key=lambda each: each[0])
    return _Crowded(f"{' with '.join(product.title for product in group)}, which share an ion", fraction, (), True)


def _finding(crowded: _Crowded, water_kg_l: float, coldest_c: float) -> Finding:
    return Finding(
        Verdict.DO_NOT if crowded.fraction >= 1.0 else Verdict.WITH_CARE,
        "saturation",
        f"{crowded.title}: {100.0 * crowded.fraction:.0f} % of what stays dissolved at {coldest_c:g} °C; "
        f"work at {100.0 * MARGIN:.0f} % at most",
        _mend(crowded, water_kg_l, coldest_c),
    )


def _mend(crowded: _Crowded, water_kg_l: float, coldest_c: float) -> str:
    more_l = math.ceil(100.0 * water_kg_l * (crowded.fraction / MARGIN - 1.0))
    mends = [f"{more_l} L more water to each 100 L of it"]
    limit = interpolated(crowded.points, coldest_c)
    warm_c = dissolves_at_c(crowded.points, limit * crowded.fraction / MARGIN) if limit else None
    if warm_c is not None:
        mends.append(f"keep it no colder than {math.ceil(warm_c)} °C")
    if crowded.apart:
        mends.append("two tanks")
    return ", or ".join(mends)
