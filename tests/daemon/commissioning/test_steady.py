"""When a flow or pressure is steady: of filling pipes, with noise, and never of one that goes on changing."""

import math
import random

import pytest

from daemon.commissioning.steady import Watched, steady_from


def _filling(until_s: float, fill_s: float = 120.0, noise: float = 0.0, seed: int = 1) -> list[Watched]:
    """Return a pressure that rises to 300 kPa, within 3 % of it after 3.5 of its time constants."""
    dice = random.Random(seed)
    times = [2.0 * place for place in range(int(until_s / 2.0))]
    return [Watched(at, 300.0 * (1.0 - math.exp(-at / fill_s)) * dice.gauss(1.0, noise), 15.0 * at) for at in times]


def test_the_moment_and_its_water() -> None:
    """Where the curve comes into the band for good: ln(1/0.03) time constants."""
    found = steady_from(_filling(2000.0))
    assert found.at_s == pytest.approx(120.0 * math.log(1.0 / 0.03), abs=4.0)
    assert found.passed_l == pytest.approx(15.0 * found.at_s) and found.value == pytest.approx(300.0, rel=0.001)


def test_noise_moves_it_little() -> None:
    """A transmitter's shiver of half a percent, over twenty records."""
    for seed in range(20):
        assert steady_from(_filling(2000.0, noise=0.005, seed=seed)).at_s == pytest.approx(420.0, rel=0.35)


def test_a_reading_that_is_steady_at_once() -> None:
    """From the first on."""
    assert steady_from([Watched(float(at), 300.0, at) for at in range(20)]).at_s == 0.0


def test_what_is_not_steady_is_refused() -> None:
    """A pressure that still rises as the record ends, and a record of a few readings."""
    with pytest.raises(ValueError, match="go on changing"):
        steady_from(_filling(200.0, fill_s=300.0))
    with pytest.raises(ValueError, match="8 or more"):
        steady_from(_filling(10.0))
