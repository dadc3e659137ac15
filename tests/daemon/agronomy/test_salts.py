"""The table of plain salts: formulas against periodictable, solubilities as published, hydrates by hand."""

from itertools import pairwise

import periodictable
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import MEMORY, SALTS, Salt, as_weighed_g
from daemon.agronomy.saturation import interpolated

_FORMULAS = {
    "urea": "CO(NH2)2",
    "ammonium_nitrate": "NH4NO3",
    "ammonium_sulphate": "(NH4)2SO4",
    "map": "NH4H2PO4",
    "dap": "(NH4)2HPO4",
    "urea_phosphate": "CO(NH2)2H3PO4",
    "mkp": "KH2PO4",
    "potassium_nitrate": "KNO3",
    "potassium_sulphate": "K2SO4",
    "potassium_chloride": "KCl",
    "calcium_nitrate_tetrahydrate": "Ca(NO3)2(H2O)4",
    "calcium_nitrate_double_salt": "(Ca(NO3)2)5NH4NO3(H2O)10",
    "magnesium_sulphate_heptahydrate": "MgSO4(H2O)7",
    "magnesium_nitrate_hexahydrate": "Mg(NO3)2(H2O)6",
    "calcium_chloride_dihydrate": "CaCl2(H2O)2",
    "phosphoric_acid": "H3PO4",
    "nitric_acid": "HNO3",
    "boric_acid": "B(OH)3",
}
_FROM_MEMORY = {
    "solubility": {"urea", "urea_phosphate"},
    "heat": {
        "ammonium_sulphate",
        "map",
        "dap",
        "mkp",
        "potassium_sulphate",
        "calcium_nitrate_tetrahydrate",
        "calcium_nitrate_double_salt",
        "magnesium_sulphate_heptahydrate",
        "magnesium_nitrate_hexahydrate",
    },
}
"""Salts with a value that nobody has looked up; to be shortened, never to grow unseen."""


def _soluble_g(name: str, at_c: float) -> float:
    """Return grams as weighed to 100 g of added water."""
    found = interpolated(substance_of(name, {}).solubility_g_per_100_g, at_c)
    assert found is not None
    return found


def test_every_salt_has_a_formula_to_be_held_against() -> None:
    """Guards this file: a salt added to the table is checked here too."""
    assert SALTS.keys() == _FORMULAS.keys()


@pytest.mark.parametrize("name", SALTS)
def test_molar_masses_against_periodictable(name: str) -> None:
    """Guards ions, protons and crystal water of every formula."""
    assert SALTS[name].g_mol == pytest.approx(float(periodictable.formula(_FORMULAS[name]).mass), rel=2e-4)


@pytest.mark.parametrize("name", SALTS)
def test_nutrients_against_periodictable(name: str) -> None:
    """Guards the mass of every nutrient in a gram as weighed, and that the forms of nitrogen add up to it."""
    salt, substance = SALTS[name], substance_of(name, {})
    peer = periodictable.formula(_FORMULAS[name])
    share = salt.liquid.share if salt.liquid else 1.0
    fractions = {str(atom): share * n * atom.mass / peer.mass for atom, n in peer.atoms.items()}
    expected = {element: fraction for element, fraction in fractions.items() if element not in ("H", "O", "C")}
    assert dict(substance.nutrients_g_g) == pytest.approx(expected, rel=5e-4)
    assert sum(substance.nitrogen_g_g.values()) == pytest.approx(substance.nutrients_g_g.get("N", 0.0))


