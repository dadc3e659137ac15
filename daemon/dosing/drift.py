"""A residual that is small each night and always the same way: a tabular CUSUM across events (ISO 7870-4)."""

from typing import NamedTuple


class Drift(NamedTuple):
    """Memory of one residual, in its own standard deviations."""

    high: float = 0.0
    """How far it has gone up, less what chance allows."""
    low: float = 0.0
    """How far down."""


def followed(memory: Drift, residual: float, allowance: float) -> Drift:
    """Return the memory after one more event (Page 1954).

    `residual` is what one event was off by and `allowance` half of the shift that is to be found, both in standard
    deviations. A shift of twice the allowance moves one of the sums by the allowance at each event.
    """
    return Drift(max(0.0, memory.high + residual - allowance), max(0.0, memory.low - residual - allowance))


def drifts(memory: Drift, limit: float) -> int:
    """Return 1 for a residual that has gone up past the limit, -1 for down, 0 for neither."""
    if max(memory.high, memory.low) <= limit:
        return 0
    return 1 if memory.high > memory.low else -1
