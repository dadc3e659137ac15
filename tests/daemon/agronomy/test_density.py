"""Litres and densities against published densities of single salts, and what must hold of any mix."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.density import WATER_KG_L, density_kg_l, solution_l
from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.decisions.tanks import Product

_LALIBERTE = {
    "ammonium_sulphate": (618.2407507, 966.1281161, 0.6027062025, 0.001627902679, 667.5734206),
    "ammonium_nitrate": (1412.563199, 1214.075752, 0.7050712781, 0.001177608622, 107.0817802),
    "calcium_nitrate_tetrahydrate": (57.33633745, 538.0542693, 1.000086704, 0.007202313613, 1438.413646),
    "calcium_chloride_dihydrate": (-9.728937471, 14.70053530, 4.190334415, 0.03974036243, 2708.127789),
    "potassium_sulphate": (7.105993695e-6, 4.655586628e-5, 0.3495668412, 0.007510536415, 4200.094078),
    "potassium_chloride": (-0.8559289460, 6.040735713, 2.817874162, 0.02539246459, 2681.617235),
    "potassium_nitrate": (1.490687100, 6.672923547, 1.471507495, 0.01558726795, 2539.226875),
    "mkp": (0.1751270992, 0.05838010960, 0.1701945058, 0.003234400660, 3062.751450),
    "magnesium_nitrate_hexahydrate": (0.9678149297, 5.540434136, 1.103746697, 0.01233407802, 2589.618750),
    "magnesium_sulphate_heptahydrate": (98.12016631, 59.26576473, -0.03034049821, 0.0005036192286, 1763.759423),
}
"""c0 to c4 of Laliberté (J. Chem. Eng. Data 54:1725, 2009), who has densities of solutions within 0.1 %."""


def _published_kg_l(name: str, anhydrous: float) -> float:
    """Return the density at 25 °C of a solution by its fraction of anhydrous salt."""
    c0, c1, c2, c3, c4 = _LALIBERTE[name]
    volume = (anhydrous + c2 + 25.0 * c3) / ((c0 * anhydrous + c1) * math.exp(1e-6 * (25.0 + c4) ** 2))
    return 0.001 / ((1.0 - anhydrous) / 997.05 + anhydrous * volume)


@pytest.mark.parametrize(("of_saturated", "tolerance"), [(0.25, 0.005), (0.5, 0.013), (0.8, 0.03)])
@pytest.mark.parametrize("name", _LALIBERTE)
def test_densities_as_published(name: str, of_saturated: float, tolerance: float) -> None:
    """Guards the volumes of the ions: within 1.3 % to half of what dissolves at 20 °C, 3 % to the working margin."""
    saturated = next(point.anhydrous_pct for point in SALTS[name].solubility if point.at_c == 20.0) / 100.0
    anhydrous = of_saturated * saturated
    published = _published_kg_l(name, anhydrous)
    substance = substance_of(name, {})
    grams_l = 1000.0 * published * anhydrous / (1.0 - substance.water_g_g)
    assert density_kg_l([(substance, grams_l)]) == pytest.approx(published, rel=tolerance)


@pytest.mark.parametrize(
    ("name", "as_weighed", "published"),
    [
        ("urea", 0.10, 1.0248),
        ("urea", 0.20, 1.0530),
        ("urea", 0.46, 1.1313),
        ("phosphoric_acid", 0.20 / 0.85, 1.1135),
        ("nitric_acid", 0.20 / 0.60, 1.1150),
    ],
)
def test_urea_and_acids_as_published(name: str, as_weighed: float, published: float) -> None:
    """Guards what has no ions, and liquids: CRC Handbook, Concentrative properties of aqueous solutions, at 20 °C."""
    parts = [(substance_of(name, {}), 1000.0 * published * as_weighed)]
    assert density_kg_l(parts) == pytest.approx(published, rel=0.025)


def test_a_hundred_litres_of_water_and_twenty_kilos_of_potassium_nitrate() -> None:
    """By hand: 197.8 mol of 38.0 mL (9.02 and 29.00) are 7.52 L, and crowding adds some 1.5 mL a mole."""
    litres = solution_l([(substance_of("potassium_nitrate", {}), 20.0)], 100.0)
    assert litres == pytest.approx(107.52 + 0.30, abs=0.1)


def test_crystal_water_is_water() -> None:
    """Guards hydrates: a kilogram of Epsom salt brings 512 g of water, and its ions hardly any volume."""
    litres = solution_l([(substance_of("magnesium_sulphate_heptahydrate", {}), 1.0)], 10.0)
    assert litres == pytest.approx(10.0 + 0.512 / WATER_KG_L, abs=0.02)


def test_a_liquid_keeps_its_litres() -> None:
    """Guards acids and liquid fertilisers: mass by density."""
    assert solution_l([(substance_of("nitric_acid", {}), 1.36)], 9.0) == pytest.approx(10.0)


def test_what_a_label_does_not_speak_of_takes_room_too() -> None:
    """Guards labels: a tenth of nitrogen leaves a bag of which most is unknown, at 0.6 L/kg."""
    bag = Product(title="x", form="solid", basis="w/w", figures="elemental", analysis_pct={"B": 10.0})
    assert solution_l([(substance_of("bag", {"bag": bag}), 1.0)], 10.0) == pytest.approx(10.6)


_masses = st.dictionaries(st.sampled_from(sorted(SALTS)), st.floats(0.0, 250.0), max_size=4)


@given(grams_l=_masses, water_l=st.floats(1.0, 5000.0))
def test_litres_go_with_the_size_of_the_batch(grams_l: dict[str, float], water_l: float) -> None:
    """Guards scaling, and that nothing dissolved makes less than a tenth of the water disappear."""
    parts = [(substance_of(name, {}), grams) for name, grams in grams_l.items()]
    litres = solution_l([(substance, grams / 1000.0) for substance, grams in parts], 1.0)
    scaled = solution_l([(substance, grams * water_l / 1000.0) for substance, grams in parts], water_l)
    assert scaled == pytest.approx(litres * water_l) and litres > 0.9


@given(grams_l=_masses)
def test_the_density_is_that_of_a_litre(grams_l: dict[str, float]) -> None:
    """Guards the two ways round: with the water that the density leaves, the products make one litre again."""
    parts = [(substance_of(name, {}), grams) for name, grams in grams_l.items()]
    products_kg = sum(grams_l.values()) / 1000.0
    density = density_kg_l(parts)
    water_l = (density - products_kg) / WATER_KG_L
    if water_l > 1e-6:
        made_l = solution_l([(substance, grams / 1000.0) for substance, grams in parts], water_l)
        assert made_l == pytest.approx(1.0, abs=1e-6)


def test_water_alone() -> None:
    """Guards nothing in, nothing out."""
    assert density_kg_l([]) == WATER_KG_L and solution_l([], 800.0) == 800.0
