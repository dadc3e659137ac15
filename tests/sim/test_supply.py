"""Pumps and other supplies: head, speed, ramp."""

from dataclasses import replace

import pytest

from sim.parts import Pump
from sim.site import Site
from sim.supply import DUTY_KPA, Supply

STEP_S = 0.1


@pytest.fixture
def fixed(orchard: Site) -> Pump:
    """A pump of one speed: 85 m3/h."""
    assert orchard.pump is not None
    return orchard.pump


@pytest.fixture
def driven(every_kind: Site) -> Pump:
    """A pump on a drive: 60 m3/h at 320 kPa, 25 s from rest to full speed."""
    assert every_kind.pump is not None
    return every_kind.pump


def _head_kpa(supply: Supply, flow_l_s: float) -> float:
    return supply.head_kpa - supply.curve * flow_l_s**2


def _spun(supply: Supply, duration_s: float) -> Supply:
    supply.motor_on = True
    for _ in range(round(duration_s / STEP_S)):
        supply.spin(STEP_S)
    return supply


def test_capacity_at_duty_pressure(fixed: Pump) -> None:
    """Guards the design point: the capacity of the site file at the duty pressure, a clean filter's loss on top."""
    supply = _spun(Supply(fixed, 15.0, 0.0), 60.0)
    assert _head_kpa(supply, 85.0 / 3.6) == pytest.approx(DUTY_KPA + 15.0)
    assert supply.head_kpa == pytest.approx(1.3 * DUTY_KPA)


def test_affinity(driven: Pump) -> None:
    """Guards the affinity laws (domain sheet, test table): speed 0.9 gives flow 0.9 at head 0.81."""
    full, slower = Supply(driven, 0.0, 0.0), Supply(driven, 0.0, 0.0)
    full.set_speed, slower.set_speed = 1.0, 0.9
    _spun(full, 30.0)
    _spun(slower, 30.0)
    for flow_l_s in (0.0, 5.0, 60.0 / 3.6):
        assert _head_kpa(slower, 0.9 * flow_l_s) == pytest.approx(0.81 * _head_kpa(full, flow_l_s))
    assert _head_kpa(full, 60.0 / 3.6) == pytest.approx(320.0)


def test_a_drive_ramps_and_follows(driven: Pump) -> None:
    """Guards the ramp: full speed after the site's 25 s and not before, and down to a lower set speed as fast."""
    supply = Supply(driven, 0.0, 0.0)
    supply.set_speed = 1.0
    assert _spun(supply, 12.5).speed == pytest.approx(0.5)
    assert _spun(supply, 12.6).speed == 1.0
    supply.set_speed = 0.8
    assert _spun(supply, 5.1).speed == pytest.approx(0.8)
    assert not supply.spin(STEP_S)


def test_a_pump_runs_down(fixed: Pump) -> None:
    """Guards the stop: off the mains it slows down, and ends at rest."""
    supply = _spun(Supply(fixed, 0.0, 0.0), 60.0)
    assert supply.speed == 1.0
    supply.motor_on = False
    supply.spin(3.0)
    assert supply.speed == pytest.approx(0.368, abs=0.001)
    supply.spin(30.0)
    assert supply.speed == 0.0


def test_a_scheme_is_always_there() -> None:
    """Guards gravity: pressure without a pump, the same whatever flows, and nothing that spins."""
    supply = Supply(None, 0.0, 20.0)
    assert _head_kpa(supply, 0.0) == _head_kpa(supply, 20.0) == pytest.approx(1.1 * DUTY_KPA)
    assert not supply.spin(STEP_S)


def test_blocks_behind_a_drive_need_less_than_it_holds(driven: Pump) -> None:
    """Guards the calibration: a controller that holds the set pressure within a tenth leaves every block its flow."""
    assert Supply(driven, 0.0, 0.0).need_kpa == pytest.approx(0.9 * 320.0)
    assert Supply(replace(driven, pressure_kpa=None), 0.0, 0.0).need_kpa == DUTY_KPA
