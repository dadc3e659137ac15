"""Means, straight lines and how well few readings tell them."""

import math
from collections.abc import Sequence
from statistics import NormalDist, fmean, stdev
from typing import NamedTuple

from daemon.dosing.agreement import Estimate

_EXACT: dict[int, float] = {1: 12.706, 2: 4.303}
"""Two-sided 95 % points of Student's t that the expansion below misses (scipy.stats.t.ppf)."""


def t95(degrees: int) -> float:
    """Return Student's t for a two-sided interval of 95 %.

    Expanded about the normal distribution: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5 (from
    memory; held against scipy by the tests): within 0.25 % from three degrees of freedom on. Raises ValueError below
    one.
    """
    if degrees < 1:
        raise ValueError("got no degree of freedom; expected at least one: take another reading")
    if degrees in _EXACT:
        return _EXACT[degrees]
    z = NormalDist().inv_cdf(0.975)
    terms: tuple[float, ...] = (
        z,
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
        (79.0 * z**9 + 776.0 * z**7 + 1482.0 * z**5 - 1920.0 * z**3 - 945.0 * z) / 92160.0,
    )
    return sum(term / float(degrees) ** power for power, term in enumerate(terms))


def mean_of(values: Sequence[float]) -> Estimate:
    """Return the mean of repeated readings with its interval of 95 % (GUM, JCGM 100:2008, 4.2 and G.3).

    Raises ValueError for fewer than two.
    """
    if len(values) < 2:
        raise ValueError(f"got {len(values)} readings; expected at least two, to tell how well they repeat")
    return Estimate(fmean(values), t95(len(values) - 1) * stdev(values) / math.sqrt(len(values)))


class Line(NamedTuple):
    """A straight line through points, by least squares, and what it leaves unsure."""

    slope: float
    offset: float
    deviation: float
    """Standard deviation of the points about it, of one whose weight is 1; 0 for two points."""
    points: int
    middle: float
    """Mean of what the line goes along, by weight."""
    weight: float
    """Sum of the weights."""
    spread: float
    """Sum of squares about the middle, by weight."""

    def at(self, x: float) -> Estimate:
        """Return what the line says there, with the interval of 95 % of the line itself (not of one more reading)."""
        value = self.offset + self.slope * x
        if self.points < 3:
            return Estimate(value, 0.0)
        root = math.sqrt(1.0 / self.weight + (x - self.middle) ** 2 / self.spread)
        return Estimate(value, t95(self.points - 2) * self.deviation * root)

    @property
    def slope_u(self) -> float:
        """Return the half width of the slope's interval of 95 %; 0 for two points."""
        return t95(self.points - 2) * self.deviation / math.sqrt(self.spread) if self.points > 2 else 0.0


def line_through(points: Sequence[tuple[float, float]], weights: Sequence[float] = ()) -> Line:
    """Return the least-squares line through (x, y), each by its weight: one over the square of how unsure it is.

    Without weights all are alike. Raises ValueError for fewer than two different x.
    """
    weights = weights or [1.0] * len(points)
    whole = sum(weights)
    middle = sum(w * x for w, (x, _) in zip(weights, points, strict=True)) / whole if points else 0.0
    spread = sum(w * (x - middle) ** 2 for w, (x, _) in zip(weights, points, strict=True))
    if spread <= 0.0:
        raise ValueError(f"got {len(points)} points at one place; expected two places at least")
    level = sum(w * y for w, (_, y) in zip(weights, points, strict=True)) / whole
    slope = sum(w * (x - middle) * (y - level) for w, (x, y) in zip(weights, points, strict=True)) / spread
    offset = level - slope * middle
    off = sum(w * (y - offset - slope * x) ** 2 for w, (x, y) in zip(weights, points, strict=True))
    deviation = math.sqrt(off / (len(points) - 2)) if len(points) > 2 else 0.0
    return Line(slope, offset, deviation, len(points), middle, whole, spread)
