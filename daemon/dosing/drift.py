"""A residual that is small each night and always the same way: a tabular CUSUM across events (ISO 7870-4)."""

from collections.abc import Iterable
from typing import Final, NamedTuple

from daemon.evidence import DoseReconciled

ALLOWANCE: Final = 2.5
"""Standard deviations of one event. What a class permits stays within it for good, and is no drift: with less, a meter
that is right would be flagged after some months."""
LIMIT: Final = 5.0
_PER_EN: Final = 2.0
"""Standard deviations to a normalised error of 1, whose bands are k = 2."""


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


def drifting(events: Iterable[DoseReconciled]) -> tuple[str, ...]:
    """Return what one channel's events, oldest first, say together of it, as keys of `reconcile.CAUSES`.

    None while nothing drifts. A channel's events from before its meter, probe or gauge was calibrated say nothing of it
    now: leave them out.
    """
    volume = strength = Drift()
    for event in events:
        if not event.tank_silent:
            volume = followed(volume, _PER_EN * event.volume_en_thousandths / 1000.0, ALLOWANCE)
        if not event.ec_silent:
            strength = followed(strength, _PER_EN * event.strength_en_thousandths / 1000.0, ALLOWANCE)
    way = drifts(volume, LIMIT)
    if way:
        return ("meter-high", "gauge") if way > 0 else ("meter-low", "tank-leaks", "gauge")
    way = drifts(strength, LIMIT)
    if way:
        return ("mix-strong", "probe") if way > 0 else ("mix-weak", "probe")
    return ()
