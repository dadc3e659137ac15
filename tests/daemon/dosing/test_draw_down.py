"""A tank's level beside the meter: what was drawn, whatever the meter counted, through noise and jolts."""

import random

import pytest

from daemon.dosing.draw_down import DrawDown, followed


def _drawn(
    rate_l_s: float, seconds: int, *, meter: float = 1.0, leak_l_s: float = 0.0, noise_l: float = 0.3, rest: int = 900
) -> tuple[DrawDown, float, float]:
    """Return the memory after a rest, a draw and a rest again, what the meter counted and what was really drawn."""
    rng, memory, level_l, counted_l = random.Random(5), DrawDown(), 900.0, 0.0
    for second in range(600 + seconds + rest):
        is_drawing = 600 <= second < 600 + seconds
        level_l -= leak_l_s
        if is_drawing:
            level_l -= rate_l_s
            counted_l += meter * rate_l_s
        memory = followed(memory, level_l + rng.gauss(0.0, noise_l), counted_l, 1.0, is_drawing=is_drawing)
    return memory, counted_l, rate_l_s * seconds


@pytest.mark.parametrize("meter", [0.0, 0.85, 1.0, 1.15])
def test_the_level_tells_what_was_drawn_whatever_the_meter_says(meter: float) -> None:
    """Guards independence: the smoothing goes by the meter, and what comes of it does not."""
    memory, counted_l, drawn_l = _drawn(0.05, 3000, meter=meter)
    assert memory.is_known
    assert counted_l + memory.more_l == pytest.approx(drawn_l, abs=0.3)


def test_it_does_not_lag_while_it_draws() -> None:
    """Guards the figure during the injection: with a meter that is right the level is followed without delay."""
    memory, counted_l, drawn_l = _drawn(0.2, 1000, rest=0)
    assert counted_l + memory.more_l == pytest.approx(drawn_l, abs=0.4)


def test_a_leak_shows_once_nothing_is_drawn() -> None:
    """Guards the leak from the meter: 36 L/h go on when the injector rests, and a meter's error does not."""
    leaking, _, _ = _drawn(0.05, 3000, leak_l_s=0.01)
    assert leaking.idle_l == pytest.approx(0.01 * leaking.idle_s, rel=0.15)
    sound, _, _ = _drawn(0.05, 3000, meter=0.85)
    assert abs(sound.idle_l) < 0.6 and sound.idle_s == pytest.approx(720.0, abs=2.0)


def test_without_a_level_before_the_first_litre_it_says_nothing() -> None:
    """Guards silence: a level that comes to be read in mid-injection has nothing to be compared with."""
    memory = DrawDown()
    for _ in range(100):
        memory = followed(memory, 800.0, 5.0, 1.0, is_drawing=True)
    assert memory == DrawDown() and not memory.is_known
    assert not followed(memory, 800.0, 0.0, 1.0, is_drawing=False)._replace(is_lost=True).is_known
