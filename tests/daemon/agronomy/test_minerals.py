"""How far mixes are past the minerals that clog, against the domain sheet's figures and published solubilities."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.minerals import MINERALS, saturation_indices
from daemon.agronomy.speciation import speciate
from tests.daemon.agronomy.mixes import CALCIUM_NITRATE, EPSOM, mol_kg, parts


def _index(mineral: str, mix: dict[str, float], temperature_c: float = 20.0, ph: float | None = None) -> float:
    """Return an index from grams of salts to a kilogram of water."""
    found = speciate(mol_kg(parts(**mix)), temperature_c, {} if ph is None else {"H": -ph})
    return saturation_indices(found, temperature_c)[mineral]


@pytest.mark.parametrize(
    ("mineral", "mix", "ph", "index", "within"),
    [  # domain sheet, section 3 and X4, X5: PHREEQC at 20 °C; its indices leave out the activity of water, ours do not
        ("gypsum", {CALCIUM_NITRATE: 100, "ammonium_sulphate": 100}, None, 1.91, 0.1),
        ("gypsum", {CALCIUM_NITRATE: 1, "ammonium_sulphate": 1}, None, -0.67, 0.05),
        ("gypsum", {CALCIUM_NITRATE: 10, EPSOM: 10}, None, 0.36, 0.1),
        ("gypsum", {CALCIUM_NITRATE: 2, "potassium_sulphate": 1}, None, -0.52, 0.05),
        ("brushite", {CALCIUM_NITRATE: 10, "map": 5}, None, 0.11, 0.1),
        ("brushite", {CALCIUM_NITRATE: 10, "map": 5}, 7.5, 2.19, 0.1),
        ("brushite", {CALCIUM_NITRATE: 1, "map": 0.5}, 4.7, -0.99, 0.05),
        ("brushite", {CALCIUM_NITRATE: 1, "map": 0.5}, 7.5, 0.96, 0.05),
        ("struvite", {EPSOM: 10, "map": 10}, None, -2.47, 0.1),
        ("struvite", {EPSOM: 10, "map": 10}, 7.5, 2.68, 0.1),
        ("struvite", {EPSOM: 50, "map": 50}, None, -1.36, 0.1),
        ("struvite", {EPSOM: 50, "map": 50}, 6.5, 2.94, 0.2),
    ],
)
def test_the_indices_of_the_domain_sheet(
    mineral: str, mix: dict[str, float], ph: float | None, index: float, within: float
) -> None:
    """Guards the speciation where it matters: what a mix is past, at its own pH and at others."""
    assert _index(mineral, mix, ph=ph) == pytest.approx(index, abs=within)


@pytest.mark.parametrize(
    ("one", "other", "mineral", "limit_g_kg"),
    [  # domain sheet, section 3: grams of each at which PHREEQC's index is 0, 20 °C
        (CALCIUM_NITRATE, "ammonium_sulphate", "gypsum", 3.4),
        (CALCIUM_NITRATE, "potassium_sulphate", "gypsum", 3.6),
        (CALCIUM_NITRATE, EPSOM, "gypsum", 5.0),
        (CALCIUM_NITRATE, "map", "brushite", 5.2),
    ],
)
def test_equal_masses_fall_out_at_their_limit(one: str, other: str, mineral: str, limit_g_kg: float) -> None:
    """Guards where dissolved ends, on both sides of it."""
    assert _index(mineral, {one: 0.95 * limit_g_kg, other: 0.95 * limit_g_kg}) < 0.0
    assert _index(mineral, {one: 1.05 * limit_g_kg, other: 1.05 * limit_g_kg}) > 0.0


@pytest.mark.parametrize(
    ("temperature_c", "g_100_g"),
    [(5.0, 0.23), (10.0, 0.24), (20.0, 0.254), (25.0, 0.259), (30.0, 0.263), (40.0, 0.266)],
)
def test_gypsum_dissolves_as_published(temperature_c: float, g_100_g: float) -> None:
    """Guards gypsum alone: grams of CaSO4·2H2O in 100 g of water (domain sheet, section 2: pitzer.dat of PHREEQC)."""
    moles = 10.0 * g_100_g / 172.17
    found = speciate({"Ca": moles, "SO4": moles}, temperature_c)
    assert saturation_indices(found, temperature_c)["gypsum"] == pytest.approx(0.0, abs=0.03)


def test_a_mineral_without_its_parts_has_no_index() -> None:
    """Guards against an index of nothing: neither nought nor minus something."""
    assert saturation_indices(speciate({"K": 0.1, "NO3": 0.1}, 20.0), 20.0) == {}


@settings(derandomize=True, database=None, max_examples=40)
@given(
    ph=st.floats(4.0, 6.5),
    more=st.floats(0.1, 1.0),
    mineral=st.sampled_from(["brushite", "struvite", "k_struvite"]),
)
def test_phosphates_fall_out_the_sooner_the_less_acid(ph: float, more: float, mineral: str) -> None:
    """Guards the sign of every phosphate: up to pH 7.5, where pairs with PO4 begin to hold it, none dissolves again."""
    mix = {"Ca": 1e-3, "Mg": 1e-3, "K": 5e-3, "NH4": 5e-3, "PO4": 2e-3, "Cl": 4e-3}
    acid, alkaline = (saturation_indices(speciate(mix, 20.0, {"H": -at}), 20.0)[mineral] for at in (ph, ph + more))
    assert alkaline > acid


def test_every_constant_runs_smoothly_over_the_temperatures() -> None:
    """Guards typing errors in the fitted constants: each fit gives its printed value at 25 °C, and moves by little."""
    for mineral in MINERALS:
        assert mineral.constant.at(25.0) == pytest.approx(mineral.constant.at_25, abs=0.02)
        assert all(abs(mineral.constant.at(t + 1.0) - mineral.constant.at(t)) < 0.03 for t in range(0, 60))
        assert math.isfinite(mineral.constant.at(0.0))
