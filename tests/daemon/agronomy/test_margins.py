"""The working margin of saturation and its mends: each mend, done, is enough."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.margins import crowding, product_fractions
from daemon.agronomy.saturation import saturations
from daemon.agronomy.speciation import speciate
from daemon.agronomy.substance import Substance
from daemon.agronomy.verdict import Finding, Verdict
from tests.daemon.agronomy.mixes import mol_kg, parts, unknown


def _crowding(mix: list[tuple[Substance, float]], coldest_c: float, water_kg: float = 1.0) -> tuple[Finding, ...]:
    """Judge grams in so many kilograms of water."""
    totals = {ion: amount / water_kg for ion, amount in mol_kg(mix).items()}
    salts = saturations(totals, speciate(totals, max(0.0, coldest_c)), coldest_c)
    return crowding(mix, product_fractions(mix, water_kg, coldest_c), salts, water_kg, coldest_c)


@pytest.mark.parametrize(
    ("g_kg", "verdict"),
    [(160.0, None), (175.0, Verdict.WITH_CARE), (210.0, Verdict.WITH_CARE), (250.0, Verdict.DO_NOT)],
)
def test_potassium_nitrate_at_ten_degrees(g_kg: float, verdict: Verdict | None) -> None:
    """Guards 0.8 and 1.0 of saturation, and S5 of the domain sheet: 250 g in a litre of water at 10 °C is too much."""
    found = _crowding(parts(potassium_nitrate=g_kg), 10.0)
    assert [finding.verdict for finding in found] == ([] if verdict is None else [verdict])


def test_a_salt_that_nobody_added_is_named() -> None:
    """Guards the reason: the finding names the salt that falls out, not only those that went in."""
    (finding,) = _crowding(parts(ammonium_nitrate=240, potassium_chloride=170), 5.0)
    assert finding.verdict is Verdict.DO_NOT
    assert "potassium nitrate, which the ions of this mix form" in finding.reason
    assert "two tanks" in finding.mend


def test_products_that_share_an_ion_add_up() -> None:
    """Guards the sum rule of the domain sheet, section 2: each by itself is fine, together they are past the margin."""
    assert _crowding(parts(map=110), 10.0) == ()
    assert _crowding(parts(mkp=75), 10.0) == ()
    (finding,) = _crowding(parts(map=110, mkp=75), 10.0)
    assert "which share an ion" in finding.reason
    assert finding.verdict is Verdict.WITH_CARE
    assert _crowding(parts(urea=350, potassium_nitrate=100), 10.0) == ()


def test_two_tanks_are_no_mend_for_one_that_is_too_strong_by_itself() -> None:
    """Guards the mend: what is past the margin alone stays so in a tank of its own."""
    (finding,) = _crowding(parts(potassium_nitrate=250, urea=10), 10.0)
    assert "two tanks" not in finding.mend


@settings(derandomize=True, database=None, max_examples=40)
@given(g_kg=st.floats(230.0, 600.0), coldest_c=st.floats(0.0, 15.0))
def test_each_mend_is_enough(g_kg: float, coldest_c: float) -> None:
    """Guards the figures of both mends: with that water added, or that warm, nothing is left to say."""
    mix = parts(potassium_nitrate=g_kg)
    (finding,) = _crowding(mix, coldest_c)
    more_l = float(re.search(r"(\d+) L more", finding.mend)[1])  # type: ignore[index]
    assert _crowding(mix, coldest_c, water_kg=1.0 + more_l / 100.0) == ()
    warmer = re.search(r"no colder than (\d+) °C", finding.mend)
    if warmer:
        assert _crowding(mix, float(warmer[1])) == ()
        assert _crowding(mix, float(warmer[1]) - 1.0) != ()
    else:
        assert _crowding(mix, 60.0) != ()


def test_an_unknown_solubility_is_no_fraction() -> None:
    """Guards against nought for what nobody knows, and against a table read past its cold end."""
    strange = unknown(solubility_g_per_100_g=((10.0, 30.0), (20.0, 40.0)))
    assert product_fractions([(strange, 150.0)], 1.0, 5.0) == {"shed_mix": None}
    assert product_fractions([(strange, 150.0)], 1.0, 10.0)["shed_mix"] == pytest.approx(0.5)
