"""Pump, valves, fill: flows and pressures."""

import pytest

from sim.site import Site
from sim.water import DEAD_HEAD_KPA, DUTY_KPA, BlockWater, Water

STEP_S = 0.0937


@pytest.fixture
def water(site: Site) -> Water:
    """Kestrel Bend's water side, all off."""
    block = site.block["creek"]
    return Water({"creek": BlockWater(block, 1.0, 1.0)}, block.nominal_l_s)


def _run(water: Water, duration_s: float) -> None:
    for _ in range(round(duration_s / STEP_S)):
        water.step(STEP_S)


def _running(water: Water) -> Water:
    water.set_pump(True)
    water.set_valve("creek", True)
    _run(water, 300.0)
    return water


def test_duty_point(site: Site, water: Water) -> None:
    """Guards the plant's design: the block's own flow at the duty pressure, and then nothing changes any more."""
    _running(water)
    assert water.pressure_kpa == pytest.approx(DUTY_KPA, rel=1e-3)
    assert water.flow_l_s == pytest.approx(site.block["creek"].nominal_l_s, rel=1e-3)
    assert water.blocks["creek"].emitting_l_s == water.flow_l_s
    assert not water.moving


def test_a_closed_valve_passes_nothing(water: Water) -> None:
    """Guards that flow through a closed valve is 0 and that the pump then stands at its dead head."""
    water.set_pump(True)
    _run(water, 60.0)
    assert water.flow_l_s == 0.0
    assert water.pressure_kpa == pytest.approx(DEAD_HEAD_KPA, rel=1e-3)


def test_a_valve_takes_its_travel_time(site: Site, water: Water) -> None:
    """Guards the travel: half open after half of the site's time, shut again after the whole of it."""
    travel_s = site.block["creek"].travel_s
    water.set_valve("creek", True)
    _run(water, travel_s / 2.0)
    assert water.blocks["creek"].opening == pytest.approx(0.5, abs=0.02)
    water.set_valve("creek", False)
    _run(water, travel_s)
    assert water.blocks["creek"].opening == 0.0


def test_fill_goes_to_the_void_and_displaces_nothing(water: Water) -> None:
    """Guards the fill: at every step inflow = emitted + what the void lost; pressure comes last."""
    water.set_pump(True)
    water.set_valve("creek", True)
    block = water.blocks["creek"]
    half_full_kpa, steps = 0.0, 0
    while block.void_l:
        before_l = block.void_l
        water.step(STEP_S)
        steps += 1
        filled_l = before_l - block.void_l
        assert block.inflow_l_s * STEP_S == pytest.approx(block.emitting_l_s * STEP_S + filled_l)
        if block.void_l > block.void_max_l / 2.0:
            half_full_kpa = water.pressure_kpa
    assert half_full_kpa < 0.75 * water.pressure_kpa
    assert 20.0 < steps * STEP_S < 200.0


def test_pipes_drain_slowly_once_the_pump_is_off(water: Water) -> None:
    """Guards the next start: a stop of a minute leaves the pipes nearly full, a night empties them to their void."""
    _running(water).set_pump(False)
    _run(water, 60.0)
    block = water.blocks["creek"]
    assert 0.0 < block.void_l < 0.05 * block.void_max_l
    _run(water, 6 * 3600.0)
    assert block.void_l == pytest.approx(block.void_max_l, rel=1e-3)


def test_a_blocked_filter_takes_flow_and_gives_it_back(site: Site, water: Water) -> None:
    """Guards that the fault brings the design flow down to the share asked for, and that off mends it."""
    nominal_l_s = site.block["creek"].nominal_l_s
    _running(water).block_filter(0.6)
    _run(water, 1.0)
    assert water.flow_l_s == pytest.approx(0.6 * nominal_l_s, rel=0.01)
    water.block_filter(1.0)
    _run(water, 1.0)
    assert water.flow_l_s == pytest.approx(nominal_l_s, rel=1e-3)


def test_a_burst_takes_more_flow_at_less_pressure(site: Site, water: Water) -> None:
    """Guards the burst's two signs, and that what it takes is missing in the block."""
    _running(water).burst(0.6)
    _run(water, 1.0)
    assert water.flow_l_s > 1.2 * site.block["creek"].nominal_l_s
    assert water.pressure_kpa < 0.9 * DUTY_KPA
    assert water.flow_l_s == pytest.approx(water.burst_l_s + water.blocks["creek"].inflow_l_s)


def test_a_weak_pump(water: Water) -> None:
    """Guards the low-pressure fault: pressure falls with the pump's, flow with its root."""
    flow_l_s = _running(water).flow_l_s
    water.weaken(0.4)
    _run(water, 1.0)
    assert water.pressure_kpa == pytest.approx(0.4 * DUTY_KPA, rel=0.01)
    assert water.flow_l_s == pytest.approx(flow_l_s * 0.4**0.5, rel=0.01)
