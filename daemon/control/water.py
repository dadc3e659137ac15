"""Pump and block valves in their order: a valve open before the pump, the pump off before the last valve."""

from typing import NamedTuple

from daemon.control.image import Outputs
from daemon.control.sense import Facts
from daemon.site import Site

_HOUR_S = 3600.0


class Water(NamedTuple):
    """Memory of pump and valves. Fresh memory counts as a stop just now: nobody knows when the pump last ran."""

    valves_s: float = 0.0
    """How long the wanted valves have been commanded open."""
    off_s: float = 0.0
    """How long the pump has been commanded off."""
    starts_s: tuple[float, ...] = ()
    """Ages of the pump's starts within the last hour."""


class WaterWant(NamedTuple):
    """What pump and valves should do, before the gate has judged it."""

    pump: bool
    blocks: frozenset[str]


def water(
    site: Site, memory: Water, blocks: frozenset[str], is_cut: bool, facts: Facts, last: Outputs
) -> tuple[Water, WaterWant]:
    """Return the memory and what pump and valves should do for `blocks` (none: no water is wanted).

    `is_cut` takes the pump's energy away at once. Otherwise the pump waits until the injection is shut behind it, and
    the valves until the pump has run down: a valve slammed on a moving column hammers the main. Nothing opens or
    starts while the safety circuit or the output module cannot be read.
    """
    dt_s = facts.dt_s
    starts_s = tuple(age + dt_s for age in memory.starts_s if age + dt_s < _HOUR_S)
    off_s = 0.0 if last.pump else memory.off_s + dt_s
    if blocks and not is_cut:
        valves_s = memory.valves_s + dt_s if blocks <= last.blocks else 0.0
        are_open = blocks <= last.blocks and valves_s >= max(site.block[name].travel_s for name in blocks)
        is_sure = facts.emergency_stop_healthy is True and facts.selector_auto is True and facts.outputs_seen
        may_start = is_sure and off_s >= site.pump.min_off_s and len(starts_s) < site.pump.max_starts_per_hour
        pump = are_open and (last.pump or may_start)
        if pump and not last.pump:
            starts_s = (*starts_s, 0.0)
        return Water(valves_s, off_s, starts_s), WaterWant(pump, blocks if is_sure else blocks & last.blocks)
    is_injection_shut = not any(channel.run or channel.valve for channel in last.channels.values())
    pump = last.pump and not is_cut and not is_injection_shut
    has_run_down = not last.pump and off_s >= site.pump.run_down_s
    return Water(0.0, off_s, starts_s), WaterWant(pump, frozenset() if has_run_down else last.blocks)
