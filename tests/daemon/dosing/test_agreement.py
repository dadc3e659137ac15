"""Agreement of estimates: E_n, weighted means and enclosing bands, against published figures and plain arithmetic."""

import itertools
import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.dosing.agreement import Estimate, agree, enclosing, normalised_error, together, weighted

_GEAR_DAT = """
1006 996 998 1000 992 993 1002 999 994 1000 998 1006 1000 1002 997 998 996 1000 1006 988
991 987 997 999 995 994 1000 999 996 996 1005 1002 994 1000 995 994 998 996 1002 996
998 998 982 990 1002 984 996 993 980 996 1009 1013 1009 997 988 1002 995 998 981 996
990 1004 996 1001 998 1000 1018 1010 996 1002 998 1000 1006 1000 1002 996 998 996 1002 1006
1002 998 996 995 996 1004 1004 998 999 991 991 995 984 994 997 997 991 998 1004 997
"""
"""Diameters of gears in thousandths of an inch, ten batches of ten (NIST/SEMATECH e-Handbook; Dataplot's GEAR.DAT)."""
_ESTIMATES = st.lists(st.builds(Estimate, st.floats(-1e3, 1e3), st.floats(0.01, 1e3)), min_size=1, max_size=4)


def test_the_normalised_error_is_the_standards() -> None:
    """Guards E_n by its formula in ISO 13528:2015, 9.7: (x - X) / sqrt(U(x)^2 + U(X)^2)."""
    assert normalised_error(Estimate(105.0, 3.0), Estimate(100.0, 4.0)) == pytest.approx(1.0)
    assert normalised_error(Estimate(100.0, 4.0), Estimate(105.0, 3.0)) == pytest.approx(-1.0)
    assert agree([Estimate(104.99, 3.0), Estimate(100.0, 4.0)])
    assert not agree([Estimate(105.01, 3.0), Estimate(100.0, 4.0)])


def test_the_normalised_error_is_that_of_a_published_example() -> None:
    """Guards E_n against NIST: Dataplot's reference manual, ISO 13528 EN SCORE, its example on the data GEAR.DAT.

    The assigned value is 1 and its U twice the deviation of all 100 diameters; a laboratory is a batch, its U twice the
    batch's deviation. The manual prints these four of the first batch.
    """
    diameters = [thousandths / 1000.0 for thousandths in map(int, _GEAR_DAT.split())]
    assigned = Estimate(1.0, 2.0 * statistics.stdev(diameters))
    u = 2.0 * statistics.stdev(diameters[:10])
    assert round(u, 3) == 0.009
    found = [round(normalised_error(Estimate(diameter, u), assigned), 3) for diameter in diameters[:4]]
    assert found == [0.393, -0.262, -0.131, 0.0]


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
