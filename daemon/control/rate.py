"""What an injector's calibration promises at its drive, and how far its meter is from that.

The meter is judged against the drive that was commanded, not against the rate that was wanted: the trim moves the drive
until the meter shows the rate that was wanted, and so hides a meter that lies. Which of the two is wrong, the meter or
what the injector gives, the rate cannot tell.
"""

import itertools
import math
from typing import NamedTuple

from daemon.dosing.estimates import k2_of_class_pct
from daemon.equipment import Injector, MeteringPump

SETTLED_S = 15.0
"""What an injector gives says nothing of its calibration until it has been on for this long in one go: a metering pump
follows its drive within a few seconds, and its hose and valves fill (engineering judgement)."""
_WINDOW_S = 60.0
_WINDOW_COUNTS = 100.0
"""A window that the meter counts so often in is read to 1 %: its ends may each cut a count in two."""
_LEAST_OFF = 0.1
_DEVIATIONS = 1.5
"""Times the k = 2 of calibration and meter together. At k = 2 itself one sound plant in twenty would alarm; at three
standard deviations one in four hundred does, and a meter off by 15 % is still seen where the two are within 6.6 %."""
_FAR_OFF = 0.3
_FAR_TIMES = 2.0


class Rate(NamedTuple):
    """Memory of one injector's rate."""

    on_s: float = 0.0
    """How long it has been on in one go, the rests of a pump paced by its on-time among it."""
    passed_s: float = 0.0
    """Of the window under way."""
    metered_l: float = 0.0
    promised_l: float = 0.0
    off: float = 0.0
    """By how much of what was promised the meter showed more, or less, over the last full window; 0 while there is
    none."""


_OFF = Rate()


def drive_for(injector: MeteringPump, rate_l_h: float) -> float:
    """Return the drive, 0 to 1, at which the calibration curve gives `rate_l_h`; clamped to the curve's ends."""
    points = injector.curve
    if rate_l_h <= points[0][1]:
        return points[0][0]
    for (drive_0, rate_0), (drive_1, rate_1) in itertools.pairwise(points):
        if rate_l_h <= rate_1:
            return drive_0 + (drive_1 - drive_0) * (rate_l_h - rate_0) / (rate_1 - rate_0)
    return points[-1][0]


def promised_l_h(injector: Injector, drive: float) -> float:
    """Return the rate of an injector that is on: by its curve at `drive`, clamped to its ends, or its one rate."""
    if not isinstance(injector, MeteringPump):
        return injector.rate_l_h
    points = injector.curve
    if drive <= points[0][0]:
        return points[0][1]
    for (drive_0, rate_0), (drive_1, rate_1) in itertools.pairwise(points):
        if drive <= drive_1:
            return rate_0 + (rate_1 - rate_0) * (drive - drive_0) / (drive_1 - drive_0)
    return points[-1][1]


def follow_rate(injector: Injector, memory: Rate, drive: float | None, metered_l: float, dt_s: float) -> Rate:
    """Return the memory after a scan in which `metered_l` came at `drive`: 0 in a rest, None while it is off.

    A window ends once it is long enough and its counts are many enough, and the next one begins.
    """
    if drive is None:
        return _OFF
    on_s = memory.on_s + dt_s
    if on_s <= SETTLED_S:
        return Rate(on_s)
    passed_s, metered_l = memory.passed_s + dt_s, memory.metered_l + metered_l
    promised_l = memory.promised_l + (promised_l_h(injector, drive) * dt_s / 3600.0 if drive else 0.0)
    if passed_s < _WINDOW_S or promised_l < _WINDOW_COUNTS * (injector.meter.per_count or 0.0) or promised_l <= 0.0:
        return Rate(on_s, passed_s, metered_l, promised_l, memory.off)
    return Rate(on_s, off=metered_l / promised_l - 1.0)


def is_off_band(injector: Injector, off: float) -> bool:
    """Return whether meter and calibration are further apart than sound ones are."""
    return abs(off) > _LEAST_OFF and abs(off) > _band(injector)


def is_far_off(injector: Injector, off: float) -> bool:
    """Return whether they are so far apart that nobody knows what is injected."""
    return abs(off) > _FAR_OFF and abs(off) > _FAR_TIMES * _band(injector)


def seen_within_s(injector: Injector) -> float:
    """Return the time in which a rate that is off is seen: it may begin within one window, and fills the next.

    At the lowest rate that is planned; a pump that gives less takes longer to make its counts.
    """
    counts_s = _WINDOW_COUNTS * (injector.meter.per_count or 0.0) * 3600.0 / max(injector.lowest_l_h, 1.0)
    return SETTLED_S + 2.0 * max(_WINDOW_S, counts_s)


def _band(injector: Injector) -> float:
    meter_pct = k2_of_class_pct(injector.meter.accuracy_pct_of_reading)
    return max(_LEAST_OFF, _DEVIATIONS * math.hypot(injector.accuracy_pct, meter_pct) / 100.0)
