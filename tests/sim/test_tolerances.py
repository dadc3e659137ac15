"""The hidden factors."""

import statistics

import pytest

from sim.tolerances import Tolerances


def test_the_same_seed_draws_the_same_in_any_order() -> None:
    """Guards determinism: a factor depends on seed, name and item alone, so a longer site moves no other."""
    one, other = Tolerances(7), Tolerances(7)
    first = one.within("main_meter", 1.0), one.around("pipe_volume", 12.0, "creek")
    second = other.around("pipe_volume", 12.0, "creek"), other.within("main_meter", 1.0)
    assert first == second[::-1]
    assert Tolerances(8).within("main_meter", 1.0) != first[0]


def test_a_maximum_permissible_error_is_drawn_rectangular() -> None:
    """Guards the GUM's reading of an MPE: within it alike, standard deviation a / sqrt 3 (domain sheet)."""
    drawn = [Tolerances(seed).within("main_meter", 2.0) for seed in range(2000)]
    assert max(abs(factor - 1.0) for factor in drawn) <= 0.02 + 1e-12
    assert statistics.stdev(drawn) == pytest.approx(0.02 / 3**0.5, rel=0.05)


def test_a_volume_lies_within_its_k2_as_often_as_a_bell_says() -> None:
    """Guards what k = 2 means: 95 % within it, and none beyond three standard deviations."""
    drawn = [Tolerances(seed).around("pipe_volume", 12.0) for seed in range(2000)]
    assert max(abs(factor - 1.0) for factor in drawn) <= 0.18 + 1e-12
    assert statistics.stdev(drawn) == pytest.approx(0.06, rel=0.05)
    assert 0.94 <= sum(abs(factor - 1.0) <= 0.12 for factor in drawn) / len(drawn) <= 0.97


def test_perfect_and_fixed_factors() -> None:
    """Guards that a perfect plant has none and that a test can set one alone."""
    tolerances = Tolerances(1, perfect=True, fixed={"pipe_volume": 1.1})
    assert tolerances.within("main_meter", 5.0) == 1.0
    assert tolerances.offset("signals.ai1", 1.0) == 0.0
    assert tolerances.around("pipe_volume", 12.0, "creek") == 1.1
    assert tolerances.drawn == {"main_meter": 1.0, "pipe_volume.creek": 1.1}
