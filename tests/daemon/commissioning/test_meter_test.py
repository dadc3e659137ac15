"""Meter and probe against what is known better: NIST's potassium chloride, and a tank whose litres are known."""

import pytest

from daemon.commissioning.meter_test import meter_result, probe_result, standard_ms_cm
from daemon.dosing.agreement import Estimate


@pytest.mark.parametrize(
    ("mol_kg", "at_c", "ms_cm"),
    [(0.01, 25.0, 1.40823), (0.01, 20.0, 1.27303), (0.01, 0.0, 0.77292), (0.1, 25.0, 12.8246), (0.1, 15.0, 10.4371)],
)
def test_standards(mol_kg: float, at_c: float, ms_cm: float) -> None:
    """Wu, Koch and Pratt, J. Res. NIST 96:191 (1991). E2 of the domain sheet: 1.92 % a degree from 20 to 25 °C."""
    assert standard_ms_cm(mol_kg, at_c) == ms_cm
    assert standard_ms_cm(0.01, 20.0) / (1.0 - 5.0 * 0.0192) == pytest.approx(1.4082, rel=0.001)


def test_between_the_tables_figures() -> None:
    """A straight line between two of them errs by little: at 18 °C the table has its own figure to say so."""
    straight = 1.14145 + (1.27303 - 1.14145) * 3.0 / 5.0
    assert straight == pytest.approx(standard_ms_cm(0.01, 18.0), rel=0.0005)
    assert 1.27303 < standard_ms_cm(0.01, 22.0) < 1.40823


@pytest.mark.parametrize(("slope", "offset"), [(1.0, 0.0), (1.25, 0.0), (0.9, 0.05), (1.02, -0.03)])
def test_slope_and_offset_are_found(slope: float, offset: float) -> None:
    """Whatever a probe shows, what two standards say of it gives the true figure back."""
    at_c = {0.01: 18.0, 0.1: 22.0}
    shown = {mol_kg: (standard_ms_cm(mol_kg, at) - offset) / slope for mol_kg, at in at_c.items()}
    found = probe_result(shown, at_c, 0.02)
    assert found.slope.value == pytest.approx(slope) and found.offset_ms_cm == pytest.approx(offset, abs=1e-9)
    assert found.true_ms_cm((3.0 - offset) / slope) == pytest.approx(3.0)
    assert 0.0 < found.slope.u < 0.01


def test_a_probe_that_cannot_be_is_refused() -> None:
    """Swapped solutions, one alone, another strength, a temperature off the table."""
    warm = {0.01: 25.0, 0.1: 25.0}
    with pytest.raises(ValueError, match="swapped"):
        probe_result({0.01: 12.8, 0.1: 1.41}, warm, 0.02)
    with pytest.raises(ValueError, match="expected two of"):
        probe_result({0.01: 1.41}, {0.01: 25.0}, 0.02)
    with pytest.raises(ValueError, match="expected one of"):
        standard_ms_cm(1.0, 25.0)
    with pytest.raises(ValueError, match="0 to 30"):
        standard_ms_cm(0.1, 35.0)


def test_a_meter_against_a_tank() -> None:
    """15 % too much is told with a band of its tank and its counts; 40 counts of 10 L resolve 2.5 % alone."""
    found = meter_result(4600.0, Estimate(4000.0, 20.0), 10.0, 420.0)
    assert found.error_pct.value == pytest.approx(15.0) and found.pulses == 460.0
    assert found.error_pct.u == pytest.approx(115.0 * (0.005**2 + (10.0 / 4600.0) ** 2) ** 0.5)
    coarse = meter_result(400.0, Estimate(400.0, 0.4), 10.0, 420.0)
    assert coarse.pulses == 40.0 and coarse.error_pct.u == pytest.approx(2.5, abs=0.01)


def test_a_test_that_says_nothing_is_refused() -> None:
    """Too short, or nothing passed."""
    with pytest.raises(ValueError, match="300 or more"):
        meter_result(400.0, Estimate(400.0, 1.0), 10.0, 60.0)
    for counted, caught in ((0.0, 400.0), (400.0, 0.0)):
        with pytest.raises(ValueError, match="more than 0 of both"):
            meter_result(counted, Estimate(caught, 1.0), 10.0, 400.0)
