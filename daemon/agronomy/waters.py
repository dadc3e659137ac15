"""A water analysis as the speciation sees it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from daemon.agronomy.speciation import Speciation, speciate
from daemon.decisions.tanks import Water

_GRAMS_PER_MOLE = {"Ca": 40.078, "Mg": 24.305, "Na": 22.990, "K": 39.098, "SO4": 96.06, "Cl": 35.45, "NO3": 62.005}
_HCO3_G = 61.017
_NITROGEN_G = 14.007
_CARBONATES = {"HCO3": 1, "CaHCO3": 1, "MgHCO3": 1, "NaHCO3": 1, "CO3": 2, "CaCO3": 2, "MgCO3": 2, "NaCO3": 2}
"""Species that an analysis counts as bicarbonate, and how often."""


@dataclass(frozen=True, slots=True)
class WaterIons:
    """What is dissolved in a water, in balance."""

    mol_kg: Mapping[str, float]
    """By master; what the analysis leaves open of the charge is an ion that reacts with nothing."""
    co2: Mapping[str, float]
    """log10 of the activity of its carbon dioxide, as `speciate` holds it; empty without bicarbonate."""
    solution: Speciation


@lru_cache(maxsize=64)
def water_ions(water: Water, temperature_c: float) -> WaterIons:
    """Return the ions of a water at its own pH; its bicarbonate is all its alkalinity."""
    mg_l = {
        "Ca": water.ca_mg_l,
        "Mg": water.mg_mg_l,
        "Na": water.na_mg_l,
        "K": water.k_mg_l,
        "SO4": water.so4_mg_l,
        "Cl": water.cl_mg_l,
    }
    mol_kg = {name: mg / 1000.0 / _GRAMS_PER_MOLE[name] for name, mg in mg_l.items()}
    mol_kg["NO3"] = water.nitrate_mg_l / 1000.0 / (_NITROGEN_G if water.nitrate_as == "N" else _GRAMS_PER_MOLE["NO3"])
    mol_kg["CO2"] = bicarbonate = water.hco3_mg_l / 1000.0 / _HCO3_G
    held = {"H": -water.ph}
    for _ in range(2):  # as much carbon as gives this bicarbonate; the pairs shift it by less each time
        solution = speciate(mol_kg, temperature_c, held)
        counted = math.fsum(n * solution.molality.get(name, 0.0) for name, n in _CARBONATES.items())
        # The ion that makes up the charge counts in the ionic strength: it comes in before the last balance.
        mol_kg = balanced({**mol_kg, "CO2": mol_kg["CO2"] * (bicarbonate / counted if counted else 1.0)}, solution)
    solution = speciate(mol_kg, temperature_c, held)
    co2 = {name: solution.log_activity[name] for name in ("CO2",) if name in solution.log_activity}
    return WaterIons(balanced(mol_kg, solution), co2, solution)


def balanced(mol_kg: Mapping[str, float], solution: Speciation) -> dict[str, float]:
    """Return the amounts with the charge that a held pH left over made up by an ion that reacts with nothing."""
    ion = "Anion" if solution.charge > 0.0 else "Cation"
    return {**mol_kg, ion: mol_kg.get(ion, 0.0) + abs(solution.charge)}