@pytest.mark.parametrize(
    ("name", "pct"),
    [
        ("urea", {"N": 46.65}),
        ("ammonium_nitrate", {"N": 35.00}),
        ("ammonium_sulphate", {"N": 21.20, "S": 24.26}),
        ("map", {"N": 12.18, "P": 26.93}),
        ("dap", {"N": 21.21, "P": 23.46}),
        ("urea_phosphate", {"N": 17.72, "P": 19.60}),
        ("potassium_nitrate", {"N": 13.85, "K": 38.67}),
        ("mkp", {"P": 22.76, "K": 28.73}),
        ("potassium_sulphate", {"K": 44.88, "S": 18.40}),
        ("potassium_chloride", {"K": 52.45, "Cl": 47.55}),
        ("calcium_nitrate_tetrahydrate", {"N": 11.86, "Ca": 16.97}),
        ("calcium_nitrate_double_salt", {"N": 15.55, "Ca": 18.54}),
        ("magnesium_sulphate_heptahydrate", {"Mg": 9.86, "S": 13.01}),
        ("magnesium_nitrate_hexahydrate", {"N": 10.93, "Mg": 9.48}),
    ],
)
def test_nutrients_of_the_domain_sheet(name: str, pct: dict[str, float]) -> None:
    """Rows N4 to N7 and the sheet's table of pure salts, on which periodictable and molmass agree."""
    found = {nutrient: 100.0 * fraction for nutrient, fraction in substance_of(name, {}).nutrients_g_g.items()}
    assert found == pytest.approx(pct, abs=0.05)


def test_the_two_calcium_nitrates_are_told_apart() -> None:
    """Guards against a dose that is wrong by 31 %: the usual one has 15.5 % N, 1.3 % of it ammonium."""
    usual = substance_of("calcium_nitrate_double_salt", {})
    other = substance_of("calcium_nitrate_tetrahydrate", {})
    assert usual.nutrients_g_g["N"] / other.nutrients_g_g["N"] == pytest.approx(1.31, abs=0.005)
    assert usual.nitrogen_g_g["ammonium"] == pytest.approx(0.0130, abs=5e-5) and "ammonium" not in other.nitrogen_g_g


@pytest.mark.parametrize(("grade", "acid"), [(0.133, "nitric_acid"), (0.616 * 0.43643, "phosphoric_acid")])
def test_acids_by_their_strength(grade: float, acid: str) -> None:
    """Guards the water in an acid: 60 % nitric acid is 13.3 % N, 85 % phosphoric acid 61.6 % P2O5 (domain sheet)."""
    substance = substance_of(acid, {})
    assert max(substance.nutrients_g_g.values()) == pytest.approx(grade, rel=5e-3)
    assert substance.is_liquid and substance.nature == "acid" and not substance.solubility_g_per_100_g


@pytest.mark.parametrize(
    ("name", "tolerance", "grams"),
    [
        # S1: a handbook row as six public copies print it
        ("potassium_nitrate", 0.03, {0: 13.3, 10: 20.9, 20: 31.6, 30: 45.8, 40: 63.9}),
        # S2: a public table; 25 °C by pitzer.dat of PHREEQC
        ("potassium_chloride", 0.02, {20: 34.2, 25: 35.6}),
        # public property tables
        ("ammonium_sulphate", 0.01, {0: 70.1, 10: 72.7, 20: 75.4, 30: 78.1, 40: 81.2}),
        ("map", 0.05, {0: 22.5, 10: 27.1, 20: 36.8, 40: 56.7}),
        ("dap", 0.05, {0: 57.5, 20: 68.6, 40: 81.8}),
        # fit of Vogel, Figurski and Vohland in IUPAC-NIST Solubility Data Series 66
        ("mkp", 0.05, {0: 13.9, 10: 17.7, 20: 22.2, 30: 27.6, 40: 33.8}),
        # pitzer.dat of PHREEQC, which is known to be some 8 % low
        ("potassium_sulphate", 0.11, {0: 6.97, 10: 8.59, 20: 10.24, 30: 11.87, 40: 13.45}),
    ],
)
def test_solubilities_against_another_source(name: str, tolerance: float, grams: dict[float, float]) -> None:
    """Rows S1 and S2, and whatever else has two sources."""
    assert {at_c: _soluble_g(name, at_c) for at_c in grams} == pytest.approx(grams, rel=tolerance)


