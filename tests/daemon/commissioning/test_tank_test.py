"""A displacement tank's volume, found from rows of the domain sheet and from hidden tanks."""

import math
import random

import pytest

from daemon.commissioning.tank_test import Thinned, tank_result

_ROW = {5.0: 253.9, 10.0: 215.0, 15.0: 182.0, 30.0: 110.4, 60.0: 40.6}
"""60 L, 120 L/h, 300 g/L: g/L by minutes (the domain sheet's check of C = C0 exp(-Q t/V))."""


def test_the_sheets_own_tank() -> None:
    """T3's row gives its 60 L back, EC taken as it goes with strength."""
    readings = [Thinned(120.0 * minutes / 60.0, 0.6 + 0.004 * g_l) for minutes, g_l in _ROW.items()]
    found = tank_result(readings, 0.6)
    assert found.volume_l.value == pytest.approx(60.0, rel=0.002)
    assert found.volumes == pytest.approx(120.0 * 55.0 / 60.0 / 60.0, rel=0.01)


def test_hidden_tanks_are_found_in_their_band() -> None:
    """A hundred tanks whose volume is a fifth off their plate, read by a hand meter every few minutes."""
    held = 0
    for seed in range(100):
        dice = random.Random(seed)
        volume_l, first = dice.uniform(40.0, 150.0), dice.uniform(4.0, 20.0)
        at = [0.1 * volume_l + 0.25 * volume_l * place for place in range(12)]
        readings = [Thinned(one, 0.5 + first * math.exp(-one / volume_l) + dice.gauss(0.0, 0.01 * first)) for one in at]
        found = tank_result(readings, 0.5).volume_l
        assert found.value == pytest.approx(volume_l, rel=0.05)
        held += abs(found.value - volume_l) <= found.u
    assert held >= 90


def test_what_is_no_record_is_refused() -> None:
    """Too few readings above the water; stock that stays saturated over undissolved salt."""
    with pytest.raises(ValueError, match="5 or more"):
        tank_result([Thinned(float(place), 0.6) for place in range(9)], 0.6)
    with pytest.raises(ValueError, match="5 or more"):
        tank_result([], 0.6)
    with pytest.raises(ValueError, match="undissolved"):
        tank_result([Thinned(float(place), 9.0 + 0.01 * (-1) ** place) for place in range(9)], 0.6)
