"""Rise of EC at 25 °C against PHREEQC: every built-in salt, and mixes as they are dosed, in pure and in real water.

vitens.dat, at 25 °C alone: its conductivity rises too steeply with the temperature. PHREEQC itself is low on
sulphates above some grams in a litre: at 5 g/L of anhydrous salt and 20 °C 4 % on magnesium and 11 % on ammonium
sulphate (CRC Handbook, Electrical conductivity of aqueous solutions). Ours is as low; measurements are asked in
tests/daemon/agronomy/test_conductivity.py.
"""

from collections.abc import Mapping
from datetime import date

import pytest

from daemon.agronomy.conductivity import ec_rise_ms_cm
from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.decisions.tanks import Water
from tests.outside.phreeqc import millimoles, solution

_C = 25.0
EC_SEES = [name for name, salt in SALTS.items() if set(salt.ions) - {"Urea"}]
MIXES: tuple[Mapping[str, float], ...] = (
    {"potassium_nitrate": 0.5, "map": 0.5},
    {"potassium_nitrate": 1.0, "ammonium_nitrate": 1.0},
    {"urea": 1.0, "potassium_nitrate": 1.0},
    {"urea": 0.6, "map": 0.2, "potassium_chloride": 0.4},
    {"ammonium_sulphate": 1.0, "potassium_chloride": 1.0},
    {"ammonium_sulphate": 2.0, "potassium_sulphate": 1.0, "mkp": 0.5},
    {"calcium_nitrate_double_salt": 1.0, "potassium_nitrate": 0.5},
    {"calcium_nitrate_tetrahydrate": 0.8, "magnesium_nitrate_hexahydrate": 0.5, "ammonium_nitrate": 0.3},
    {"calcium_chloride_dihydrate": 0.5, "calcium_nitrate_tetrahydrate": 0.5},
    {"magnesium_sulphate_heptahydrate": 0.5, "potassium_sulphate": 0.5},
    {"magnesium_sulphate_heptahydrate": 1.0, "ammonium_sulphate": 1.0, "potassium_nitrate": 1.0},
    {
        "potassium_nitrate": 0.5,
        "map": 0.3,
        "magnesium_sulphate_heptahydrate": 0.3,
        "ammonium_sulphate": 0.5,
    },
    {"mkp": 0.4, "magnesium_nitrate_hexahydrate": 0.4},
    {"dap": 0.3, "potassium_nitrate": 0.5},
    {"urea_phosphate": 0.4, "potassium_nitrate": 0.4},
    {"phosphoric_acid": 0.2, "ammonium_nitrate": 0.5},
    {"nitric_acid": 0.1, "calcium_nitrate_double_salt": 0.5},
    {"nitric_acid": 0.2, "ammonium_sulphate": 0.5},
    {"calcium_nitrate_double_salt": 0.05, "potassium_nitrate": 0.05},
    {"ammonium_nitrate": 2.5, "potassium_nitrate": 2.5},
)
"""Grams in a litre of line water."""


def _water(ph: float, ca: float, mg: float, na: float, hco3: float, so4: float, cl: float, nitrate: float) -> Water:
    """Return an analysis in mg/L, its nitrate as NO3."""
    return Water(
        on=date(2026, 9, 1),
        ec_ms_cm=0.0,
        ph=ph,
        ca_mg_l=ca,
        mg_mg_l=mg,
        na_mg_l=na,
        hco3_mg_l=hco3,
        so4_mg_l=so4,
        cl_mg_l=cl,
        nitrate_mg_l=nitrate,
        nitrate_as="NO3",
    )


WATERS = {
    "soft river": _water(7.2, 12.0, 4.0, 9.0, 45.0, 8.0, 12.0, 2.0),
    "bore": _water(7.6, 60.0, 19.0, 35.0, 190.0, 72.0, 57.0, 5.0),
    "hard bore": _water(7.8, 120.0, 36.0, 46.0, 305.0, 144.0, 106.0, 40.0),
    "salty bore": _water(8.0, 80.0, 60.0, 300.0, 350.0, 200.0, 450.0, 10.0),
}


def _rise_ms_cm(grams_l: Mapping[str, float], water: Water | None = None) -> float:
    return ec_rise_ms_cm([(substance_of(name, {}), grams) for name, grams in grams_l.items()], water)


def _background_mmol(water: Water) -> dict[str, float]:
    """Return PHREEQC's elements of a water: carbon by its alkalinity, inert ions for the charge left open."""
    elements = {
        "Ca": water.ca_mg_l / 40.078,
        "Mg": water.mg_mg_l / 24.305,
        "Na": water.na_mg_l / 22.990,
        "S(6)": water.so4_mg_l / 96.06,
        "Cl": water.cl_mg_l / 35.45,
        "Nit": water.nitrate_mg_l / 62.005,
    }
    alkalinity = water.hco3_mg_l / 61.017
    carbon = solution({**elements, "Alkalinity": alkalinity}, _C, ph=water.ph).total_element("C")
    lacking = 2.0 * (elements["Ca"] + elements["Mg"] - elements["S(6)"]) + elements["Na"]
    lacking -= elements["Cl"] + elements["Nit"] + alkalinity
    return {**elements, "C(4)": carbon, "Nmod" if lacking > 0.0 else "Pmod": abs(lacking)}


def peer_rise_ms_cm(grams_l: Mapping[str, float], water: Water | None = None) -> float:
    """Return PHREEQC's rise of a water's EC by so many grams in a litre."""
    total = millimoles(grams_l)
    if water is None:
        return float(solution(total, _C).sc) / 1000.0
    background = _background_mmol(water)
    mixed = {name: background.get(name, 0.0) + total.get(name, 0.0) for name in {**background, **total}}
    return float(solution(mixed, _C).sc - solution(background, _C).sc) / 1000.0


@pytest.mark.parametrize("grams", [0.1, 0.5, 1.0, 2.0, 5.0])
@pytest.mark.parametrize("name", EC_SEES)
def test_each_salt(name: str, grams: float) -> None:
    """Guards the slope of every built-in salt over the strengths of a line: within 5 % of PHREEQC."""
    assert _rise_ms_cm({name: grams}) == pytest.approx(peer_rise_ms_cm({name: grams}), rel=0.05)


@pytest.mark.parametrize("mix", MIXES, ids=lambda mix: "+".join(mix))
def test_each_mix(mix: Mapping[str, float]) -> None:
    """Guards what the far probe is expected to read: within 4 % of PHREEQC, where 10 % are asked for."""
    assert _rise_ms_cm(mix) == pytest.approx(peer_rise_ms_cm(mix), rel=0.04)


@pytest.mark.parametrize("water", WATERS)
@pytest.mark.parametrize("mix", MIXES, ids=lambda mix: "+".join(mix))
def test_each_mix_in_real_water(mix: Mapping[str, float], water: str) -> None:
    """Guards the rise over a water's own EC, acid that takes its bicarbonate included: within 4 % of PHREEQC."""
    expected = peer_rise_ms_cm(mix, WATERS[water])
    assert _rise_ms_cm(mix, WATERS[water]) == pytest.approx(expected, rel=0.04)
