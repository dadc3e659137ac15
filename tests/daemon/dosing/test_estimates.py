"""What the injector's meter says of the dose, and its uncertainty."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.dosing.estimates import Way, k2_of_class_pct, meter_doses
from daemon.hydraulics.transport import clean_line, displace
from daemon.recipe import BlockPlan, ChannelPlan, LinePath
from tests.daemon.control.plant import changed

_PATH = LinePath(main_l=300.0, submain_l=60.0, lateral_l=140.0, transit_l=1000.0, accuracy_pct=10.0)
_BLOCK = BlockPlan(
    block="creek",
    area_ha=3.2,
    share=0.5,
    share_accuracy_pct=0.0,
    drains=False,
    path=_PATH,
    planned_mg={"a": {"N": 9_600_000, "Ca": 11_458_065}},
)
_CHANNEL = ChannelPlan(
    channel="a",
    stock="calcium",
    batch="A-1",
    stock_l=309.7,
    ratio=0.007,
    after="",
    rinse_l=0.0,
    hose_l=4.0,
    nutrients_g_l={"N": 31.0, "Ca": 37.0},
    strength_accuracy_pct=2.0,
    ec_rise_ms_cm=1.5,
)
_CLASS_1_PCT = 2.0 / math.sqrt(3.0)
_MIXED_PCT = math.hypot(_CLASS_1_PCT, 2.0)
"""A meter of class 1 and a strength known to 2 %, both at k = 2."""


def _way(water_l: float, stock_l: float) -> Way:
    lines = [clean_line(_PATH, size) for size in (1.0, 0.9, 1.1)]
    for _ in range(50):
        lines = [displace(line, water_l / 50, stock_l / 50) for line in lines]
    return Way(*lines)


def test_a_class_becomes_k_2_as_a_rectangle() -> None:
    """Guards M3 of the domain sheet: permissible errors of 2, 1 and 1 % add to 2.828 % at k = 2."""
    assert math.hypot(*map(k2_of_class_pct, (2.0, 1.0, 1.0))) == pytest.approx(2.828, abs=0.001)
    assert k2_of_class_pct(2.0) / 2.0 == pytest.approx(1.155, abs=0.001)  # domain sheet: 2 % -> 1.155 %
    # GUM, JCGM 100:2008, the example in 4.3.7 (from memory): within ±0.40e-6/°C is a standard uncertainty of 0.23e-6.
    assert k2_of_class_pct(0.40) / 2.0 == pytest.approx(0.23, abs=0.005)
    assert k2_of_class_pct(0.0) == 0.0


def test_a_dose_by_hand() -> None:
    """Guards the METER row: half of 300 L of stock, 31 g/L of N, everything delivered."""
    rows = meter_doses("run-1", _BLOCK, _CHANNEL, 300.0, _way(60_000.0, 150.0), _CLASS_1_PCT, "measured")
    nitrogen, calcium = rows
    assert (nitrogen.nutrient, calcium.nutrient) == ("N", "Ca")
    assert (nitrogen.estimate, nitrogen.basis, nitrogen.lost_mg) == ("METER", "measured", 0)
    assert nitrogen.injected_mg == 4_650_000  # 150 L x 31 g/L
    assert calcium.injected_mg == 5_550_000
    assert nitrogen.planned_mg == 9_600_000
    assert nitrogen.u_injected_mg == round(4_650_000 * _MIXED_PCT / 100.0)


def test_what_the_pipes_leave_uncertain_is_in_the_delivered() -> None:
    """Guards the band: in mid-passage the uncertainty is wider by the pipes' part, and it is gone after the flush."""
    for water_l, is_wide in ((600.0, True), (60_000.0, False)):
        way = _way(water_l, 150.0)
        row = meter_doses("run-1", _BLOCK, _CHANNEL, 300.0, way, _CLASS_1_PCT, "measured")[0]
        own_mg = row.delivered_mg * _MIXED_PCT / 100.0
        spread_mg = 31_000.0 * max(abs(other.delivered_l - way.line.delivered_l) for other in (way.short, way.long))
        assert row.u_delivered_mg == pytest.approx(math.hypot(own_mg, spread_mg), abs=1.0)
        assert (row.u_delivered_mg > 1.5 * own_mg) is is_wide


