"""The pulse of stock in the line's EC: mass that passes is counted once, however it comes."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.dosing.pulse import Pulse, carried, less_drift

_SLOPE = 150.0
"""mS/cm that a litre of stock makes in a litre of water."""


def _through(rates_l_s: list[float], flow_l_s: float, count_l: float, lag_s: float) -> tuple[Pulse, float]:
    """Return the pulse of stock let in second by second and then flushed, by a probe with a lag, and the stock."""
    pulse, shown, waiting_l = Pulse(), 0.0, 0.0
    tail = [0.0] * round(20 * lag_s + 60)
    for rate_l_s in [*rates_l_s, *tail]:
        shown += (_SLOPE * rate_l_s / flow_l_s - shown) * -math.expm1(-1.0 / lag_s)
        waiting_l += flow_l_s
        counted_l = count_l * (waiting_l // count_l)
        waiting_l -= counted_l
        pulse = carried(pulse, shown, counted_l, 1.0)
    return pulse, sum(rates_l_s)


@settings(derandomize=True, database=None, deadline=None, max_examples=60)
@given(
    rates_l_s=st.lists(st.floats(0.0, 0.2), min_size=60, max_size=200),
    flow_l_s=st.floats(2.0, 40.0),
    count_l=st.sampled_from([1.0, 10.0, 100.0]),
    lag_s=st.floats(1.0, 20.0),
)
def test_every_gram_is_counted_once(rates_l_s: list[float], flow_l_s: float, count_l: float, lag_s: float) -> None:
    """Guards the integral: whatever the rate, the probe's lag and the coarseness of the counts, the sum is the mass."""
    pulse, stock_l = _through(rates_l_s, flow_l_s, count_l, lag_s)
    one_count = max(rates_l_s) / flow_l_s * count_l  # what may come and go within one count
    assert pulse.ms_cm_l / _SLOPE == pytest.approx(stock_l, rel=0.01, abs=2.0 * one_count + 0.01)
    assert pulse.blind_l == 0.0


def test_noise_takes_nothing_away() -> None:
    """Guards against a bias of noise: readings below nothing count as they are."""
    rng, pulse = random.Random(3), Pulse()
    for _ in range(20_000):
        pulse = carried(pulse, rng.gauss(0.0, 0.01), 10.0, 1.0)
    assert abs(pulse.ms_cm_l / pulse.water_l) < 3.0 * 0.01 / math.sqrt(20_000)


def test_water_that_passes_unseen_is_told() -> None:
    """Guards honesty: without a reading since the last count the water is blind, and with one it is not."""
    pulse = carried(Pulse(), None, 10.0, 1.0)
    assert pulse == Pulse(blind_l=10.0)
    pulse = carried(carried(pulse, 0.5, 0.0, 1.0), None, 10.0, 1.0)
    assert pulse == Pulse(ms_cm_l=5.0, water_l=10.0, blind_l=10.0)


def test_half_of_a_steady_drift_is_taken_off() -> None:
    """Guards the background tracked around the pulse: a straight drift to d leaves d/2 in all the water."""
    pulse = Pulse()
    for second in range(1000):
        pulse = carried(pulse, 0.3 + 0.0001 * second, 10.0, 1.0)
    assert less_drift(pulse, 0.1) == pytest.approx(0.3 * 10_000.0, rel=1e-3)
