"""PHREEQC 3 as it has to be asked of fertilisers (Parkhurst and Appelo, USGS TM 6-A43, 2013; phreeqpython, vitens.dat).

Nitrate is an inert master species and ammonium the redox-uncoupled one of the data set: together as N they react to
nitrogen gas, at pH 2. Brushite and struvite are added, for no data set that ships has them. An index of -999 means that
a part of the mineral is absent. phreeqpython's indices leave the activity of water out and so are up to 0.2 higher than
PHREEQC's own in the strongest tank: the stricter of the two to be held against.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import periodictable
from phreeqpython import PhreeqPython, Solution  # type: ignore[import-untyped]

_ADDED = """
SOLUTION_MASTER_SPECIES
Nit   Nit-   0.0  62.0049  62.0049
Urea  Urea   0.0  60.0553  60.0553
SOLUTION_SPECIES
Nit- = Nit-
  log_k 0.0
  -gamma 3.0 0.0
  -dw 1.9e-9
Urea = Urea
  log_k 0.0
PHASES
Brushite
  CaHPO4:2H2O = Ca+2 + HPO4-2 + 2H2O
  log_k -6.59
  delta_h -1.0 kcal
Struvite
  MgAmmHPO4:6H2O = Mg+2 + AmmH+ + PO4-3 + 6H2O
  log_k -13.26
END
"""
_ABSENT = -900.0


@cache
def _molar_mass_g(formula: str) -> float:
    return float(periodictable.formula(formula).mass)


@dataclass(frozen=True)
class Formula:
    """A product by its chemical formula."""

    text: str
    elements: Mapping[str, int]
    """Of one unit, in PHREEQC's names; crystal water apart."""
    crystal_water: int = 0
    share: float = 1.0
    """Of a liquid, by mass; the rest is water."""

    def millimoles(self, grams: float) -> dict[str, float]:
        """Return millimoles by element in so many grams as weighed."""
        units = 1000.0 * grams * self.share / _molar_mass_g(self.text)
        return {element: n * units for element, n in self.elements.items()}

    def water_kg(self, grams: float) -> float:
        """Return the water in so many grams as weighed."""
        units = grams * self.share / _molar_mass_g(self.text)
        return (grams * (1.0 - self.share) + units * self.crystal_water * 18.015) / 1000.0


FORMULAS: Mapping[str, Formula] = {
    "urea": Formula("CO(NH2)2", {"Urea": 1}),
    "ammonium_nitrate": Formula("NH4NO3", {"Amm": 1, "Nit": 1}),
    "ammonium_sulphate": Formula("(NH4)2SO4", {"Amm": 2, "S(6)": 1}),
    "map": Formula("NH4H2PO4", {"Amm": 1, "P": 1}),
    "dap": Formula("(NH4)2HPO4", {"Amm": 2, "P": 1}),
    "urea_phosphate": Formula("CO(NH2)2H3PO4", {"Urea": 1, "P": 1}),
    "mkp": Formula("KH2PO4", {"K": 1, "P": 1}),
    "potassium_nitrate": Formula("KNO3", {"K": 1, "Nit": 1}),
    "potassium_sulphate": Formula("K2SO4", {"K": 2, "S(6)": 1}),
    "potassium_chloride": Formula("KCl", {"K": 1, "Cl": 1}),
    "calcium_nitrate_tetrahydrate": Formula("Ca(NO3)2(H2O)4", {"Ca": 1, "Nit": 2}, 4),
    "calcium_nitrate_double_salt": Formula("(Ca(NO3)2)5NH4NO3(H2O)10", {"Ca": 5, "Amm": 1, "Nit": 11}, 10),
    "calcium_chloride_dihydrate": Formula("CaCl2(H2O)2", {"Ca": 1, "Cl": 2}, 2),
    "magnesium_sulphate_heptahydrate": Formula("MgSO4(H2O)7", {"Mg": 1, "S(6)": 1}, 7),
    "magnesium_nitrate_hexahydrate": Formula("Mg(NO3)2(H2O)6", {"Mg": 1, "Nit": 2}, 6),
    "phosphoric_acid": Formula("H3PO4", {"P": 1}, share=0.85),
    "nitric_acid": Formula("HNO3", {"Nit": 1}, share=0.60),
    "boric_acid": Formula("H3BO3", {"B": 1}),
}
"""The built-in salts, by formula alone."""


@cache
def engine() -> PhreeqPython:
    """Return PHREEQC with what the data set lacks."""
    phreeqc = PhreeqPython(database="vitens.dat")
    phreeqc.ip.run_string(_ADDED)
    return phreeqc


def solution(
    mmol_kg: Mapping[str, float], temperature_c: float, ph: float | None = None, log_p_co2: float | None = None
) -> Solution:
    """Return a solution by its elements: at its own pH unless one is given, below carbon dioxide if that is."""
    given = {element: f"{amount:.8f}" for element, amount in mmol_kg.items()}
    if log_p_co2 is not None:
        given["C(4)"] = f"1.0 CO2(g) {log_p_co2}"
    ph_given = "6.0 charge" if ph is None else f"{ph}"
    return engine().add_solution({"units": "mmol/kgw", "temp": temperature_c, "pH": ph_given, **given})


def index(found: Solution, mineral: str) -> float | None:
    """Return a saturation index; None where a part of the mineral is absent."""
    value = float(found.si(mineral))
    return value if value > _ABSENT else None


def millimoles(grams_kg: Mapping[str, float]) -> dict[str, float]:
    """Return millimoles to a kilogram of all water, from grams of products to a kilogram of added water."""
    water_kg = 1.0 + sum(FORMULAS[name].water_kg(grams) for name, grams in grams_kg.items())
    total: dict[str, float] = {}
    for name, grams in grams_kg.items():
        for element, amount in FORMULAS[name].millimoles(grams).items():
            total[element] = total.get(element, 0.0) + amount / water_kg
    return total
