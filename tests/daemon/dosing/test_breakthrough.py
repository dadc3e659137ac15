"""A front at a far probe: when half of the first stock's rise is there, through noise, coarse counts and silence."""

import math
import random

import pytest

from daemon.dosing.breakthrough import Front, passed, rested


def _rested(noise: float = 0.0, seed: int = 1) -> Front:
    rng, memory = random.Random(seed), Front()
    for _ in range(300):
        memory = rested(memory, 0.6 + rng.gauss(0.0, noise), 1.0)
    return memory


def _front(at_l: float, *, flow_l_s: float = 5.0, count_l: float = 10.0, noise: float = 0.0) -> Front:
    """Return the memory once a front of 1 mS/cm, smeared over a twentieth of its way, has passed."""
    rng, memory, water_l, told_l = random.Random(2), _rested(noise), 0.0, 0.0
    while water_l < 1.5 * at_l:
        water_l += flow_l_s
        counted_l = count_l * (water_l // count_l)
        rise = 0.5 + 0.5 * math.tanh((water_l - at_l) / (0.05 * at_l))
        memory = passed(memory, 1.0, 0.6 + rise + rng.gauss(0.0, noise), counted_l - told_l)
        told_l = counted_l
    return memory


@pytest.mark.parametrize("noise", [0.0, 0.01])
@pytest.mark.parametrize("count_l", [1.0, 10.0, 100.0])
def test_half_of_the_rise_is_the_way(count_l: float, noise: float) -> None:
    """Guards the figure: a front that lies at 2,000 L is seen there, to a count and a fiftieth."""
    memory = _front(2000.0, count_l=count_l, noise=noise)
    assert memory.has_arrived
    assert memory.arrived_l == pytest.approx(2000.0, abs=0.02 * 2000.0 + count_l)
    assert memory.step_l == max(count_l, 5.0)


def test_what_comes_later_does_not_count() -> None:
    """Guards the first stock: a second one beside it raises the line, and not the half that is waited for."""
    memory = passed(_rested(), 1.0, 0.6, 100.0)
    memory = passed(memory, 2.0, 0.6 + 0.49, 100.0)
    assert memory.rise_ms_cm == 1.0 and not memory.has_arrived
    memory = passed(memory, 2.0, 0.6 + 0.51, 100.0)
    assert memory.arrived_l == pytest.approx(250.0)
    assert passed(memory, 2.0, 5.0, 100.0) == memory


def test_a_probe_that_was_never_read_before_has_no_front() -> None:
    """Guards honesty: without a reading before the stock nothing can be told, and a gap tells nothing either."""
    assert passed(Front(), 1.0, 5.0, 100.0) == Front()
    gap = passed(_rested(), 1.0, None, 100.0)
    assert not gap.has_arrived and gap.passed_l == 100.0
