"""The EC of a solution at 25 °C from its ions: what each carries alone, less what the others slow it down by.

Every species counts with its conductivity at infinite dilution, times its activity coefficient to a power that goes by
its charge: the correction of Appelo (2010) that PHREEQC used up to version 3.7. Ions that go in pairs, and acids that
keep their protons, carry less; the speciation says how many do. Meant for line water, up to some 5 g of product in a
litre: there a litre is as good as a kilogram of water.
"""

import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType
from typing import Final

from daemon.agronomy.speciation import CHARGES, Speciation, speciate
from daemon.agronomy.species import MASTERS
from daemon.agronomy.substance import Substance
from daemon.agronomy.waters import water_ions
from daemon.decisions.tanks import Water

_REFERENCE_C = 25.0
_CONDUCTIVITY: Final[Mapping[str, float]] = MappingProxyType(
    {
        "H": 349.65,
        "OH": 198.0,
        "Na": 50.08,
        "K": 73.48,
        "NH4": 73.5,
        "Mg": 53.0,
        "Ca": 59.47,
        "Cl": 76.31,
        "NO3": 71.42,
        "SO4": 80.0,
        "HCO3": 44.5,
        "CO3": 69.3,
        "H2PO4": 31.9,
        "HPO4": 57.0,
        "PO4": 92.8,
        "HSO4": 52.0,
        "Cation": 50.08,
        "Anion": 44.5,
    }
)
"""S cm²/mol of charge, at infinite dilution and 25 °C: CRC Handbook, Ionic conductivity and diffusion at infinite
dilution. H2PO4 by its diffusion coefficient of 0.85e-9 m²/s as a textbook on submerged soils has it: with the
handbook's 36, phosphates carry a tenth more than its own table of solutions says. Inert ions are taken to be as sodium
and bicarbonate."""
_PAIR = 22.0
"""Of a pair of ions that keeps a charge: PHREEQC's data sets have 18 to 28."""

_TRACE = 1e-12
"""mol/L. Less is not there."""


def ec_ms_cm(ions_mol_l: Mapping[str, float]) -> float:
    """Return the EC at 25 °C of pure water with these ions, in mS/cm; exactly 0 without any that carries charge.

    Ions by the names of `species.MASTERS`. Raises SpeciationError for amounts that no solution has.
    """
    carriers = _carriers(ions_mol_l)
    return _ec_of(speciate(carriers, _REFERENCE_C)) if carriers else 0.0


@lru_cache(maxsize=256)
def gram_ec_ms_cm(ions_mol: tuple[tuple[str, float], ...]) -> float:
    """Return the same of a gram of a product in a litre, by the moles of its ions: it is asked for at every plan."""
    return ec_ms_cm(dict(ions_mol))


def ec_rise_ms_cm(parts: Sequence[tuple[Substance, float]], water: Water | None = None) -> float:
    """Return by how much products, in g/L of line water, raise its EC at 25 °C; below 0 where acid takes bicarbonate.

    Without a water analysis, that of pure water. The rise is between two calculated ECs, so the analysis's own figure
    and what it leaves out do not enter.
    """
    ions: dict[str, float] = {}
    for substance, g_l in parts:
        for ion, mol_g in substance.ions_mol_g.items():
            ions[ion] = ions.get(ion, 0.0) + mol_g * g_l
    carriers = _carriers(ions)
    if water is None or not carriers:
        return ec_ms_cm(carriers)
    background, own_ms_cm = _background(water)
    mixed = {ion: background.get(ion, 0.0) + carriers.get(ion, 0.0) for ion in {**background, **carriers}}
    return _ec_of(speciate(mixed, _REFERENCE_C)) - own_ms_cm


@lru_cache(maxsize=64)
def _background(water: Water) -> tuple[Mapping[str, float], float]:
    """Return a water's ions in mol/kg and its own EC: a season is planned in one water."""
    found = MappingProxyType(dict(water_ions(water, _REFERENCE_C).mol_kg))
    return found, _ec_of(speciate(found, _REFERENCE_C))


def ec_at_25_ms_cm(ec_ms_cm: float, at_c: float, per_c_pct: float = 1.91) -> float:
    """Return what a reading at `at_c` without compensation would be at 25 °C.

    1.91 % a degree holds within 1 % from 10 to 30 °C (KCl, Wu, Koch and Pratt, J. Res. NIST 96:191, 1991). Most
    transmitters compensate themselves: never twice.
    """
    return ec_ms_cm / (1.0 + per_c_pct / 100.0 * (at_c - _REFERENCE_C))


def dissolved_mg_l(ec_ms_cm: float) -> float:
    """Return about how much is dissolved in a natural water of this EC at 25 °C; of fertiliser it says nothing.

    640 mg/L for each mS/cm, and 800 above 5 (University of California Agriculture and Natural Resources).
    """
    return ec_ms_cm * (640.0 if ec_ms_cm <= 5.0 else 800.0)


def _carriers(ions: Mapping[str, float]) -> dict[str, float]:
    return {ion: amount for ion, amount in ions.items() if amount > _TRACE and MASTERS[ion]}


def _ec_of(solution: Speciation) -> float:
    root = math.sqrt(solution.ionic_strength)
    terms = []
    for name, amount in solution.molality.items():
        charge = abs(CHARGES[name])
        if charge and amount > 0.0:
            log_gamma = solution.log_activity[name] - math.log10(amount)
            power = 0.6 / math.sqrt(charge) if solution.ionic_strength < 0.36 * charge else root / charge
            terms.append(charge * _CONDUCTIVITY.get(name, _PAIR) * amount * 10.0 ** (power * log_gamma))
    return math.fsum(terms)
