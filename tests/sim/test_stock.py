"""Tanks, batches and metering pumps."""

import pytest

from sim.site import Site
from sim.stock import Batch, Injector, Tank, lag_share, mixed


@pytest.fixture
def injector(site: Site) -> Injector:
    """Kestrel Bend's injector on a tank of 100 L, all that it needs switched on, at half drive."""
    tank = Tank(1000.0)
    tank.litres = 100.0
    injector = Injector(site.injector["a"], tank, 1.0, 1.0)
    injector.contactor_in = injector.valve_open = True
    injector.drive = 0.5
    injector.settle()
    return injector


@pytest.mark.parametrize(
    ("drive", "rate_l_h"), [(0.0, 0.0), (0.05, 25.0), (0.1, 50.0), (0.3, 150.0), (0.75, 375.0), (1.0, 500.0)]
)
def test_rate_follows_the_site_s_curve(injector: Injector, drive: float, rate_l_h: float) -> None:
    """Guards the curve: linear between its points, and from nothing below the first."""
    injector.drive = drive
    injector.settle()
    assert injector.target_l_h == pytest.approx(rate_l_h)


def test_an_hour_draws_what_the_rate_says(injector: Injector) -> None:
    """Guards the volume, within the lag's second: 250 L/h until the tank is dry after 100 L, then nothing."""
    for _ in range(1000):
        injector.step(1.0, lag_share(1.0))
    assert injector.drawn_l == pytest.approx(1000.0 * 250.0 / 3600.0, rel=2e-3)
    for _ in range(1000):
        injector.step(1.0, lag_share(1.0))
    assert injector.drawn_l == pytest.approx(100.0)
    assert injector.tank.litres == 0.0
    assert injector.metered_l == pytest.approx(injector.drawn_l)


@pytest.mark.parametrize("missing", ["contactor_in", "valve_open", "no airlock", "outlet"])
def test_nothing_moves_when_anything_is_missing(injector: Injector, missing: str) -> None:
    """Guards the chain: run contactor, injection valve, primed pump, stock at the outlet."""
    if missing == "no airlock":
        injector.airlock = True
    elif missing == "outlet":
        injector.tank.outlet_dry = True
    else:
        setattr(injector, missing, False)
    injector.settle()
    assert injector.step(10.0, lag_share(10.0)) == 0.0
    assert injector.metered_l == 0.0


def test_a_siphon_flows_with_the_injector_off(injector: Injector) -> None:
    """Guards the siphon: its own litres an hour, metered, and gone once the fault is."""
    injector.contactor_in = False
    injector.siphon_l_h = 36.0
    injector.settle()
    assert injector.step(100.0, lag_share(100.0)) == pytest.approx(1.0)
    assert injector.metered_l == pytest.approx(1.0)
    injector.siphon_l_h = 0.0
    assert injector.step(100.0, lag_share(100.0)) == 0.0


def test_mixing_keeps_every_gram_and_the_ec() -> None:
    """Guards the balance of a topped-up tank: grams add, and EC adds by grams of product."""
    nitrate, potassium = Batch({"N": 30.0}, 200.0, 1.2), Batch({"N": 10.0, "K": 40.0}, 100.0, 1.5)
    mix = mixed([(nitrate, 100.0), (potassium, 300.0)])
    assert mix.nutrients_g_l == pytest.approx({"N": (3000.0 + 3000.0) / 400.0, "K": 30.0})
    assert mix.product_g_l == pytest.approx(125.0)
    assert mix.ec_of_stock == pytest.approx((100.0 * 240.0 + 300.0 * 150.0) / 400.0)
