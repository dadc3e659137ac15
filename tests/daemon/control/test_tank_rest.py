"""A tank at rest: a leak or a slow siphon is told from noise, from a gauge that is off, and from people at the tank."""

import random

import pytest

from daemon.control.tank_rest import TankRest, falls_l_h, followed

_LEAST_L, _STEP_L, _NOISE_L = 8.0, 16.0, 0.3
_DT_S = 5.0


def _watched(l_h: float, hours: float, *, start_l: float = 800.0, seed: int = 1) -> tuple[TankRest, float | None]:
    """Return the memory after some hours of a tank that loses `l_h`, and when it was said to fall, in hours."""
    rng, memory, seen_h = random.Random(seed), TankRest(), None
    for scan in range(round(hours * 3600.0 / _DT_S)):
        level_l = start_l - l_h * scan * _DT_S / 3600.0 + rng.gauss(0.0, _NOISE_L)
        memory = followed(memory, level_l, _STEP_L, _DT_S)
        if seen_h is None and falls_l_h(memory, _LEAST_L):
            seen_h = scan * _DT_S / 3600.0
    return memory, seen_h


@pytest.mark.parametrize("l_h", [2.0, 5.0, 20.0])
def test_a_slow_fall_is_seen_as_soon_as_the_gauge_can_tell(l_h: float) -> None:
    """Guards the figure: 2 L/h within 24 h; here as soon as what the gauge may be off by is gone, and its rate is told.

    The smoothing is a quarter of an hour late at most.
    """
    memory, seen_h = _watched(l_h, 9.0)
    assert seen_h is not None and _LEAST_L / l_h <= seen_h <= _LEAST_L / l_h + 0.5
    assert falls_l_h(memory, _LEAST_L) == pytest.approx(l_h, rel=0.1)


@pytest.mark.parametrize("l_h", [0.0, 0.5, -3.0])
def test_what_stands_swells_or_breathes_is_not_said_to_fall(l_h: float) -> None:
    """Guards against false alarms: a day of noise, of a tank's breath, of one that fills."""
    _, seen_h = _watched(l_h, 24.0)
    assert seen_h is None


def test_somebody_at_the_tank_begins_it_anew() -> None:
    """Guards a tank that is drained or filled by hand: a leap is no leak, and the watch begins again behind it."""
    memory, _ = _watched(0.0, 1.0)
    memory = followed(memory, 700.0, _STEP_L, _DT_S)
    assert memory.level_l == memory.full_l == 700.0
    assert falls_l_h(memory, _LEAST_L) == 0.0


def test_no_time_is_no_reading() -> None:
    """Guards a scan without time: it moves nothing and divides by nothing."""
    memory = TankRest(100.0, 800.0, 799.0, 50.0)
    assert followed(memory, 500.0, _STEP_L, 0.0) == memory
    assert falls_l_h(TankRest(), _LEAST_L) == 0.0
