"""What the injector's meter says of the dose, and its uncertainty."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.dosing.estimates import k2_of_class_pct, meter_doses
from daemon.hydraulics.transport import Line, clean_line, displace
from daemon.recipe import BlockPlan, ChannelPlan, LinePath

_PATH = LinePath(main_l=300.0, submain_l=60.0, lateral_l=140.0, transit_l=1000.0, accuracy_pct=10.0)
_BLOCK = BlockPlan("creek", 3.2, 0.5, _PATH, {"N": 9_600_000, "Ca": 11_458_065})
_CHANNEL = ChannelPlan("a", "calcium", "A-1", 309.7, 0.007, {"N": 31.0, "Ca": 37.0}, 2.0, 1.5)


def _lines(water_l: float, stock_l: float) -> tuple[Line, Line, Line]:
    lines = [clean_line(_PATH, size) for size in (1.0, 0.9, 1.1)]
    for _ in range(50):
        lines = [displace(line, water_l / 50, stock_l / 50) for line in lines]
    return lines[0], lines[1], lines[2]


def test_a_class_becomes_k_2_as_a_rectangle() -> None:
    """Guards M3 of the domain sheet: permissible errors of 2, 1 and 1 % add to 2.828 % at k = 2."""
    assert math.hypot(*map(k2_of_class_pct, (2.0, 1.0, 1.0))) == pytest.approx(2.828, abs=0.001)
    assert k2_of_class_pct(2.0) / 2.0 == pytest.approx(1.155, abs=0.001)  # domain sheet: 2 % -> 1.155 %
    assert k2_of_class_pct(0.0) == 0.0


def test_a_dose_by_hand() -> None:
    """Guards the METER row: half of 300 L of stock, 31 g/L of N, everything delivered."""
    line, short, long = _lines(60_000.0, 150.0)
    rows = meter_doses("run-1", _BLOCK, _CHANNEL, 300.0, line, short, long, 1.0, "measured")
    nitrogen, calcium = rows
    assert (nitrogen.nutrient, calcium.nutrient) == ("N", "Ca")
    assert (nitrogen.estimate, nitrogen.basis, nitrogen.lost_mg) == ("METER", "measured", 0)
    assert nitrogen.injected_mg == 4_650_000  # 150 L x 31 g/L
    assert calcium.injected_mg == 5_550_000
    assert nitrogen.planned_mg == 9_600_000
    mixed_pct = math.hypot(2.0 / math.sqrt(3.0), 2.0)
    assert nitrogen.u_injected_mg == round(4_650_000 * mixed_pct / 100.0)


def test_what_the_pipes_leave_uncertain_is_in_the_delivered() -> None:
    """Guards the band: in mid-passage the uncertainty is wider by the pipes' part, and it is gone after the flush."""
    for water_l, is_wide in ((600.0, True), (60_000.0, False)):
        line, short, long = _lines(water_l, 150.0)
        row = meter_doses("run-1", _BLOCK, _CHANNEL, 300.0, line, short, long, 1.0, "measured")[0]
        own_mg = row.delivered_mg * math.hypot(2.0 / math.sqrt(3.0), 2.0) / 100.0
        spread_mg = 31_000.0 * max(abs(other.delivered_l - line.delivered_l) for other in (short, long))
        assert row.u_delivered_mg == pytest.approx(math.hypot(own_mg, spread_mg), abs=1.0)
        assert (row.u_delivered_mg > 1.5 * own_mg) is is_wide


@settings(derandomize=True, database=None, deadline=None, max_examples=60)
@given(water_l=st.floats(1.0, 5000.0), stock_l=st.floats(0.0, 300.0))
def test_injected_is_delivered_and_in_the_lines(water_l: float, stock_l: float) -> None:
    """Guards mass balance in whole milligrams, whatever the rounding."""
    line, short, long = _lines(water_l, stock_l * 0.5)
    for row in meter_doses("run-1", _BLOCK, _CHANNEL, stock_l, line, short, long, 1.0, "estimated"):
        assert row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg
        assert row.in_lines_mg >= -1 and row.u_delivered_mg >= 0
