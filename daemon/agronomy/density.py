"""How many litres a solution makes, and what a litre of it weighs, at 25 °C.

Each ion has its volume in much water; what ions at close quarters add is Pitzer's Debye-Hückel term alone. Liquids keep
their own litres. Single salts come out within 1.3 % to half of what dissolves, and within 3 % (too dense) near the
working margin.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from daemon.agronomy.nutrients import molar_mass_g
from daemon.agronomy.species import MASTERS
from daemon.agronomy.substance import Substance

WATER_KG_L: Final = 0.99705
"""At 25 °C."""
_VOLUME_L_MOL: Final[Mapping[str, float]] = MappingProxyType(
    {
        "Na": -0.00121,
        "K": 0.00902,
        "NH4": 0.01786,
        "Mg": -0.02117,
        "Ca": -0.01785,
        "Cl": 0.01783,
        "NO3": 0.02900,
        "SO4": 0.01398,
        "Urea": 0.0442,
        "Cation": -0.00121,
        "Anion": 0.0243,
    }
)
"""At infinite dilution, with H as 0; Cation as sodium, Anion as bicarbonate. Millero (Chem. Rev. 71:147, 1971), from
memory; the tests hold what follows against published densities."""
_PHOSPHATE_L_MOL: Final = (-0.0306, 0.0076, 0.0291, 0.0479)
"""By protons: PO4, HPO4, H2PO4, H3PO4; as above."""
_REST_L_KG: Final = 0.6
"""Of whatever ions and water leave of a product (common practice, no source)."""
_SLOPE: Final = 1.874e-3
"""Debye-Hückel slope of volumes, L/mol (kg/mol)^0.5 (Rogers and Pitzer, J. Phys. Chem. Ref. Data 11:15, 1982)."""
_B: Final = 1.2
"""(kg/mol)^0.5, as in Pitzer's equations."""
_PASSES: Final = 30


@dataclass(frozen=True, slots=True)
class _Dissolved:
    """What products bring into a solution."""

    water_kg: float
    """Of their crystals."""
    own_l: float
    """Of ions in much water, of liquids, and of the rest."""
    strength_mol: float
    """Ionic strength, times the kilograms of water."""

    def litres(self, added_kg: float) -> float:
        """Return the volume with so many kilograms of added water."""
        water_kg = self.water_kg + added_kg
        if water_kg <= 0.0:
            return self.own_l
        crowding = math.log1p(_B * math.sqrt(self.strength_mol / water_kg))
        return water_kg / WATER_KG_L + self.own_l + self.strength_mol * _SLOPE / _B * crowding


def solution_l(parts: Sequence[tuple[Substance, float]], water_l: float) -> float:
    """Return the litres that products, in kg as weighed, make with so many litres of added water."""
    return _dissolved(parts).litres(water_l * WATER_KG_L)


def density_kg_l(parts: Sequence[tuple[Substance, float]]) -> float:
    """Return the density of a solution of products, in g/L as weighed; what they leave of a litre is added water.

    Of more than a litre can hold, that of the products without added water.
    """
    products = _dissolved([(substance, g_l / 1000.0) for substance, g_l in parts])
    added_kg = WATER_KG_L
    for _ in range(_PASSES):  # crowding hardly moves with the water: each pass leaves a few hundredths of the miss
        added_kg = max(0.0, added_kg + (1.0 - products.litres(added_kg)) * WATER_KG_L)
    return (math.fsum(g_l for _, g_l in parts) / 1000.0 + added_kg) / products.litres(added_kg)


def _dissolved(parts: Sequence[tuple[Substance, float]]) -> _Dissolved:
    ions: dict[str, float] = {}
    water_kg = own_l = 0.0
    for substance, kg in parts:
        if substance.density_kg_l is not None:
            own_l += kg / substance.density_kg_l
            continue
        ions_kg = 0.0
        for ion, mol_g in substance.ions_mol_g.items():
            ions[ion] = ions.get(ion, 0.0) + 1000.0 * kg * mol_g
            ions_kg += kg * mol_g * _ion_g(ion)
        water_kg += kg * substance.water_g_g
        own_l += _REST_L_KG * max(0.0, kg * (1.0 - substance.water_g_g) - ions_kg)
    phosphate = ions.pop("PO4", 0.0)
    protons = max(0.0, 3.0 * phosphate - math.fsum(MASTERS[ion] * moles for ion, moles in ions.items()))
    held = min(3.0, protons / phosphate) if phosphate else 0.0
    fewer = min(2, int(held))
    volume = _PHOSPHATE_L_MOL[fewer] + (held - fewer) * (_PHOSPHATE_L_MOL[fewer + 1] - _PHOSPHATE_L_MOL[fewer])
    own_l += phosphate * volume + math.fsum(_VOLUME_L_MOL[ion] * moles for ion, moles in ions.items())
    strength = phosphate * (3.0 - held) ** 2 + math.fsum(MASTERS[ion] ** 2 * moles for ion, moles in ions.items())
    return _Dissolved(water_kg, own_l, 0.5 * (strength + max(0.0, protons - 3.0 * phosphate)))


def _ion_g(ion: str) -> float:
    """Return the mass of a mole, that of an inert ion unknown and left to the rest."""
    return 0.0 if ion in ("Cation", "Anion") else molar_mass_g(ion)
