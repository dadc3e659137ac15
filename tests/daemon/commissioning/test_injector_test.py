"""A calibration by timed volumes: rates against worked rows (I1, I4), the curve and its signs against hidden truths."""

import random

import pytest

from daemon.commissioning.injector_test import Timed, injector_result, setting_result

_SETTINGS = (0.1, 0.25, 0.5, 0.75, 1.0)


def _runs(dice: random.Random, rate_l_h: float, *, noise: float = 0.004, meter: float = 1.0) -> list[Timed]:
    """Return three runs of a minute or more, as a jug and a stopwatch tell them."""
    seconds = [dice.uniform(60.0, 90.0) for _ in range(3)]
    caught = [rate_l_h * one / 3600.0 * dice.gauss(1.0, noise) for one in seconds]
    return [Timed(litres, one, litres / meter) for litres, one in zip(caught, seconds, strict=True)]


def test_timed_volumes() -> None:
    """I4: 0.500 L in 38.2 s is 47.12 L/h. I1: 350 gal in 22 h is 15.9 an hour (WSU Extension FS035E, eq. 1)."""
    assert Timed(0.5, 38.2).rate_l_h == pytest.approx(47.12, abs=0.01)
    assert Timed(1.0, 72.0).rate_l_h == pytest.approx(50.0)
    assert Timed(350.0, 22.0 * 3600.0).rate_l_h == pytest.approx(15.909, abs=0.001)


def test_the_curve_is_found_within_its_band() -> None:
    """Twenty hidden pumps: each rate within 2 % of the truth from a quarter of the range up, and in the band mostly."""
    held = 0
    for seed in range(20):
        dice = random.Random(seed)
        slope, offset = dice.uniform(380.0, 520.0), dice.uniform(-6.0, 6.0)
        result = injector_result({at: _runs(dice, offset + slope * at) for at in _SETTINGS})
        for at in _SETTINGS[1:]:
            assert result.rate_at(at).value == pytest.approx(offset + slope * at, rel=0.02)
            held += abs(result.rate_at(at).value - offset - slope * at) <= result.rate_at(at).u
    assert held >= 0.9 * 20 * len(_SETTINGS[1:])


def test_what_the_meter_counts_is_compared() -> None:
    """A meter that counts 15 % too much: a factor of 0.87, well told apart from 1."""
    dice = random.Random(4)
    found = injector_result({at: _runs(dice, 400.0 * at, meter=1.0 / 1.15) for at in (0.25, 1.0)}).meter_factor
    assert found is not None and found.value == pytest.approx(1.0 / 1.15, rel=0.01) and found.u < 0.01
    without = {at: [Timed(1.0, 60.0)] * 3 for at in (0.5, 1.0)}
    assert injector_result(without).meter_factor is None


def test_turn_down_ends_where_it_no_longer_repeats() -> None:
    """A pump that wanders below a quarter is good for four to one, whatever its plate says."""
    dice = random.Random(9)
    runs = {at: _runs(dice, 400.0 * at, noise=0.003) for at in (0.25, 0.5, 1.0)}
    runs[0.1] = [Timed(litres, 60.0) for litres in (0.50, 0.67, 0.80)]
    result = injector_result(runs)
    assert not result.by_setting[0.1].is_repeatable and result.by_setting[0.25].is_repeatable
    assert result.turn_down == pytest.approx(4.0, rel=0.02)


def test_a_line_that_draws_air_gives_less_and_less() -> None:
    """Each run well below the one before; runs that scatter up and down are no such thing."""
    assert setting_result([Timed(litres, 60.0) for litres in (5.0, 4.6, 4.1)]).draws_air
    assert not setting_result([Timed(litres, 60.0) for litres in (5.0, 4.6, 4.9)]).draws_air
    assert not setting_result([Timed(litres, 60.0) for litres in (5.0, 4.98, 4.97)]).draws_air


def test_too_little_is_refused() -> None:
    """Two runs, one setting, nothing caught: what was got, and what is expected."""
    with pytest.raises(ValueError, match="3 or more"):
        setting_result([Timed(1.0, 60.0)] * 2)
    with pytest.raises(ValueError, match="more than 0 of both"):
        setting_result([Timed(0.0, 60.0)] * 3)
    with pytest.raises(ValueError, match="two or more"):
        injector_result({1.0: [Timed(1.0, 60.0)] * 3})
