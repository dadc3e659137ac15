"""The main meter by where it sits."""

from dataclasses import replace

import pytest

from sim.meter import MainMeter
from sim.site import Site
from sim.supply import Supply
from sim.water import Water

STEP_S = 0.1


@pytest.fixture
def water(orchard: Site) -> Water:
    """Water with 20 L/s to the field and 8 L/s to the drain."""
    water = Water(Supply(orchard.pump, 0.0, 0.0), None, {}, 10.0)
    water.flow_l_s, water.drain_l_s = 20.0, 8.0
    return water


@pytest.mark.parametrize(
    ("order", "passing_l_s"),
    [
        (("meter", "filter", "injection", "probe"), 28.0 - 0.5),
        (("filter", "meter", "injection", "probe"), 20.0 - 0.5),
        (("filter", "injection", "meter"), 20.0),
        (("injection", "meter", "filter"), 28.0),
        (("meter", "injection", "probe"), 20.0 - 0.5),
    ],
)
def test_a_meter_sees_what_passes_it(orchard: Site, water: Water, order: tuple[str, ...], passing_l_s: float) -> None:
    """Guards the order of the main: the drain's water is seen before the filter alone, stock behind the injection."""
    if "filter" not in order:
        water.drain_l_s = 0.0
    meter = MainMeter(replace(orchard.main, order=order), 1.02)
    meter.take_flows(water, STEP_S)
    for _ in range(10):
        meter.step(0.05, STEP_S)
    assert meter.flow_l_s == pytest.approx(passing_l_s)
    assert meter.passed_l == pytest.approx(passing_l_s)
    assert meter.counted_l == pytest.approx(1.02 * passing_l_s)


def test_errors_show_and_change_nothing(orchard: Site, water: Water) -> None:
    """Guards the meter's faults: a factor on top of its own error, and standing still."""
    meter = MainMeter(orchard.main, 1.02)
    meter.take_flows(water, STEP_S)
    meter.err_by(0.85)
    meter.step(0.0, STEP_S)
    assert meter.counted_l == pytest.approx(2.8 * 1.02 * 0.85)
    meter.stuck = True
    meter.step(0.0, STEP_S)
    assert meter.counted_l == pytest.approx(2.8 * 1.02 * 0.85)
    assert meter.passed_l == pytest.approx(5.6)


def test_it_cannot_tell_which_way_water_runs(orchard: Site, water: Water) -> None:
    """Guards the backflow: it counts on, though nothing has come."""
    meter = MainMeter(orchard.main, 1.0)
    meter.count_back(0.05, STEP_S)
    assert meter.counted_l == 0.05
    assert meter.flow_l_s == pytest.approx(0.5)
    assert meter.passed_l == 0.0
