"""What a tank's level says of the stock that was drawn from it: by how much it fell more than the meter counted.

The level shivers and sloshes, and it falls while it is averaged. The difference to the meter stands still as long as
both are right, so that difference is what is smoothed: no lag, and once the injector rests the level alone decides.
"""

import math
from typing import NamedTuple

_SMOOTHED_S = 60.0
"""A jolt of the level is gone in this time (engineering judgement)."""
_SETTLED_S = 3.0 * _SMOOTHED_S
"""After the last stock the smoothed level follows what is left in the tank (engineering judgement)."""


class DrawDown(NamedTuple):
    """Memory of one tank's level over a run."""

    full_l: float = math.nan
    """Mean before the first litre was drawn."""
    full_s: float = 0.0
    """How long it was seen then."""
    more_l: float = 0.0
    """Fallen since by so much more than the meter counted; smoothed."""
    seen_s: float = 0.0
    rests_s: float = 0.0
    """Since the last stock."""
    settled_l: float = 0.0
    """`more_l` as the tank had come to rest."""
    is_lost: bool = False
    """It moved as no injector draws: filled, stirred or knocked, it tells nothing of the run."""

    @property
    def is_known(self) -> bool:
        """Whether it says anything of the run."""
        return self.full_s > 0.0 and self.seen_s > 0.0 and not self.is_lost

    @property
    def idle_s(self) -> float:
        """How long it has been watched with nothing drawn from it."""
        return max(0.0, self.rests_s - _SETTLED_S)

    @property
    def idle_l(self) -> float:
        """How far it has fallen in that time."""
        return self.more_l - self.settled_l if self.rests_s > _SETTLED_S else 0.0


def followed(memory: DrawDown, level_l: float, injected_l: float, dt_s: float, *, is_drawing: bool) -> DrawDown:
    """Return the memory after one more good reading, `injected_l` being what the meter has counted in the run."""
    if injected_l <= 0.0 and not is_drawing and memory.seen_s == 0.0:
        full_s = memory.full_s + dt_s
        full_l = level_l if memory.full_s == 0.0 else memory.full_l + dt_s / full_s * (level_l - memory.full_l)
        return memory._replace(full_l=full_l, full_s=full_s)
    if memory.full_s == 0.0:
        return memory
    seen_s = memory.seen_s + dt_s
    share = dt_s / min(seen_s, max(_SMOOTHED_S, dt_s)) if seen_s > 0.0 else 0.0
    more_l = memory.more_l + share * (memory.full_l - level_l - injected_l - memory.more_l)
    rests_s = 0.0 if is_drawing else memory.rests_s + dt_s
    settled_l = more_l if rests_s <= _SETTLED_S else memory.settled_l
    return DrawDown(memory.full_l, memory.full_s, more_l, seen_s, rests_s, settled_l, memory.is_lost)
