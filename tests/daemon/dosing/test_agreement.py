"""Agreement of estimates: E_n, weighted means and enclosing bands, against published figures and plain arithmetic."""

import itertools
import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.dosing.agreement import Estimate, agree, enclosing, normalised_error, together, weighted

_ESTIMATES = st.lists(st.builds(Estimate, st.floats(-1e3, 1e3), st.floats(0.01, 1e3)), min_size=1, max_size=4)


def test_the_normalised_error_is_the_standards() -> None:
    """Guards E_n by its formula in ISO 13528:2015, 9.7: (x - X) / sqrt(U(x)^2 + U(X)^2)."""
    assert normalised_error(Estimate(105.0, 3.0), Estimate(100.0, 4.0)) == pytest.approx(1.0)
    assert normalised_error(Estimate(100.0, 4.0), Estimate(105.0, 3.0)) == pytest.approx(-1.0)
    assert agree([Estimate(104.99, 3.0), Estimate(100.0, 4.0)])
    assert not agree([Estimate(105.01, 3.0), Estimate(100.0, 4.0)])


@given(_ESTIMATES)
def test_together_is_within_what_was_said(estimates: list[Estimate]) -> None:
    """Guards the combined estimate: never outside of all values, and better known than any only where they agree."""
    said = together(estimates)
    assert min(e.value - e.u for e in estimates) <= said.value + 1e-6
    assert said.value - 1e-6 <= max(e.value + e.u for e in estimates)
    if agree(estimates):
        assert said.u <= min(e.u for e in estimates) * (1.0 + 1e-9)
    else:
        band = enclosing(estimates)
        assert said == band
        for one in estimates:
            assert band.value - band.u <= one.value - one.u + 1e-6
            assert one.value + one.u <= band.value + band.u + 1e-6


def test_a_weighted_mean_is_as_good_as_it_says() -> None:
    """Guards u of the mean against a Monte Carlo (JCGM 101:2008): its spread is what the formula gives."""
    rng = random.Random(7)
    sigmas = (1.0, 2.0, 4.0)
    means = []
    for _ in range(20_000):
        draws = [Estimate(50.0 + rng.gauss(0.0, sigma), 2.0 * sigma) for sigma in sigmas]
        means.append(weighted(draws).value)
    spread = math.sqrt(sum((mean - 50.0) ** 2 for mean in means) / len(means))
    assert 2.0 * spread == pytest.approx(weighted([Estimate(50.0, 2.0 * s) for s in sigmas]).u, rel=0.02)


def test_estimates_that_agree_in_pairs_need_not_agree_in_all() -> None:
    """Guards agreement: it is asked of each pair, in whatever order they come."""
    three = [Estimate(0.0, 1.0), Estimate(1.4, 1.0), Estimate(2.8, 1.0)]
    assert agree(three[:2]) and agree(three[1:])
    assert not any(agree(list(order)) for order in itertools.permutations(three))


@pytest.mark.parametrize("said", [weighted, enclosing])
def test_of_nothing_nothing_is_said(said: object) -> None:
    """Guards the error: no estimate is no mean."""
    with pytest.raises(ValueError, match="no estimate"):
        said([])  # type: ignore[operator]
