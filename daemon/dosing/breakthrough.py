"""Stock that breaks through at a probe far out in the field: the water that had to pass until half of its rise came."""

import math
from typing import Final, NamedTuple

_HALF: Final = 0.5
_SMOOTHED_S: Final = 60.0
"""A probe's noise is gone in this time (engineering judgement)."""


class Front(NamedTuple):
    """Memory of one far probe in a run."""

    before_ms_cm: float = math.nan
    """Smoothed, before the first stock."""
    before_s: float = 0.0
    rise_ms_cm: float = 0.0
    """Of the stock that comes first; 0 before it does."""
    passed_l: float = 0.0
    """Water on the way to the probe since the first stock."""
    step_l: float = 0.0
    """The largest step in which that was counted."""
    arrived_l: float = math.nan
    """What had passed when half of the rise was there; NaN while it is not."""

    @property
    def has_arrived(self) -> bool:
        """Whether the front was seen."""
        return not math.isnan(self.arrived_l)


def rested(memory: Front, ms_cm: float, dt_s: float) -> Front:
    """Return the memory after one more reading before the first stock."""
    before_s = memory.before_s + dt_s
    if memory.before_s <= 0.0:
        return memory._replace(before_ms_cm=ms_cm, before_s=before_s)
    share = dt_s / min(before_s, max(_SMOOTHED_S, dt_s))
    return memory._replace(before_ms_cm=memory.before_ms_cm + share * (ms_cm - memory.before_ms_cm), before_s=before_s)


def passed(memory: Front, rise_ms_cm: float, ms_cm: float | None, water_l: float) -> Front:
    """Return the memory after one more scan since the first stock, which makes `rise_ms_cm` where it is not mixed.

    `ms_cm` is the probe's reading, None where there is none.
    """
    if memory.before_s <= 0.0 or memory.has_arrived:
        return memory
    memory = memory._replace(
        rise_ms_cm=memory.rise_ms_cm or rise_ms_cm,  # what comes after the first stock comes later
        passed_l=memory.passed_l + water_l,
        step_l=max(memory.step_l, water_l),
    )
    if ms_cm is None or ms_cm - memory.before_ms_cm < _HALF * memory.rise_ms_cm:
        return memory
    return memory._replace(arrived_l=memory.passed_l - 0.5 * memory.step_l)
