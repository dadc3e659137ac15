"""How near a solution is to dropping a soluble salt: each that its ions could form, not only those that went in.

The measure is the ion product against that of the salt's own saturated solution, without activity coefficients, in
moles to a kilogram of water. Its root by the number of ions is the *fraction* of saturation, and falls as the water
rises. Solubilities are never extrapolated: below the coldest point of a table nothing is known, above the warmest that
point's amount holds still.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.speciation import Speciation
from daemon.agronomy.species import MASTERS
from daemon.agronomy.substance import Substance

Points = Sequence[tuple[float, float]]
"""(°C, amount), by temperature."""

_FORMS: Mapping[str, tuple[str, ...]] = {
    "H3PO4": ("H3PO4",),
    "H2PO4": ("H2PO4", "CaH2PO4", "MgH2PO4"),
    "HPO4": ("HPO4", "KHPO4", "NaHPO4", "CaHPO4", "MgHPO4"),
}
"""Phosphate by its protons, paired or not."""
_PROTONATED = ("PO4", "HPO4", "H2PO4", "H3PO4")


@dataclass(frozen=True, slots=True)
class Solid:
    """A soluble salt that could crystallise."""

    name: str
    title: str
    ions: Mapping[str, int]
    """Of one formula unit; phosphate by its protons."""
    saturated_mol_kg: tuple[tuple[float, float], ...]
    """(°C, formula units to a kilogram of water)."""


@dataclass(frozen=True, slots=True)
class Saturation:
    """One salt in one solution, at one temperature."""

    solid: Solid
    ion_product_ratio: float
    """The ion product over the saturated solution's."""
    fraction: float
    """Its root: 1.0 is saturated."""


def interpolated(points: Points, temperature_c: float) -> float | None:
    """Return the amount between two points, evenly by its logarithm; None below the coldest, or without points."""
    if not points or temperature_c < points[0][0]:
        return None
    for (cold_c, less), (warm_c, more) in pairwise(points):
        if temperature_c <= warm_c:
            return less * math.exp(math.log(more / less) * (temperature_c - cold_c) / (warm_c - cold_c))
    return points[-1][1]


def dissolves_at_c(points: Points, amount: float) -> float | None:
    """Return the coldest temperature of the table at which `amount` dissolves; None where none is warm enough."""
    if points and amount <= points[0][1]:
        return points[0][0]
    for (cold_c, less), (warm_c, more) in pairwise(points):
        if less < amount <= more:
            return cold_c + (warm_c - cold_c) * math.log(amount / less) / math.log(more / less)
    return None


def saturated_g_kg(product: Substance) -> tuple[tuple[float, float], ...]:
    """Return (°C, grams as weighed to a kilogram of water at saturation), the water of its crystals counted in."""
    return tuple((at_c, 1000.0 * g / (100.0 + g * product.water_g_g)) for at_c, g in product.solubility_g_per_100_g)


def saturations(totals: Mapping[str, float], solution: Speciation, temperature_c: float) -> tuple[Saturation, ...]:
    """Return every soluble salt whose ions are all there, fullest first; `totals` in mol/kg by master.

    A salt is left out where its solubility at this temperature is not known.
    """
    amounts = {name: amount for name, amount in totals.items() if amount > 0.0}
    for form, species in _FORMS.items():
        amounts[form] = math.fsum(solution.molality.get(name, 0.0) for name in species)
    found = [
        _saturation(solid, amounts, limit)
        for solid in SOLIDS
        if all(amounts.get(ion) for ion in solid.ions)
        and (limit := interpolated(solid.saturated_mol_kg, temperature_c)) is not None
    ]
    return tuple(sorted(found, key=lambda each: each.fraction, reverse=True))


def _saturation(solid: Solid, amounts: Mapping[str, float], limit: float) -> Saturation:
    ratio = math.prod((amounts[ion] / (n * limit)) ** n for ion, n in solid.ions.items())
    return Saturation(solid, ratio, ratio ** (1.0 / sum(solid.ions.values())))


