"""Pump and block valves in their order: a valve open before the pump, the pump off before the last valve."""

from typing import NamedTuple

from daemon.control.image import Outputs
from daemon.control.sense import Facts
from daemon.equipment import VariableSpeedPump
from daemon.site import Site

_HOUR_S = 3600.0
_GAIN = 2.0
"""A drive moves at its ramp when the pressure is off by half of what it should hold, and slower in proportion."""


class Water(NamedTuple):
    """Memory of pump and valves. Fresh memory counts as a stop just now: nobody knows when the pump last ran."""

    valves_s: float = 0.0
    """How long the wanted valves have been commanded open."""
    off_s: float = 0.0
    """How long the pump has been commanded off, with nobody else to start it."""
    starts_s: tuple[float, ...] = ()
    """Ages of the pump's starts within the last hour."""


class WaterWant(NamedTuple):
    """What pump and valves should do, before the gate has judged it."""

    pump: bool
    pump_speed: float
    blocks: frozenset[str]
    are_open: bool = False
    """All of them have been open for their travel time."""


def water(
    site: Site,
    memory: Water,
    blocks: frozenset[str],
    is_cut: bool,
    facts: Facts,
    last: Outputs,
    opened: frozenset[str] = frozenset(),
) -> tuple[Water, WaterWant]:
    """Return the memory and what pump and valves should do for `blocks` (none: no water is wanted).

    `opened` are valves that stand open, by somebody's force, while the supply is not wanted.

    `is_cut` takes the pump's energy away at once. Otherwise the pump waits until the injection is shut behind it, and
    the valves until the pump has run down: a valve slammed on a moving column hammers the main. At a change of shift
    the last valves stay open until the next have been open for the overlap. Nothing opens or starts while the safety
    circuit or the output module cannot be read.
    """
    dt_s = facts.dt_s
    is_sure = facts.emergency_stop_healthy is True and facts.selector_auto is True and facts.outputs_seen
    starts_s = tuple(age + dt_s for age in memory.starts_s if age + dt_s < _HOUR_S)
    was_on = last.pump and not facts.has_restarted  # a pump that dropped out with the module rests before it starts
    off_s = 0.0 if last.pump or facts.selector_auto is False else memory.off_s + dt_s  # a hand may have had it on
    if blocks and not is_cut:
        valves_s = memory.valves_s + dt_s if blocks <= last.blocks else 0.0
        travel_s = max(site.block[name].travel_s for name in blocks)
        are_open = blocks <= last.blocks and valves_s >= travel_s
        if was_on:
            pump = bool(last.blocks)  # what it has run against stays open until the next are
        else:
            pump = are_open and is_sure and _may_start(site, off_s, starts_s)
            starts_s = (*starts_s, 0.0) if pump else starts_s
        is_handed_over = valves_s >= travel_s + site.limits.overlap_s or not last.pump
        closing = frozenset() if is_handed_over else last.blocks - blocks
        want = blocks | closing if is_sure else (blocks | closing) & last.blocks
        return Water(valves_s, off_s, starts_s), WaterWant(pump, _speed(site, pump, facts, last), want, are_open)
    is_injection_shut = not any(channel.run or channel.valve for channel in last.channels.values())
    pump = was_on and not is_cut and not is_injection_shut
    run_down_s = site.pump.run_down_s if site.pump is not None else 0.0
    has_run_down = not last.pump and off_s >= run_down_s
    left = frozenset() if has_run_down else last.blocks
    if not is_cut:
        left |= opened if is_sure else opened & last.blocks
    return Water(0.0, off_s, starts_s), WaterWant(pump, _speed(site, pump, facts, last), left)


def _may_start(site: Site, off_s: float, starts_s: tuple[float, ...]) -> bool:
    pump = site.pump
    return pump is None or (off_s >= pump.min_off_s and len(starts_s) < pump.max_starts_per_hour)


def _speed(site: Site, pump: bool, facts: Facts, last: Outputs) -> float:
    """Return the speed of a pump on a drive: up its ramp from rest, then whatever holds its pressure."""
    sheet = site.pump
    if not pump or not isinstance(sheet, VariableSpeedPump):
        return 0.0
    if last.pump_speed < sheet.lowest_speed or not facts.pressure_good:
        return max(last.pump_speed, sheet.lowest_speed)
    off = (sheet.pressure_kpa - facts.pressure_kpa) / sheet.pressure_kpa
    step = max(-1.0, min(1.0, _GAIN * off)) * facts.dt_s / sheet.ramp_s
    return max(sheet.lowest_speed, min(1.0, last.pump_speed + step))
