"""A tank that nothing draws from: how fast its level falls all the same, as a leak or a slow siphon makes it."""

import math
from typing import Final, NamedTuple

_SMOOTHED_S: Final = 600.0
"""Waves and noise are gone in this time, and a leak that matters takes hours (engineering judgement)."""
_LEAST_L_H: Final = 1.0
"""Less is what a tank does by its temperature (engineering judgement)."""


class TankRest(NamedTuple):
    """Memory of a level while nothing draws from its tank."""

    rests_s: float = 0.0
    full_l: float = math.nan
    """Its highest smoothed level since it came to rest."""
    level_l: float = math.nan
    """Smoothed."""
    since_s: float = 0.0
    """Since it was at its highest."""


def followed(memory: TankRest, level_l: float, step_l: float, dt_s: float) -> TankRest:
    """Return the memory after one more good reading at rest. One further than `step_l` from the last begins anew."""
    if dt_s <= 0.0:
        return memory
    if not abs(level_l - memory.level_l) <= step_l:  # NaN at first
        return TankRest(dt_s, level_l, level_l)
    rests_s = memory.rests_s + dt_s
    level_l = memory.level_l + dt_s / min(rests_s, max(_SMOOTHED_S, dt_s)) * (level_l - memory.level_l)
    if rests_s <= _SMOOTHED_S or level_l >= memory.full_l:
        return TankRest(rests_s, level_l, level_l)
    return TankRest(rests_s, memory.full_l, level_l, memory.since_s + dt_s)


def falls_l_h(memory: TankRest, least_l: float) -> float:
    """Return how fast it falls; 0 while it has not fallen by `least_l`, which the gauge may be off by."""
    fallen_l = memory.full_l - memory.level_l
    if memory.since_s <= 0.0 or fallen_l < least_l:
        return 0.0
    rate_l_h = fallen_l * 3600.0 / memory.since_s
    return rate_l_h if rate_l_h >= _LEAST_L_H else 0.0
