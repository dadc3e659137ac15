"""The one place where units are converted, and the types that keep mass and volume apart in the ledger.

Names carry the unit (`flow_m3_h`, `dose_kg_ha`); what is stored in the ledger is a whole number of a small unit.
"""

from collections.abc import Mapping
from typing import NewType

Millilitres = NewType("Millilitres", int)
Milligrams = NewType("Milligrams", int)
Milliseconds = NewType("Milliseconds", int)


def millilitres(volume_l: float) -> Millilitres:
    """Round litres to the ledger's whole millilitres."""
    return Millilitres(round(volume_l * 1000.0))


def milligrams(mass_kg: float) -> Milligrams:
    """Round kilograms to the ledger's whole milligrams."""
    return Milligrams(round(mass_kg * 1e6))


def milliseconds(duration_s: float) -> Milliseconds:
    """Round seconds to the ledger's whole milliseconds."""
    return Milliseconds(round(duration_s * 1000.0))


def litres(volume_ml: int) -> float:
    """Return whole millilitres as litres."""
    return volume_ml / 1000.0


def kilograms(mass_mg: int) -> float:
    """Return whole milligrams as kilograms."""
    return mass_mg / 1e6


def litres_per_second(flow_m3_h: float) -> float:
    """Return a flow in cubic metres an hour as litres a second."""
    return flow_m3_h / 3.6


def stock_l(strengths_g_l: Mapping[str, float], masses_mg: Mapping[str, float]) -> float:
    """Return the litres of a stock solution that masses of its nutrients stand for, by the strongest; 0 for pure water.

    A milligram at a gram a litre is a millilitre.
    """
    nutrient = max(strengths_g_l, key=strengths_g_l.__getitem__, default="")
    g_l = strengths_g_l.get(nutrient, 0.0)
    return masses_mg.get(nutrient, 0.0) / g_l / 1000.0 if g_l else 0.0
