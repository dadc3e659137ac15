"""What one injection channel shows: its meter and its tank's level, and what they say of the injector."""

import math
from typing import NamedTuple

from daemon.control.image import ChannelImage, ChannelOutput, Now
from daemon.control.rate import Rate, follow_rate
from daemon.control.readings import is_good, moved_l
from daemon.control.tank_rest import TankRest, falls_l_h, followed
from daemon.equipment import Injector, Signal
from daemon.site import Plant

_SIPHON_WINDOW_S = 60.0
_SIPHON_COUNTS = 3
"""Counts that must be seen: one may be a drop or a jolt of the meter."""
_MOST_RATES = 10.0
_MOST_COUNTS = 3.0
"""A meter that moved further than this times what the injector can give in that time, and so many counts, was reset,
exchanged or misread. Generous: what a siphon draws past a pump's head must still be seen (engineering judgement)."""
_LEVEL_STEP = 0.01
"""A step under this share of the tank is never looked at: waves and noise."""
_LEVEL_ACCURACIES = 2.0
_LEVEL_RATES = 2.0
"""A level that moves further in a scan than twice what it may be off by, and twice what the injector could draw, moves
faster than physics (engineering judgement: one poured canister is slower than that)."""
_LEVEL_SETTLES_S = 10.0


class ChannelFacts(NamedTuple):
    """One injection channel, this scan."""

    meter_good: bool
    moved_l: float
    """Stock metered since the last scan."""
    silent_s: float
    """How long the injector has been on with nothing counted."""
    idle_l_h: float
    """Stock flow with the injector off and the selector in Auto, over the last full window."""
    content_good: bool
    content_l: float
    content_jumped: bool = False
    """The level moved faster than it can while injecting, and has not been steady for long enough since."""
    leaps: bool = False
    """The meter's count went back, or further than the injector can make it: what was injected meanwhile is unknown."""
    rate_off: float = 0.0
    """By how much of what its calibration promises the meter shows more, or less; 0 while that is not known."""
    falls_l_h: float = 0.0
    """How fast its tank's level falls with nothing drawn from it; 0 while that is not sure."""


class ChannelSense(NamedTuple):
    """Memory of one injector's meter and its tank's level."""

    count_l: float = math.nan
    silent_s: float = 0.0
    idle_s: float = 0.0
    idle_moved_l: float = 0.0
    idle_l_h: float = 0.0
    was_on: bool = False
    """The injector was on at some time since the last good reading: what shows next may be of that time."""
    rate: Rate = Rate()
    level_l: float = math.nan
    """Last read."""
    doubt_s: float = 0.0
    """How much longer it must be steady to be believed."""
    gap_s: float = 0.0
    """Time since the meter was last read."""
    rest: TankRest = TankRest()


_SHUT = ChannelOutput()
_AT_WORK = TankRest()


def sense_channel(
    plant: Plant,
    name: str,
    before: ChannelSense,
    seen: ChannelImage,
    held: ChannelOutput | None,
    is_auto: bool,
    is_obeyed: bool,
    is_tank_at_rest: bool,
    now: Now,
) -> tuple[ChannelSense, ChannelFacts, bool]:
    """Return the new memory, this scan's facts and whether the meter's counter was reset.

    `held` is what was last commanded. Where the selector is not known to be in Auto somebody may inject by hand: what
    then flows is no siphon; neither is what an output module lets through that is not known to hold its commands.
    `is_tank_at_rest`: no injector is told to draw from its tank, and none by hand.
    """
    injector = plant.site.injector[name]
    tank = plant.site.tank[injector.tank]
    held = held or _SHUT
    meter_good = is_good(seen.stock_l, injector.meter, now)
    count_l, litres, is_reset, gap_s = before.count_l, 0.0, False, before.gap_s + now.dt_s
    if meter_good:
        most_l = _MOST_RATES * injector.highest_l_h / 3600.0 * gap_s + _MOST_COUNTS * (injector.meter.per_count or 0.0)
        litres, is_reset = moved_l(plant, injector.meter, before.count_l, seen.stock_l.value, most_l)
        count_l, gap_s = seen.stock_l.value, 0.0
    silent_s = 0.0
    if litres == 0.0 and meter_good and held.valve:  # a pump paced by its on-time is silent over its rests
        silent_s = before.silent_s + now.dt_s if held.run else before.silent_s
    idle_s, idle_moved_l, idle_l_h = before.idle_s, before.idle_moved_l, before.idle_l_h
    if held.run or not is_auto:
        idle_s = idle_moved_l = idle_l_h = 0.0
    elif is_obeyed:
        idle_s += now.dt_s
        idle_moved_l += 0.0 if before.was_on else litres
        if idle_s >= _SIPHON_WINDOW_S:
            least_l = _SIPHON_COUNTS * (injector.meter.per_count or 0.0)
            idle_l_h = idle_moved_l * 3600.0 / idle_s if idle_moved_l > least_l else 0.0
            idle_s = idle_moved_l = 0.0
    rate = before.rate
    if held.valve or rate.on_s:
        is_on = held.valve and meter_good and not is_reset
        rate = follow_rate(injector, rate, held.drive if is_on else None, litres, now.dt_s)
    level_l, doubt_s = before.level_l, max(0.0, before.doubt_s - now.dt_s)
    content_good = tank.content is not None and is_good(seen.content_l, tank.content, now)
    if content_good and tank.content is not None:
        level_l = seen.content_l.value
        step_l = abs(level_l - before.level_l)
        if step_l > _LEVEL_STEP * tank.volume_l and (held.valve or before.doubt_s > 0.0):
            doubt_s = _LEVEL_SETTLES_S if step_l > _most_step_l(injector, tank.content, level_l, now) else doubt_s
    rest = before.rest if is_tank_at_rest else _AT_WORK
    if content_good and is_tank_at_rest:
        rest = followed(rest, level_l, _LEVEL_STEP * tank.volume_l, now.dt_s)
    facts = ChannelFacts(
        meter_good=meter_good,
        moved_l=litres,
        silent_s=silent_s,
        idle_l_h=idle_l_h,
        content_good=content_good and doubt_s <= 0.0,
        content_l=level_l if content_good and doubt_s <= 0.0 else 0.0,
        content_jumped=content_good and doubt_s > 0.0,
        leaps=is_reset,
        rate_off=rate.off,
        falls_l_h=falls_l_h(rest, _off_l(tank.content, level_l)) if tank.content is not None else 0.0,
    )
    was_on = held.run or not is_auto or not is_obeyed or (before.was_on and not meter_good)
    idle = (idle_s, idle_moved_l, idle_l_h)
    return ChannelSense(count_l, silent_s, *idle, was_on, rate, level_l, doubt_s, gap_s, rest), facts, is_reset


def _most_step_l(injector: Injector, signal: Signal, level_l: float, now: Now) -> float:
    """Return how far a sound level may move in one scan while the injector draws from the tank."""
    return _LEVEL_ACCURACIES * _off_l(signal, level_l) + _LEVEL_RATES * injector.highest_l_h / 3600.0 * now.dt_s


def _off_l(signal: Signal, level_l: float) -> float:
    """Return what a level may be off by."""
    return signal.accuracy_pct_of_span / 100.0 * signal.span + signal.accuracy_pct_of_reading / 100.0 * abs(level_l)
