"""A pump's efficiency and energy against published audits and textbook rows (P1 to P3 of the domain sheet)."""

import math

import pytest

from daemon.commissioning.pump_test import Duty, lifting_kwh_per_ml_m, pump_result, saved_kwh, water_kw
from daemon.dosing.agreement import Estimate
from daemon.hydraulics.friction import GRAVITY_M_S2, WATER_KG_M3


def _duty(flow_l_s: float, head_m: float, power_kw: float, u: float = 0.0) -> Duty:
    """Return a duty point whose head is all lift, in a pipe so wide that the water's speed makes none."""
    flow = 3.6 * flow_l_s
    return Duty(
        Estimate(flow, u * flow), Estimate(0.0, u * head_m * 9.789), head_m, Estimate(power_kw, u * power_kw), 5000.0
    )


def test_a_published_audit() -> None:
    """P1: 17.5 L/s at 86.6 m for 34.6 kW is 6.34 kWh a megalitre and metre, and below 50 % (a farm energy audit)."""
    found = pump_result(_duty(17.5, 86.6, 34.6))
    assert found.kwh_per_ml_m.value == pytest.approx(6.342, abs=0.01)
    assert found.efficiency_pct.value == pytest.approx(42.95, abs=0.1)
    assert found.kwh_per_ml.value == pytest.approx(549.21, abs=0.01)


def test_textbook_powers() -> None:
    """P2: 0.2 m3/s, 27 m, 995 kg/m3 is 52.7 kW; and 0.05 m3/s at 48.5 m on 30 kW of shaft is 79.14 %."""
    assert water_kw(720.0, 27.0, 995.0) == pytest.approx(52.709 * 9.80665 / 9.81, abs=0.001)
    found = pump_result(_duty(50.0, 48.5, 30.0))
    assert found.water_kw.value == pytest.approx(23.742, abs=0.02)
    assert found.efficiency_pct.value == pytest.approx(79.14, abs=0.06)
    assert 3960.0 * water_kw(1000.0 * 0.2271247, 100.0 * 0.3048) / 0.7456999 == pytest.approx(100_000.0, rel=0.003)


@pytest.mark.parametrize(
    ("efficiency", "kwh"), [(50, 5.448), (60, 4.540), (65, 4.191), (70, 3.892), (75, 3.632), (80, 3.405)]
)
def test_energy_by_efficiency(efficiency: float, kwh: float) -> None:
    """P3 and its row: 2.7241 over the efficiency, for water of 1,000 kg/m3."""
    assert lifting_kwh_per_ml_m(efficiency) * 1000.0 / WATER_KG_M3 == pytest.approx(kwh, abs=0.001)


def test_head_is_gauge_lift_loss_and_speed() -> None:
    """A gauge of 300 kPa two metres over the water, half a metre lost, and 2 m/s in the pipe at it."""
    bore_mm = 1000.0 * math.sqrt(0.0282 / 2.0 * 4.0 / math.pi)
    duty = Duty(Estimate(101.52, 1.0), Estimate(300.0, 3.0), 2.0, Estimate(15.0, 0.3), bore_mm, 0.5)
    expected = 300_000.0 / (WATER_KG_M3 * GRAVITY_M_S2) + 2.0 + 0.5 + 2.0**2 / (2.0 * GRAVITY_M_S2)
    assert pump_result(duty).head_m.value == pytest.approx(expected, rel=1e-6)


def test_bands_add_in_quadrature() -> None:
    """2 %, 1 % and 1 %: 2.45 % of the efficiency (GUM, JCGM 100:2008, 5.1.2)."""
    flow, head, power = Estimate(63.0, 1.26), 86.6, Estimate(34.6, 0.346)
    kpa = head * WATER_KG_M3 * GRAVITY_M_S2 / 1000.0
    found = pump_result(Duty(flow, Estimate(kpa, 0.01 * kpa), 0.0, power, 5000.0))
    assert found.efficiency_pct.u / found.efficiency_pct.value == pytest.approx(math.sqrt(6.0) / 100.0, rel=1e-3)
    assert found.kwh_per_ml.u / found.kwh_per_ml.value == pytest.approx(math.sqrt(5.0) / 100.0, rel=1e-3)


def test_what_a_better_pump_saves() -> None:
    """From 42.95 to 65 % on 100 ML: a third of the energy; nothing where it is no better."""
    found = pump_result(_duty(17.5, 86.6, 34.6))
    assert saved_kwh(found, 65.0, 100.0) == pytest.approx(54_921.0 * (1.0 - 42.88 / 65.0), rel=0.005)
    assert saved_kwh(found, 40.0, 100.0) == 0.0


@pytest.mark.parametrize(
    ("flow", "head", "power", "says"),
    [(0.0, 50.0, 10.0, "flow"), (10.0, -1.0, 10.0, "head"), (10.0, 50.0, 0.0, "power")],
)
def test_a_pump_that_pumps_nothing(flow: float, head: float, power: float, says: str) -> None:
    """It is said which reading cannot be."""
    with pytest.raises(ValueError, match=says):
        pump_result(_duty(flow, head, power))
