"""Batches, tanks and hoses."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.plug import Stock, add
from sim.stock import CLEAN, Batch, Hose, Tank, mixed


def test_mixing_keeps_every_gram_and_the_ec() -> None:
    """Guards the balance of a topped-up tank: grams add, and EC adds by grams of product."""
    nitrate, potassium = Batch({"N": 30.0}, 200.0, 1.2), Batch({"N": 10.0, "K": 40.0}, 100.0, 1.5)
    mix = mixed([(nitrate, 100.0), (potassium, 300.0)])
    assert mix.nutrients_g_l == pytest.approx({"N": (3000.0 + 3000.0) / 400.0, "K": 30.0})
    assert mix.product_g_l == pytest.approx(125.0)
    assert mix.ec_of_stock == pytest.approx((100.0 * 240.0 + 300.0 * 150.0) / 400.0)


@pytest.mark.parametrize(
    ("volumes", "share"), [(1.0, 0.63212), (2.0, 0.86466), (3.0, 0.95021), (4.0, 0.98168), (5.0, 0.99326)]
)
def test_washing_out_goes_with_the_tank_s_volumes(volumes: float, share: float) -> None:
    """Guards the fully mixed tank by the domain sheet: 63.2, 86.5, 95.0, 98.2 % after 1 to 4 volumes, in any steps."""
    tank = Tank(60.0)
    tank.litres = 60.0
    out_l = sum(tank.wash_out(volumes * 60.0 / 500.0) for _ in range(500))
    assert out_l / 60.0 == pytest.approx(share, abs=1e-5)
    assert tank.litres + out_l == pytest.approx(60.0)


def test_displacement_by_the_domain_sheet_s_hour() -> None:
    """Guards concentrations and masses: V 60 L, 120 L/h, 300 g/L (domain sheet, section 6)."""
    sheet = {5: (253.9, 2.763), 10: (215.0, 5.102), 15: (182.0, 7.082), 30: (110.4, 11.378), 60: (40.6, 15.564)}
    tank = Tank(60.0)
    tank.litres = 60.0
    out_l = 0.0
    for minute in range(1, 61):
        out_l += tank.wash_out(2.0)
        if minute in sheet:
            g_l, kg = sheet[minute]
            assert tank.litres / 60.0 * 300.0 == pytest.approx(g_l, abs=0.1)
            assert out_l * 0.3 == pytest.approx(kg, abs=0.001)


def test_a_dry_outlet_gives_nothing() -> None:
    """Guards the empty tank: nothing to draw, nothing to wash out, and the level shows none."""
    tank = Tank(60.0)
    tank.litres = 60.0
    tank.outlet_dry = True
    assert tank.draw(1.0) == tank.wash_out(1.0) == tank.shown_l == 0.0
    assert tank.litres == 60.0


def test_yesterday_s_stock_comes_first() -> None:
    """Guards the hose: 10 m of 20 mm hold 3.14 L of the last batch, which enter before the new one."""
    hose = Hose(math.pi / 4.0 * 2.0**2 * 1000.0 / 1000.0)
    hose.prime(1)
    out, pushed_l = Stock(), 0.0
    while 2 not in out:
        add(out, hose.push(0.01, 2, 1.0), 1.0)
        pushed_l += 0.01
    assert pushed_l == pytest.approx(3.14, abs=0.02)
    assert out[1] == pytest.approx(3.1416, abs=1e-3)


def test_a_hose_is_primed_once() -> None:
    """Guards the prime: it fills a hose of water, and leaves one that holds stock."""
    hose = Hose(2.0)
    hose.prime(1)
    hose.prime(2)
    assert hose.held_l() == hose.primed_l == {1: 2.0}
    assert hose.push(0.5, 1, 1.0) == [(1, 0.5)]


def test_without_a_hose_stock_is_there_at_once() -> None:
    """Guards the site without one, and that a hose of water gives no stock."""
    assert Hose(0.0).push(0.5, 1, 0.5) == [(1, 0.25)]
    assert Hose(0.0).held_l() == {}
    assert Hose(2.0).push(0.5, 1, 1.0) == []


@given(st.lists(st.tuples(st.floats(0.001, 5.0), st.integers(0, 2), st.sampled_from([1.0, 0.4, 0.3])), max_size=50))
def test_mass_pushed_is_mass_held_and_out(pushes: list[tuple[float, int, float]]) -> None:
    """Guards the balance of every batch to 1e-12, and that the hose stays full."""
    hose = Hose(3.0)
    hose.prime(1)
    given_l, out_l = dict(hose.primed_l), Stock()
    for litres, batch, strength in pushes:
        strength = strength if batch != CLEAN else 0.0
        add(given_l, [(batch, litres)], strength)
        add(out_l, hose.push(litres, batch, strength), 1.0)
        held_l = hose.held_l()
        assert sum(held_l.values()) <= 3.0 + 1e-9
        for batch_, total in given_l.items():
            assert out_l.get(batch_, 0.0) + held_l.get(batch_, 0.0) == pytest.approx(total, rel=1e-12, abs=1e-12)
