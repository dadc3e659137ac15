"""The constants of the speciation: masters, ion pairs, protons, activity coefficients.

As read in the data set phreeqc.dat of PHREEQC 3 (Parkhurst and Appelo, USGS Techniques and Methods 6-A43, 2013), which
has its carbonates from Plummer and Busenberg (Geochim. Cosmochim. Acta 46:1011, 1982), its ion sizes from Truesdell and
Jones (J. Res. U.S. Geol. Survey 2:233, 1974) and H3PO4 from NIST 46. Each reaction is written as it was published.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

KELVIN: Final = 273.15
LN10: Final = math.log(10.0)
_GAS_KJ: Final = 8.314462618e-3
_KCAL: Final = 4.184

MASTERS: Final[Mapping[str, int]] = {
    "H": 1,
    "Ca": 2,
    "Mg": 2,
    "K": 1,
    "Na": 1,
    "NH4": 1,
    "SO4": -2,
    "PO4": -3,
    "CO2": 0,
    "Cl": -1,
    "NO3": -1,
    "Urea": 0,
    "Cation": 1,
    "Anion": -1,
}
"""What every species is made of, each with its charge. Cation and Anion stand for ions that react with nothing."""


@dataclass(frozen=True, slots=True)
class Constant:
    """log10 K of a reaction over temperature."""

    at_25: float
    heat_kj: float = 0.0
    """Of the reaction; moves K by van 't Hoff."""
    fitted: tuple[float, float, float, float, float, float] | None = None
    """a + bT + c/T + d log10 T + e/T² + fT², T in kelvin; where it was published, it rules over the two above."""

    def at(self, temperature_c: float) -> float:
        """Return log10 K."""
        kelvin = temperature_c + KELVIN
        if self.fitted is None:
            return self.at_25 + self.heat_kj / (_GAS_KJ * LN10) * (1.0 / (KELVIN + 25.0) - 1.0 / kelvin)
        a, b, c, d, e, f = self.fitted
        return a + b * kelvin + c / kelvin + d * math.log10(kelvin) + e / kelvin**2 + f * kelvin**2


@dataclass(frozen=True, slots=True)
class Coefficient:
    """log10 of an activity coefficient: -A z² √I / (1 + B size √I) + b I."""

    size_angstrom: float
    b: float = 0.0


@dataclass(frozen=True, slots=True)
class Species:
    """Something that masters, or species named before it, make."""

    name: str
    parts: Mapping[str, int]
    constant: Constant
    coefficient: Coefficient | None = None
    """None: by Davies, or 0.1 I without charge."""


COEFFICIENTS: Final[Mapping[str, Coefficient]] = {
    "H": Coefficient(9.0),
    "Ca": Coefficient(5.0, 0.165),
    "Mg": Coefficient(5.5, 0.20),
    "K": Coefficient(3.5, 0.015),
    "Na": Coefficient(4.08, 0.082),
    "NH4": Coefficient(2.5),
    "SO4": Coefficient(5.0, -0.04),
    "PO4": Coefficient(4.0),
    "Cl": Coefficient(3.63, 0.017),
    "NO3": Coefficient(3.0),
}
"""Of the masters; the rest by Davies."""


def _kcal(at_25: float, heat_kcal: float = 0.0) -> Constant:
    return Constant(at_25, heat_kcal * _KCAL)


def _fit(at_25: float, a: float, b: float, c: float, d: float = 0.0, e: float = 0.0, f: float = 0.0) -> Constant:
    return Constant(at_25, fitted=(a, b, c, d, e, f))


SPECIES: Final = (
    Species(
        "OH",
        {"H": -1},
        _fit(-13.998, 293.29227, 0.1360833, -10576.913, -123.73158, 0.0, -6.996455e-5),
        Coefficient(3.5),
    ),
    Species("NH3", {"NH4": 1, "H": -1}, _fit(-9.252, 0.6322, -0.001225, -2835.76)),
    Species(
        "HCO3",
        {"CO2": 1, "H": -1},
        _fit(-6.352, -356.3094, -0.06091964, 21834.37, 126.8339, -1684915.0),
        Coefficient(5.4),
    ),
    Species(
        "CO3",
        {"HCO3": 1, "H": -1},
        _fit(-10.329, -107.8871, -0.03252849, 5151.79, 38.92561, -563713.9),
        Coefficient(5.4),
    ),
    Species("HSO4", {"SO4": 1, "H": 1}, _fit(1.988, -56.889, 0.006473, 2307.9, 19.8858)),
    Species("HPO4", {"PO4": 1, "H": 1}, _kcal(12.346, -3.530), Coefficient(5.0)),
    Species("H2PO4", {"PO4": 1, "H": 2}, _kcal(19.553, -4.520), Coefficient(5.4)),
    Species("H3PO4", {"PO4": 1, "H": 3}, Constant(21.721, -10.1)),
    Species("NH4SO4", {"NH4": 1, "SO4": 1}, _kcal(1.11)),
    Species("KSO4", {"K": 1, "SO4": 1}, _fit(0.85, 3.106, 0.0, -673.6), Coefficient(5.4)),
    Species("KHPO4", {"K": 1, "HPO4": 1}, _kcal(0.29), Coefficient(5.4)),
    Species("NaSO4", {"Na": 1, "SO4": 1}, _kcal(0.7, 1.120), Coefficient(5.4)),
    Species("NaHPO4", {"Na": 1, "HPO4": 1}, _kcal(0.29), Coefficient(5.4)),
    Species("NaCO3", {"Na": 1, "CO3": 1}, _kcal(1.27, 8.91)),
    Species("NaHCO3", {"Na": 1, "HCO3": 1}, _kcal(-0.25, -1.0)),
    Species("CaOH", {"Ca": 1, "H": -1}, _kcal(-12.78)),
    Species("CaCO3", {"Ca": 1, "CO3": 1}, _fit(3.224, -1228.732, -0.299440, 35512.75, 485.818)),
    Species("CaHCO3", {"Ca": 1, "HCO3": 1}, _fit(1.106, 1209.120, 0.31294, -34765.05, -478.782), Coefficient(6.0)),
    Species("CaSO4", {"Ca": 1, "SO4": 1}, _kcal(2.25, 1.325)),
    Species("CaHSO4", {"Ca": 1, "HSO4": 1}, _kcal(1.08)),
    Species("CaPO4", {"Ca": 1, "PO4": 1}, _kcal(6.459, 3.10), Coefficient(5.4)),
    Species("CaHPO4", {"Ca": 1, "HPO4": 1}, _kcal(2.739, 3.3)),
    Species("CaH2PO4", {"Ca": 1, "H2PO4": 1}, _kcal(1.408, 3.4), Coefficient(5.4)),
    Species("MgOH", {"Mg": 1, "H": -1}, _kcal(-11.44, 15.952), Coefficient(6.5)),
    Species("MgCO3", {"Mg": 1, "CO3": 1}, _fit(2.98, 0.9910, 0.00667, 0.0)),
    Species("MgHCO3", {"Mg": 1, "HCO3": 1}, _fit(1.07, -59.215, 0.0, 2537.455, 20.92298), Coefficient(4.0)),
    Species("MgSO4", {"Mg": 1, "SO4": 1}, _kcal(2.37, 4.550)),
    Species("MgPO4", {"Mg": 1, "PO4": 1}, _kcal(6.589, 3.10), Coefficient(5.4)),
    Species("MgHPO4", {"Mg": 1, "HPO4": 1}, _kcal(2.87, 3.3)),
    Species("MgH2PO4", {"Mg": 1, "H2PO4": 1}, _kcal(1.513, 3.4), Coefficient(5.4)),
)
