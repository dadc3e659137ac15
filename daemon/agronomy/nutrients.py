"""What weighs what: elements, the oxides and ions that labels and analyses speak of, and nitrogen by its form.

Inside, every nutrient is the element. A label's oxide is turned into it here, and nowhere else.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

ATOMIC_WEIGHTS: Final[Mapping[str, float]] = MappingProxyType(
    {
        "H": 1.008,
        "B": 10.81,
        "C": 12.011,
        "N": 14.007,
        "O": 15.999,
        "Na": 22.990,
        "Mg": 24.305,
        "P": 30.974,
        "S": 32.06,
        "Cl": 35.45,
        "K": 39.098,
        "Ca": 40.078,
        "Mn": 54.938,
        "Fe": 55.845,
        "Cu": 63.546,
        "Zn": 65.38,
        "Mo": 95.95,
    }
)
"""g/mol. Standard atomic weights, abridged; of an element with a range, the conventional one (IUPAC, Pure Appl. Chem.
94:573, 2022)."""

ATOMS: Final[Mapping[str, Mapping[str, int]]] = MappingProxyType(
    {
        "H2O": {"H": 2, "O": 1},
        "P2O5": {"P": 2, "O": 5},
        "K2O": {"K": 2, "O": 1},
        "CaO": {"Ca": 1, "O": 1},
        "MgO": {"Mg": 1, "O": 1},
        "SO3": {"S": 1, "O": 3},
        "Na2O": {"Na": 2, "O": 1},
        "N2O5": {"N": 2, "O": 5},
        "(NH4)2O": {"N": 2, "H": 8, "O": 1},
        "CaCO3": {"Ca": 1, "C": 1, "O": 3},
        "NO3": {"N": 1, "O": 3},
        "NH4": {"N": 1, "H": 4},
        "PO4": {"P": 1, "O": 4},
        "SO4": {"S": 1, "O": 4},
        "HCO3": {"H": 1, "C": 1, "O": 3},
        "Urea": {"C": 1, "O": 1, "N": 2, "H": 4},
        "B(OH)3": {"B": 1, "O": 3, "H": 3},
    }
)
"""Atoms of each oxide, ion and molecule that is none of the elements."""


def molar_mass_g(name: str) -> float:
    """Return the mass of one mole of an element, or of one of ATOMS, in grams; KeyError for anything else."""
    if name in ATOMIC_WEIGHTS:
        return ATOMIC_WEIGHTS[name]
    return sum(n * ATOMIC_WEIGHTS[element] for element, n in ATOMS[name].items())


def _factor(compound: str, element: str) -> tuple[str, float]:
    return element, ATOMS[compound][element] * ATOMIC_WEIGHTS[element] / molar_mass_g(compound)


FACTORS: Final[Mapping[str, tuple[str, float]]] = MappingProxyType(
    {
        compound: _factor(compound, element)
        for compound, element in (
            ("P2O5", "P"),
            ("K2O", "K"),
            ("CaO", "Ca"),
            ("MgO", "Mg"),
            ("SO3", "S"),
            ("SO4", "S"),
            ("NO3", "N"),
            ("NH4", "N"),
            ("Urea", "N"),
            ("PO4", "P"),
            ("CaCO3", "Ca"),
        )
    }
)
"""Oxide or ion: its element, and grams of that in a gram of it."""

OXIDES: Final[Mapping[str, str]] = MappingProxyType({"P": "P2O5", "K": "K2O", "Ca": "CaO", "Mg": "MgO", "S": "SO3"})
"""The oxide by which a label gives an element."""


def from_label(item: str, pct: float, figures: str) -> tuple[str, float]:
    """Return what one line of a label means: the element, or N by its form (N_nitrate ...), and its fraction.

    `figures` speaks of P, K, Ca, Mg and S alone: elemental; oxide; or oxide_p_k, of P and K only. `pct` is a percentage
    of what it says.
    """
    if item in OXIDES and (figures == "oxide" or (figures == "oxide_p_k" and item in ("P", "K"))):
        element, factor = FACTORS[OXIDES[item]]
        return element, pct / 100.0 * factor
    return item, pct / 100.0
