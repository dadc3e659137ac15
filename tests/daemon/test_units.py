"""The one place of conversion."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.units import kilograms, litres, litres_per_second, milligrams, millilitres, milliseconds, stock_l


@pytest.mark.parametrize(("volume_l", "volume_ml"), [(0.0, 0), (1.0, 1000), (0.0004, 0), (309.6774, 309_677)])
def test_litres_to_whole_millilitres(volume_l: float, volume_ml: int) -> None:
    """Guards rounding to the ledger's unit."""
    assert millilitres(volume_l) == volume_ml
    assert isinstance(millilitres(volume_l), int)


def test_the_other_units_by_hand() -> None:
    """Guards mass, time and flow: 9.6 kg, 1.2345 s, 36 m3/h."""
    assert milligrams(9.6) == 9_600_000
    assert milliseconds(1.2345) == 1234
    assert litres_per_second(36.0) == pytest.approx(10.0)


@settings(derandomize=True, database=None)
@given(st.integers(0, 10**12))
def test_whole_units_survive_the_way_out_and_back(whole: int) -> None:
    """Guards exact integers: what the ledger holds is what comes back."""
    assert millilitres(litres(whole)) == whole
    assert milligrams(kilograms(whole)) == whole


def test_litres_by_the_strongest_nutrient() -> None:
    """Guards the one way from masses back to litres: 9.9 g at 90 g/L are 110 mL; pure water and no mass are nothing."""
    strengths_g_l = {"N": 80.0, "Ca": 90.0}
    assert stock_l(strengths_g_l, {"N": 1.0, "Ca": 9_900.0}) == pytest.approx(0.110)
    assert stock_l(strengths_g_l, {"N": 1.0}) == stock_l({}, {"N": 1.0}) == stock_l({"N": 0.0}, {"N": 1.0}) == 0.0
