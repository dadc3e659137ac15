"""Mixes of built-in salts as tests write them, and two waters."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

from daemon.agronomy.products import substance_of
from daemon.agronomy.substance import Substance
from daemon.decisions.tanks import Water

CALCIUM_NITRATE = "calcium_nitrate_tetrahydrate"
EPSOM = "magnesium_sulphate_heptahydrate"
MAGNESIUM_NITRATE = "magnesium_nitrate_hexahydrate"


def parts(**grams: float) -> list[tuple[Substance, float]]:
    """Return built-in salts with their grams in a litre, or to a kilogram of water."""
    return [(substance_of(name, {}), amount) for name, amount in grams.items()]


def unknown(name: str = "shed_mix", **changes: object) -> Substance:
    """Return a product that is no built-in salt's grade: potassium nitrate by its ions, unless changed."""
    known = substance_of("potassium_nitrate", {})
    return replace(known, **{"name": name, "title": name, "salt": None, **changes})  # type: ignore[arg-type]


def mol_kg(mix: list[tuple[Substance, float]]) -> dict[str, float]:
    """Return moles by ion for grams to a kilogram of all water."""
    total: dict[str, float] = {}
    for product, grams in mix:
        for ion, moles in product.ions_mol_g.items():
            total[ion] = total.get(ion, 0.0) + grams * moles
    return total


def water(mmol: Mapping[str, float], ph: float = 7.8, fe_mg_l: float = 0.0) -> Water:
    """Return an analysis from millimoles to a litre: Ca, Mg, Na, Cl, HCO3, SO4."""
    return Water(
        on=date(2026, 1, 1),
        ec_ms_cm=1.0,
        ph=ph,
        ca_mg_l=40.078 * mmol.get("Ca", 0.0),
        mg_mg_l=24.305 * mmol.get("Mg", 0.0),
        na_mg_l=22.990 * mmol.get("Na", 0.0),
        hco3_mg_l=61.017 * mmol.get("HCO3", 0.0),
        so4_mg_l=96.06 * mmol.get("SO4", 0.0),
        cl_mg_l=35.45 * mmol.get("Cl", 0.0),
        nitrate_mg_l=0.0,
        nitrate_as="N",
        fe_mg_l=fe_mg_l,
    )


HARD = {"Ca": 3.0, "Mg": 1.5, "Na": 2.0, "Cl": 3.0, "HCO3": 5.0, "SO4": 1.5}
SOFT = {"Ca": 0.5, "Mg": 0.3, "Na": 0.7, "Cl": 0.8, "HCO3": 1.2, "SO4": 0.15}
"""The two waters of the domain sheet's section 3."""
