"""When a reading has become steady: how long a block takes to fill, and how much water."""

from collections.abc import Sequence
from statistics import median
from typing import Final, NamedTuple

_BAND: Final = 0.03
"""Of the value that it settles at (common practice, no source)."""
_SETTLED: Final = 0.25
"""Part of the record, at its end, that tells what it settles at."""
_FEWEST: Final = 8


class Watched(NamedTuple):
    """One reading with the water that had passed by then."""

    at_s: float
    value: float
    passed_l: float


class Steady(NamedTuple):
    """When a reading became steady."""

    at_s: float
    passed_l: float
    value: float
    """What it settled at."""


def steady_from(readings: Sequence[Watched], band: float = _BAND) -> Steady:
    """Return from when on a reading stays within a band of what it settles at.

    Raises ValueError for too few readings, and where the record's own end is not steady.
    """
    if len(readings) < _FEWEST:
        raise ValueError(f"got {len(readings)} readings; expected {_FEWEST} or more, until long after it is steady")
    ordered = sorted(readings)
    end = ordered[len(ordered) - max(3, round(_SETTLED * len(ordered))) :]
    value = median(one.value for one in end)
    width = band * abs(value)
    if any(abs(one.value - value) > width for one in end):
        raise ValueError(f"got readings that go on changing by more than {100.0 * band:g} %; expected a steady end")
    first = len(ordered) - 1
    while first > 0 and abs(ordered[first - 1].value - value) <= width:
        first -= 1
    return Steady(ordered[first].at_s, ordered[first].passed_l, value)
