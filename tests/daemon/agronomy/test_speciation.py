"""How ions share themselves out: balances that hold for any mix, and figures that were published."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.agronomy.speciation import SpeciationError, speciate
from daemon.agronomy.species import MASTERS, SPECIES

_AMOUNT = st.floats(0.0, 3.0).filter(lambda amount: amount == 0.0 or amount > 1e-6)
_MIX = st.fixed_dictionaries({name: _AMOUNT for name in MASTERS if name != "H"})


def _masters_in(name: str) -> dict[str, int]:
    if name in MASTERS:
        return {name: 1}
    total: dict[str, int] = {}
    for part, n in next(species.parts for species in SPECIES if species.name == name).items():
        for master, k in _masters_in(part).items():
            total[master] = total.get(master, 0) + n * k
    return total


@settings(derandomize=True, database=None, max_examples=60, deadline=None)
@given(mix=_MIX, temperature_c=st.floats(0.0, 60.0), ph=st.none() | st.floats(3.0, 11.0))
def test_nothing_is_lost_and_charges_balance(mix: dict[str, float], temperature_c: float, ph: float | None) -> None:
    """Guards both balances for anything that a tank may hold: each ion adds up, and so does the charge unless held."""
    found = speciate(mix, temperature_c, {} if ph is None else {"H": -ph})
    for master, amount in mix.items():
        counted = math.fsum(n * _masters_in(name).get(master, 0) for name, n in found.molality.items())
        assert counted == pytest.approx(amount, rel=1e-5)
    if ph is None:
        assert found.charge == pytest.approx(0.0, abs=1e-5 * (1.0 + math.fsum(mix.values())))
    else:
        assert found.ph == pytest.approx(ph)


@settings(derandomize=True, database=None, max_examples=40, deadline=None)
@given(mix=_MIX, scale=st.floats(1.0, 300.0))
def test_what_no_solution_holds_is_refused_and_does_not_break(mix: dict[str, float], scale: float) -> None:
    """Guards the ends: amounts past any tank give a pH, or a SpeciationError, and never another exception."""
    try:
        found = speciate({name: scale * amount for name, amount in mix.items()}, 5.0)
    except SpeciationError as error:
        assert "mol/kg" in str(error)
    else:
        assert math.isfinite(found.ph)


@pytest.mark.parametrize(
    ("mix", "ph"),
    [
        ({}, 6.998),  # half of pKw 13.995 at 25 °C (CRC Handbook)
        ({"NO3": 0.1}, 1.10),  # 0.1 mol/kg HCl, which is as strong: NIST 1.11 at 25 °C (from memory, not confirmed)
    ],
)
def test_ph_of_plain_solutions(mix: dict[str, float], ph: float) -> None:
    """Guards pH by charge balance where it is known without any model."""
    assert speciate(mix, 25.0).ph == pytest.approx(ph, abs=0.03)


@pytest.mark.parametrize(("temperature_c", "ph"), [(10.0, 6.923), (20.0, 6.881), (25.0, 6.865), (35.0, 6.844)])
def test_the_phosphate_buffer(temperature_c: float, ph: float) -> None:
    """Guards phosphate's protons over temperature: the NIST buffer of 0.025 mol/kg each of KH2PO4 and Na2HPO4.

    Standard values of NIST (Bates, J. Res. Natl. Bur. Stand. 66A:179, 1962): from memory, not confirmed.
    """
    assert speciate({"K": 0.025, "Na": 0.05, "PO4": 0.05}, temperature_c).ph == pytest.approx(ph, abs=0.05)


def test_order_of_amounts_and_noughts_change_nothing() -> None:
    """Guards the solver's start: the answer is the mix's own."""
    one = speciate({"Ca": 0.01, "SO4": 0.01, "NH4": 0.0}, 20.0)
    other = speciate({"SO4": 0.01, "Ca": 0.01}, 20.0)
    assert one.log_activity == pytest.approx(other.log_activity)


def test_carbon_dioxide_held_is_the_air_above() -> None:
    """Guards the open line: pure water below the air, 10^-3.4 bar of CO2, has pH 5.6 (common knowledge of rain)."""
    assert speciate({}, 25.0, {"CO2": -3.4 - 1.47}).ph == pytest.approx(5.6, abs=0.05)


def test_every_constant_runs_smoothly_over_the_temperatures() -> None:
    """Guards typing errors in the fitted constants: each fit gives its printed value at 25 °C, and moves by little."""
    for species in SPECIES:
        assert species.constant.at(25.0) == pytest.approx(species.constant.at_25, abs=0.02), species.name
        for temperature_c in range(60):
            step = species.constant.at(temperature_c + 1.0) - species.constant.at(temperature_c)
            assert abs(step) < 0.05, species.name
