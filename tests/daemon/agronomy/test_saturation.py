"""How near a solution is to dropping a soluble salt: the practice notes' two tanks, the hydrates, and the tables."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.products import substance_of
from daemon.agronomy.salts import SALTS
from daemon.agronomy.saturation import SOLIDS, Saturation, dissolves_at_c, interpolated, saturated_g_kg, saturations
from daemon.agronomy.speciation import speciate
from daemon.agronomy.species import MASTERS
from tests.daemon.agronomy.mixes import CALCIUM_NITRATE, EPSOM, MAGNESIUM_NITRATE, mol_kg, parts

_POINTS = ((0.0, 13.3), (10.0, 20.9), (20.0, 31.6))


def _saturation(salt: str, mix: dict[str, float], temperature_c: float) -> Saturation:
    """Return a salt's saturation from grams to a kilogram of water."""
    totals = mol_kg(parts(**mix))
    found = saturations(totals, speciate(totals, temperature_c), temperature_c)
    return next(each for each in found if each.solid.name == salt)


@pytest.mark.parametrize(
    ("mix", "temperature_c", "salt", "ratio", "ions"),
    [  # practice notes, 11: neither salt was added
        ({"ammonium_nitrate": 240, "potassium_chloride": 170}, 5.0, "potassium_nitrate", 2.5, 2),
        ({"ammonium_sulphate": 150, "potassium_nitrate": 100}, 10.0, "potassium_sulphate", 1.8, 3),
    ],
)
def test_salts_that_nobody_added(
    mix: dict[str, float], temperature_c: float, salt: str, ratio: float, ions: int
) -> None:
    """Guards the ion product against the saturated solution's, and its root as the fraction (two digits noted)."""
    found = _saturation(salt, mix, temperature_c)
    assert found.ion_product_ratio == pytest.approx(ratio, rel=0.05)
    assert found.fraction == pytest.approx(found.ion_product_ratio ** (1.0 / ions))
    assert found.fraction > 1.0


@pytest.mark.parametrize("name", [solid.name for solid in SOLIDS if solid.name in SALTS])
@pytest.mark.parametrize("temperature_c", [10.0, 20.0])
def test_a_salt_alone_is_full_at_its_own_solubility(name: str, temperature_c: float) -> None:
    """Guards that ion product and table say the same of one salt; phosphates to what their protons shift."""
    limit = interpolated(saturated_g_kg(substance_of(name, {})), temperature_c)
    assert limit is not None
    assert _saturation(name, {name: limit}, temperature_c).fraction == pytest.approx(1.0, abs=0.08)


@pytest.mark.parametrize(
    ("name", "temperature_c", "g_per_100_g"),
    [  # domain sheet, hydrate trap and S3, S4: grams as weighed to 100 g of *added* water
        (CALCIUM_NITRATE, 20.0, 412.0),
        (MAGNESIUM_NITRATE, 20.0, 243.0),
        (EPSOM, 20.0, 107.0),
    ],
)
def test_the_water_of_hydrates_is_counted_once(name: str, temperature_c: float, g_per_100_g: float) -> None:
    """Guards the hydrate trap: the added water alone would make these solutions three times too strong."""
    product = substance_of(name, {})
    limit = interpolated(saturated_g_kg(product), temperature_c)
    assert limit is not None
    water_kg = 1.0 + 10.0 * g_per_100_g / 1000.0 * product.water_g_g
    assert 10.0 * g_per_100_g / water_kg == pytest.approx(limit, rel=0.05)


def test_tables_are_not_extrapolated() -> None:
    """Guards the ends of a table: below it nothing is known, above it no more dissolves than at its warm end."""
    assert interpolated(_POINTS, -0.1) is None
    assert interpolated((), 20.0) is None
    assert interpolated(_POINTS, 45.0) == 31.6
    assert interpolated(_POINTS, 5.0) == pytest.approx(16.7, abs=0.05)  # domain sheet, KNO3 at 5 °C
    assert dissolves_at_c(_POINTS, 40.0) is None
    assert dissolves_at_c((), 1.0) is None


@settings(derandomize=True, database=None, max_examples=50)
@given(temperature_c=st.floats(0.0, 20.0))
def test_amount_and_temperature_turn_into_each_other(temperature_c: float) -> None:
    """Guards the mend "warmer": the temperature for an amount is where the table has that amount."""
    amount = interpolated(_POINTS, temperature_c)
    assert amount is not None
    assert dissolves_at_c(_POINTS, amount) == pytest.approx(temperature_c, abs=1e-6)


@settings(derandomize=True, database=None, max_examples=30)
@given(
    grams=st.dictionaries(
        st.sampled_from(["ammonium_nitrate", "potassium_chloride", "ammonium_sulphate", "urea"]),
        st.floats(1.0, 300.0),
        min_size=1,
    ),
    times=st.floats(1.1, 5.0),
)
def test_twice_the_water_halves_every_fraction(grams: dict[str, float], times: float) -> None:
    """Guards the mend "more water": fractions fall as the water rises, for any mix without a proton to shift."""
    strong, weak = (
        saturations(totals, speciate(totals, 10.0), 10.0)
        for totals in (mol_kg(parts(**grams)), mol_kg(parts(**{name: g / times for name, g in grams.items()})))
    )
    thinner = {each.solid.name: each.fraction for each in weak}
    assert thinner == pytest.approx({each.solid.name: each.fraction / times for each in strong})


def test_every_solid_is_neutral_and_its_table_rises() -> None:
    """Guards the data: ions that balance, two points at least, more dissolved the warmer it is."""
    charges = {**MASTERS, "H2PO4": -1, "HPO4": -2, "H3PO4": 0}
    assert len({solid.name for solid in SOLIDS}) == len(SOLIDS)
    for solid in SOLIDS:
        assert sum(charges[ion] * n for ion, n in solid.ions.items()) == 0, solid.name
        amounts = [amount for _, amount in solid.saturated_mol_kg]
        assert len(amounts) > 1 and amounts == sorted(amounts), solid.name
        assert [at_c for at_c, _ in solid.saturated_mol_kg] == sorted({at_c for at_c, _ in solid.saturated_mol_kg})


def test_phosphate_counts_by_its_protons() -> None:
    """Guards that acid keeps diammonium phosphate from forming, and DAP monoammonium."""
    acid = _saturation("dap", {"map": 100}, 10.0)
    alkaline = _saturation("map", {"dap": 100}, 10.0)
    assert acid.fraction < 0.2 * _saturation("dap", {"dap": 100}, 10.0).fraction
    assert alkaline.fraction < _saturation("map", {"map": 100}, 10.0).fraction
