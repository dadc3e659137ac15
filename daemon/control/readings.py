"""What a single reading proves: quality and age, switches, and how far a totaliser moved over wrap and reset."""

import math
from typing import Final

from daemon.control.image import Now
from daemon.equipment import Signal
from daemon.site import Plant
from drivers.codec import Movement, count_moved
from drivers.reading import Quality, Reading

SWITCH_STALE_S: Final = 5.0
"""A switch has no key of its own for this in the site file."""


def is_good(reading: Reading, signal: Signal, now: Now) -> bool:
    """Return whether a signal's reading is GOOD and no older than the signal may be."""
    return reading.quality is Quality.GOOD and now.at_s - reading.at_s <= signal.stale_s


def is_seen(reading: Reading, now: Now) -> bool:
    """Return whether a reading that has no signal of its own is GOOD and not stale."""
    return reading.quality is Quality.GOOD and now.at_s - reading.at_s <= SWITCH_STALE_S


def switched(reading: Reading, now: Now) -> bool | None:
    """Return whether a switch is on; None when it is not known."""
    return reading.value >= 0.5 if is_seen(reading, now) else None


def moved_l(plant: Plant, signal: Signal, before_l: float, now_l: float, most_l: float) -> tuple[float, bool]:
    """Return the litres a totaliser moved and whether it was reset. The first reading after a start moves nothing."""
    if now_l == before_l or math.isnan(before_l):
        return 0.0, False
    if before_l < now_l <= before_l + most_l:
        return now_l - before_l, False
    step_l = signal.per_count or 1.0
    bits = plant.points[signal.point].counter_bits or 32
    step = count_moved(round(before_l / step_l), round(now_l / step_l), bits, most_l / step_l)
    return step.counts * step_l, step.kind in (Movement.RESET, Movement.IMPLAUSIBLE)