def _built_in(salt: Substance) -> Solid:
    unit = min(salt.ions_mol_g.values())
    counts = {ion: round(amount / unit) for ion, amount in salt.ions_mol_g.items()}
    protons = -sum(MASTERS[ion] * n for ion, n in counts.items())
    ions = {(_PROTONATED[protons // n] if ion == "PO4" else ion): n for ion, n in counts.items()}
    return Solid(salt.name, salt.title, ions, tuple((at_c, unit * g) for at_c, g in saturated_g_kg(salt)))


def _anhydrous(title: str, molar_g: float, ions: Mapping[str, int], *points: tuple[float, float]) -> Solid:
    """Return a salt from grams of anhydrous salt to 100 g of water."""
    name = title.replace(" ", "_")
    return Solid(name, title, ions, tuple((at_c, 10.0 * grams / molar_g) for at_c, grams in points))


_OTHERS = (
    # Perry's Chemical Engineers' Handbook, table 2-122; 30 °C from memory, not confirmed
    _anhydrous(
        "ammonium chloride", 53.49, {"NH4": 1, "Cl": 1}, (0, 29.4), (10, 33.3), (20, 37.2), (30, 41.4), (40, 45.8)
    ),
    # 0, 20, 40 °C as printed by two public tables; the rest from memory, not confirmed
    _anhydrous(
        "sodium nitrate", 84.99, {"Na": 1, "NO3": 1}, (0, 73.0), (10, 80.0), (20, 88.0), (30, 96.0), (40, 104.0)
    ),
    _anhydrous("sodium chloride", 58.44, {"Na": 1, "Cl": 1}, (0, 35.7), (20, 36.0), (40, 36.6)),
    # 0 and 20 °C as printed by a public table, and pitzer.dat of PHREEQC: 4.5, 9.3, 19.6
    _anhydrous("sodium sulphate", 142.04, {"Na": 2, "SO4": 1}, (0, 4.5), (10, 9.0), (20, 19.4), (30, 40.8)),
    # pitzer.dat of PHREEQC
    _anhydrous("magnesium chloride", 95.21, {"Mg": 1, "Cl": 2}, (0, 52.9), (20, 55.0), (40, 57.7)),
    # from memory, not confirmed
    _anhydrous("monosodium phosphate", 119.98, {"Na": 1, "H2PO4": 1}, (0, 57.9), (10, 69.9), (20, 86.9), (30, 107.0)),
    _anhydrous("disodium phosphate", 141.96, {"Na": 2, "HPO4": 1}, (0, 1.68), (10, 3.53), (20, 7.83), (30, 22.0)),
    _anhydrous(
        "magnesium ammonium sulphate",
        252.49,
        {"Mg": 1, "NH4": 2, "SO4": 2},
        (0, 11.8),
        (10, 14.6),
        (20, 18.0),
        (30, 21.7),
        (40, 25.8),
    ),
    # from memory, not confirmed; at 25 °C pitzer.dat of PHREEQC has 28.6
    _anhydrous(
        "magnesium potassium sulphate",
        294.62,
        {"Mg": 1, "K": 2, "SO4": 2},
        (0, 14.1),
        (10, 19.7),
        (20, 25.0),
        (30, 30.4),
    ),
)
_DOUBLE = "calcium_nitrate_double_salt"
"""Judged by the two salts in it: nobody has published what dissolves of it."""
_BUILT_IN = (substance_of(name, {}) for name in SALTS if name != _DOUBLE)
SOLIDS: Final = (*(_built_in(salt) for salt in _BUILT_IN if salt.ions_mol_g and salt.solubility_g_per_100_g), *_OTHERS)
"""The built-in salts, and what else their ions and sodium form. Dipotassium phosphate is left out: it dissolves better
than whatever could bring it about."""
