"""A water analysis as the speciation sees it."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.speciation import speciate
from daemon.agronomy.waters import water_ions
from tests.daemon.agronomy.mixes import SOFT, water

_BICARBONATE = {"HCO3": 1, "CaHCO3": 1, "MgHCO3": 1, "NaHCO3": 1, "CO3": 2, "CaCO3": 2, "MgCO3": 2, "NaCO3": 2}


@settings(derandomize=True, database=None, max_examples=40)
@given(
    mmol=st.fixed_dictionaries({name: st.floats(0.0, 20.0) for name in ("Ca", "Mg", "Na", "Cl", "HCO3", "SO4")}),
    ph=st.floats(5.0, 9.5),
    temperature_c=st.floats(0.0, 40.0),
)
def test_an_analysis_comes_back_whole(mmol: dict[str, float], ph: float, temperature_c: float) -> None:
    """Guards any analysis, balanced or not: its bicarbonate is what it says, and its ions alone give its pH."""
    ions = water_ions(water(mmol, ph), temperature_c)
    counted = math.fsum(n * ions.solution.molality.get(name, 0.0) for name, n in _BICARBONATE.items())
    assert 1000.0 * counted == pytest.approx(mmol["HCO3"], rel=0.02, abs=1e-6)
    assert ions.solution.ph == pytest.approx(ph)
    assert speciate(ions.mol_kg, temperature_c).ph == pytest.approx(ph, abs=0.03)
    assert speciate(ions.mol_kg, temperature_c, ions.co2).ph == pytest.approx(ph, abs=0.03)


@pytest.mark.parametrize(("said_as", "mmol"), [("N", 1.0), ("NO3", 0.2259)])
def test_nitrate_by_its_unit(said_as: str, mmol: float) -> None:
    """Guards the unit of nitrate: 14.007 mg/L of nitrogen are 1 mmol/L, of nitrate 0.226."""
    analysis = water(SOFT).model_copy(update={"nitrate_mg_l": 14.007, "nitrate_as": said_as})
    assert 1000.0 * water_ions(analysis, 20.0).mol_kg["NO3"] == pytest.approx(mmol, abs=1e-4)