@pytest.mark.parametrize(
    ("name", "at_c", "grams"),
    [
        ("magnesium_sulphate_heptahydrate", 20.0, 107.0),  # S3; pitzer.dat of PHREEQC has 107.6
        ("magnesium_sulphate_heptahydrate", 10.0, 82.0),
        ("calcium_nitrate_tetrahydrate", 20.0, 412.0),  # S4, and not 129
        ("magnesium_nitrate_hexahydrate", 20.0, 243.0),
    ],
)
def test_a_hydrate_brings_water_along(name: str, at_c: float, grams: float) -> None:
    """Rows S3 and S4: grams as weighed to 100 g of added water (domain sheet)."""
    assert _soluble_g(name, at_c) == pytest.approx(grams, rel=0.03)


def test_a_quarter_kilo_of_potassium_nitrate_does_not_dissolve_in_a_cold_litre() -> None:
    """Row S5: 250 g fit a litre at 20 °C, and not at 10 °C."""
    assert _soluble_g("potassium_nitrate", 10.0) < 25.0 < _soluble_g("potassium_nitrate", 20.0)


@pytest.mark.parametrize("name", [name for name, salt in SALTS.items() if salt.solubility])
def test_warmer_water_dissolves_more(name: str) -> None:
    """Guards typing errors: every table rises with the temperature, without a jump."""
    points = substance_of(name, {}).solubility_g_per_100_g
    assert points[0][0] == 0.0
    for (cold_c, less), (warm_c, more) in pairwise(points):
        assert cold_c < warm_c and less < more < 2.5 * less


def test_the_double_salt_is_taken_for_less_soluble_than_its_calcium_nitrate() -> None:
    """Guards the safe side of a table that was not found: gram for gram as anhydrous calcium nitrate, at the most."""
    double, single = (SALTS[f"calcium_nitrate_{kind}"] for kind in ("double_salt", "tetrahydrate"))
    pct = {point.at_c: point.anhydrous_pct for point in single.solubility}
    assert {point.at_c for point in double.solubility} <= pct.keys()
    for point in double.solubility:
        anhydrous_g = 100.0 * pct[point.at_c] / (100.0 - pct[point.at_c])
        assert as_weighed_g(double, point.anhydrous_pct) == pytest.approx(anhydrous_g, rel=2e-3)
        assert point.anhydrous_pct < pct[point.at_c]


@given(pct=st.floats(0.01, 60.0))
@pytest.mark.parametrize("salt", [salt for salt in SALTS.values() if salt.solubility], ids=lambda salt: salt.title)
def test_as_weighed_keeps_the_saturated_solution(salt: Salt, pct: float) -> None:
    """Guards the hydrate formula: what was weighed and the added water make the very solution that was saturated."""
    crystals = 1.0 - salt.anhydrous_g_mol / salt.g_mol
    try:
        grams = as_weighed_g(salt, pct)
    except ValueError:
        assert pct >= 100.0 * (1.0 - crystals) * (1.0 - 1e-9)
        return
    assert 100.0 * grams * (1.0 - crystals) / (grams + 100.0) == pytest.approx(pct)


@pytest.mark.parametrize("name", SALTS)
def test_every_value_names_its_source(name: str) -> None:
    """Guards that a value from memory says so, and that this file knows which those are."""
    salt = SALTS[name]
    by_memory = {
        "solubility": any(point.source.endswith(MEMORY) for point in salt.solubility),
        "heat": salt.heat is not None and salt.heat.source.endswith(MEMORY),
    }
    assert all(point.source for point in salt.solubility) and salt.heat and salt.heat.source and salt.trade
    assert {what for what, is_so in by_memory.items() if is_so} == {
        what for what, names in _FROM_MEMORY.items() if name in names
    }


@pytest.mark.parametrize(
    ("name", "kj_mol"),
    [
        # Perry's Chemical Engineers' Handbook, Heats of solution (at 18 °C, in kcal)
        ("ammonium_nitrate", 6.47 * 4.184),
        # a public table for teachers
        ("potassium_nitrate", 34.9),
    ],
)
def test_heats_against_another_source(name: str, kj_mol: float) -> None:
    """Guards the salts that cool a tank the most."""
    heat_j_g = substance_of(name, {}).heat_j_g
    assert heat_j_g == pytest.approx(1000.0 * kj_mol / SALTS[name].g_mol, rel=0.06)