def test_the_split_between_blocks_is_uncertain_by_itself() -> None:
    """Guards GUM 5.1.2: a share known to 10 % adds in quadrature to injected and delivered, and moves neither."""
    split = changed(_BLOCK, share_accuracy_pct=10.0)
    plain, wide = (
        meter_doses("run-1", block, _CHANNEL, 300.0, _way(60_000.0, 150.0), _CLASS_1_PCT, "measured")[0]
        for block in (_BLOCK, split)
    )
    assert (wide.injected_mg, wide.delivered_mg) == (plain.injected_mg, plain.delivered_mg)
    assert wide.u_injected_mg == round(4_650_000 * math.hypot(_MIXED_PCT, 10.0) / 100.0)
    assert wide.u_delivered_mg == pytest.approx(wide.delivered_mg * math.hypot(_MIXED_PCT, 10.0) / 100.0, rel=1e-3)


@pytest.mark.parametrize(("injected_l", "unknown_pct"), [(300.0, 4.0 / 3.0), (16.0, 25.0), (4.0, 100.0), (1.0, 100.0)])
def test_what_the_hose_may_have_held_is_uncertain(injected_l: float, unknown_pct: float) -> None:
    """Guards the hose: its 4 L may be of another batch, so they count in full, up to all that went in."""
    way = _way(60_000.0, injected_l * 0.5)
    row = meter_doses("run-1", _BLOCK, _CHANNEL, injected_l, way, _CLASS_1_PCT, "measured", unknown_l=4.0)[0]
    assert row.u_injected_mg == round(row.injected_mg * math.hypot(_MIXED_PCT, unknown_pct) / 100.0)


def test_pipes_that_ran_empty_have_lost_what_was_in_them() -> None:
    """Guards mass balance of a block that drains: behind its valve nothing stays, and where it went is not known."""
    way = _way(600.0, 150.0)
    kept, drained = (
        meter_doses("run-1", _BLOCK, _CHANNEL, 300.0, way, _CLASS_1_PCT, "measured", is_drained=is_drained)[0]
        for is_drained in (False, True)
    )
    assert kept.in_lines_mg > 0 and kept.lost_mg == 0
    behind_l = way.line.in_submain_l + way.line.in_laterals_l
    assert 0.0 < behind_l < way.line.in_lines_l
    assert drained.lost_mg == pytest.approx(behind_l * next(iter(_CHANNEL.nutrients_g_l.values())) * 1000.0, abs=1)
    assert drained.in_lines_mg == kept.in_lines_mg - drained.lost_mg
    assert drained.delivered_mg == kept.delivered_mg
    assert drained.u_delivered_mg == pytest.approx(kept.u_delivered_mg + drained.lost_mg, abs=1)


def test_water_that_was_not_counted_may_have_carried_all_of_it_out() -> None:
    """Guards honesty after a totaliser that stood: delivered is uncertain by all that should still be in the pipes."""
    way = _way(600.0, 150.0)
    seen, blind = (
        meter_doses("run-1", _BLOCK, _CHANNEL, 300.0, way, _CLASS_1_PCT, "measured", is_blind=is_blind)[0]
        for is_blind in (False, True)
    )
    assert blind.in_lines_mg == seen.in_lines_mg
    assert blind.u_delivered_mg == pytest.approx(seen.u_delivered_mg + seen.in_lines_mg, abs=1)


@settings(derandomize=True, database=None, deadline=None, max_examples=60)
@given(water_l=st.floats(1.0, 5000.0), stock_l=st.floats(0.0, 300.0), is_drained=st.booleans())
def test_injected_is_delivered_in_the_lines_and_lost(water_l: float, stock_l: float, is_drained: bool) -> None:
    """Guards mass balance in whole milligrams, whatever the rounding."""
    way = _way(water_l, stock_l * 0.5)
    for row in meter_doses("run-1", _BLOCK, _CHANNEL, stock_l, way, _CLASS_1_PCT, "estimated", is_drained=is_drained):
        assert row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg
        assert row.in_lines_mg >= -1 and row.lost_mg >= -1 and row.u_delivered_mg >= 0
        assert is_drained or row.lost_mg == 0
