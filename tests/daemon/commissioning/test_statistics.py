"""Few readings tell a mean and a line only so well: intervals against a reference library, and against many draws."""

import random
from statistics import linear_regression

import pytest

from daemon.commissioning.statistics import line_through, mean_of, t95

_TABLE = {
    1: 12.706,
    2: 4.303,
    3: 3.182,
    4: 2.776,
    5: 2.571,
    6: 2.447,
    8: 2.306,
    10: 2.228,
    15: 2.131,
    30: 2.042,
    120: 1.980,
}
"""Two-sided 95 % points of Student's t by degrees of freedom, as scipy.stats.t.ppf(0.975, n) computes them."""


@pytest.mark.parametrize("degrees", _TABLE)
def test_students_t(degrees: int) -> None:
    """Within a quarter of a percent of a general reference library, the few degrees of a field test above all."""
    assert t95(degrees) == pytest.approx(_TABLE[degrees], rel=0.0025)


def test_an_interval_holds_the_truth_as_often_as_it_says() -> None:
    """19 of 20 for a mean of three, and for the middle and an end of a line through six."""
    dice = random.Random(11)
    held = {"mean": 0, "middle": 0, "end": 0}
    count = 4000
    for _ in range(count):
        mean = mean_of([dice.gauss(50.0, 2.0) for _ in range(3)])
        held["mean"] += abs(mean.value - 50.0) <= mean.u
        line = line_through([(x, dice.gauss(10.0 + 3.0 * x, 1.0)) for x in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0)])
        held["middle"] += abs(line.at(2.5).value - 17.5) <= line.at(2.5).u
        held["end"] += abs(line.at(5.0).value - 25.0) <= line.at(5.0).u
    for name, found in held.items():
        assert found / count == pytest.approx(0.95, abs=0.012), name


def test_a_line_is_the_librarys() -> None:
    """Slope and offset as Python's own statistics have them; the band is narrowest in the middle."""
    points = [(0.1, 52.0), (0.1, 49.0), (0.5, 251.0), (0.5, 246.0), (1.0, 502.0), (1.0, 495.0)]
    line = line_through(points)
    slope, intercept = linear_regression([x for x, _ in points], [y for _, y in points])
    assert [line.slope, line.offset] == pytest.approx([slope, intercept])
    assert line.at(line.middle).u < line.at(0.1).u and line.at(line.middle).u < line.at(1.0).u
    assert line.slope_u > 0.0


def test_two_points_tell_no_band_and_one_place_no_line() -> None:
    """What cannot be told is not: a line through two points has none, and one place has no line."""
    line = line_through([(0.0, 1.0), (1.0, 2.0)])
    assert (line.at(0.5).value, line.at(0.5).u, line.slope_u) == (1.5, 0.0, 0.0)
    for points in ([], [(1.0, 2.0)], [(1.0, 2.0), (1.0, 3.0)]):
        with pytest.raises(ValueError, match="two places"):
            line_through(points)
    with pytest.raises(ValueError, match="at least two"):
        mean_of([1.0])
    with pytest.raises(ValueError, match="no degree"):
        t95(0)
