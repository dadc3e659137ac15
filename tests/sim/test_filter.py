"""The filter: dirt, backwash, and who begins it."""

from dataclasses import replace

import pytest

from sim.filter import CLEAN_KPA, Filter
from sim.parts import Filter as Sheet
from sim.site import Site

FLOW_L_S = 20.0


@pytest.fixture
def sheet(orchard: Site) -> Sheet:
    """Kestrel Bend's filter: washed by us at 50 kPa or after 400 m3, for 60 s."""
    assert orchard.filter is not None
    return orchard.filter


def _run(strainer: Filter, start_s: float, end_s: float, kpa: float = 0.0) -> bool:
    quick = False
    for second in range(round(start_s) + 1, round(end_s) + 1):
        quick = strainer.move(float(second), FLOW_L_S, kpa)
    return quick


def test_loss_grows_with_water_alone(sheet: Sheet) -> None:
    """Guards the dirt: 15 kPa at the design flow when clean, 50 more after four hours of it, none from standing."""
    strainer = Filter(sheet, FLOW_L_S)
    assert strainer.loss * FLOW_L_S**2 == pytest.approx(CLEAN_KPA)
    assert not strainer.move(4.0 * 3600.0, FLOW_L_S, 0.0)
    assert strainer.loss * FLOW_L_S**2 == pytest.approx(CLEAN_KPA + 50.0)
    strainer.move(24.0 * 3600.0, 0.0, 0.0)
    assert strainer.dirt_l == pytest.approx(4.0 * 3600.0 * FLOW_L_S)


def test_our_backwash_cleans_while_water_flows(sheet: Sheet) -> None:
    """Guards the wash: an open drain while our output is on, 2 % of the dirt left after 60 s of flow."""
    strainer = Filter(sheet, FLOW_L_S)
    strainer.move(7200.0, FLOW_L_S, 0.0)
    before_l = strainer.dirt_l
    strainer.output_on = True
    strainer.move(7260.0, 0.0, 0.0)
    assert strainer.dirt_l == before_l
    assert strainer.drain > 0.0
    assert _run(strainer, 7260.0, 7320.0)
    assert strainer.dirt_l == pytest.approx(0.018 * before_l, rel=0.02)
    strainer.output_on = False
    assert not strainer.washing
    assert strainer.drain == 0.0


def test_it_does_not_wash_itself_where_the_output_is_ours(sheet: Sheet) -> None:
    """Guards the kinds apart: however dirty, it waits for us."""
    strainer = Filter(sheet, FLOW_L_S)
    assert not strainer.move(1.0, FLOW_L_S, 90.0)
    assert not strainer.washing


@pytest.mark.parametrize(
    ("wash_at_kpa", "wash_every_m3", "kpa", "after_s"),
    [(60.0, None, 61.0, 1.0), (None, None, 51.0, 1.0), (None, 0.5, 0.0, 25.0)],
    ids=["its switch", "a switch it does not speak of", "its litres"],
)
def test_it_washes_itself(
    sheet: Sheet, wash_at_kpa: float | None, wash_every_m3: float | None, kpa: float, after_s: float
) -> None:
    """Guards the own switch: it begins by itself, lasts the site's 60 s, and leaves a clean filter."""
    own = replace(sheet, backwash=None, wash_at_kpa=wash_at_kpa, wash_every_m3=wash_every_m3)
    strainer = Filter(own, FLOW_L_S)
    assert not _run(strainer, 0.0, after_s - 1.0, kpa - 2.0)
    assert _run(strainer, after_s - 1.0, after_s, kpa)
    assert _run(strainer, after_s, after_s + 59.0, kpa)
    assert strainer.washing
    _run(strainer, after_s + 59.0, after_s + 60.0)
    assert not strainer.washing


def test_a_stuck_drain_stays_open(sheet: Sheet) -> None:
    """Guards the fault: the drain takes water with no output on."""
    strainer = Filter(sheet, FLOW_L_S)
    strainer.stuck = True
    assert strainer.drain > 0.0
