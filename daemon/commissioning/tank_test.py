"""A displacement tank's effective volume, from how its stock thins out while water runs through it.

Fully mixed, C = C0 exp(-Q t/V) (row T1 of the domain sheet): the logarithm falls along a straight line. Real tanks are
less than fully mixed, so the volume that fits is the one to plan by, not the one on the plate.
"""

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

from daemon.commissioning.statistics import line_through
from daemon.dosing.agreement import Estimate

_FEWEST: Final = 5
_LEAST: Final = 0.03
"""Of the first rise: what is weaker is lost in the water's own EC (engineering judgement)."""


class Thinned(NamedTuple):
    """One reading of what comes out."""

    through_l: float
    """Water through the tank since it was opened."""
    ms_cm: float


class TankResult(NamedTuple):
    """What a record of the outlet came to."""

    volume_l: Estimate
    """Effective, with its interval of 95 %."""
    volumes: float
    """Tank volumes that passed in the record."""


def tank_result(readings: Sequence[Thinned], background_ms_cm: float) -> TankResult:
    """Return the effective volume that a record of the outlet's EC fits.

    Raises ValueError for too few readings above the water's own EC, and for stock that does not thin out: while
    undissolved solids lie in the tank, what comes out is saturated and stays so.
    """
    rises = [(one.through_l, one.ms_cm - background_ms_cm) for one in sorted(readings)]
    first = max((rise for _, rise in rises), default=0.0)
    used = [(through_l, rise) for through_l, rise in rises if rise > _LEAST * first > 0.0]
    if len(used) < _FEWEST:
        raise ValueError(f"got {len(used)} readings above the water's own EC; expected {_FEWEST} or more")
    # A reading errs by much the same everywhere, and its logarithm by the more the weaker it is.
    line = line_through([(through_l, math.log(rise)) for through_l, rise in used], [rise**2 for _, rise in used])
    if line.slope + line.slope_u >= 0.0:
        raise ValueError("got stock that does not thin out; expected it weaker and weaker: is there salt undissolved?")
    volume_l = -1.0 / line.slope
    passed_l = used[-1][0] - used[0][0]
    return TankResult(Estimate(volume_l, volume_l * line.slope_u / -line.slope), passed_l / volume_l)
