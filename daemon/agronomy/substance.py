"""A product as chemistry sees it: grams and moles for each gram as weighed, whatever its label looked like."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Substance:
    """One product, built in or from a label. Every figure is for one gram of product as it is weighed."""

    name: str
    title: str
    is_liquid: bool
    nutrients_g_g: Mapping[str, float]
    """Elemental, by nutrient; N is the sum of its forms."""
    nitrogen_g_g: Mapping[str, float]
    """Grams of N by form: nitrate, ammonium, urea."""
    ions_mol_g: Mapping[str, float]
    """Moles by ion: Ca, Mg, K, Na, NH4, NO3, SO4, PO4, Cl, Urea; PO4 is all orthophosphate, NH4 all ammonium. What a
    label leaves open is balanced with inert charge (Cation, Anion) unless the product is an acid or alkaline."""
    water_g_g: float
    """Water that it brings: of its crystals, or in a liquid."""
    density_kg_l: float | None
    """Of a liquid."""
    solubility_g_per_100_g: tuple[tuple[float, float], ...]
    """(°C, grams as weighed to 100 g of added water), by temperature; empty where nobody said."""
    ec_ms_cm_per_g_l: float
    """Rise of EC at 25 °C for one gram in a litre of pure water; 0 where EC cannot see it."""
    heat_j_g: float | None
    """Heat that dissolving takes up (cools) or gives (negative); None where nobody said."""
    nature: str
    """neutral, acid, alkaline or chlorine."""
    salt: str | None
    """The built-in salt whose rows of the pair table hold for it; None for a product that is none of them."""
    cautions: tuple[str, ...]
    """What to know before opening the bag."""
