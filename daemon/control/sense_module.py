"""What the output module shows of itself: whether it holds what was commanded, has restarted, or stands still."""

import math
from collections.abc import Mapping
from typing import Final, NamedTuple

from daemon.control.image import Image, Now, Outputs
from daemon.control.readings import SWITCH_STALE_S, is_seen
from daemon.site import Site
from drivers.reading import Quality, Reading

_FROZEN_S: Final = 5.0
"""A clock that counts seconds and stands for longer than this stands (engineering judgement)."""
_NOTHING: Final = frozenset[str]()


class ModuleSense(NamedTuple):
    """Memory of the output module."""

    uptime_s: float = math.nan
    still_s: float = 0.0
    """How long its clock has stood."""
    on: frozenset[str] = _NOTHING
    """What it was last seen to have on."""
    self_clears: bool = False


class ModuleFacts(NamedTuple):
    """The output module, this scan."""

    is_seen: bool
    """Its outputs could be read."""
    matches: bool
    """It holds what was last commanded, or could not be read."""
    has_restarted: bool
    is_frozen: bool
    watchdog_armed: bool
    self_clears: bool
    """Its time-out clears itself, as far as was last known."""


def sense_module(
    site: Site, memory: ModuleSense, image: Image, last: Outputs, now: Now
) -> tuple[ModuleSense, ModuleFacts]:
    """Return the new memory and what the module shows. A restart is a fact of the one scan that finds it.

    It has restarted where its clock went back, and where all that it had on, and should have on, is off at once.
    """
    seen = image.outputs
    on, wanted, outputs_seen = memory.on, _NOTHING, True
    oldest_s, good = now.at_s - SWITCH_STALE_S, Quality.GOOD
    for reading in seen.values():
        if reading.quality is not good or reading.at_s < oldest_s:
            outputs_seen = False
    if outputs_seen:
        on, wanted = frozenset([role for role, state in seen.items() if state.value >= 0.5]), _wanted(seen, last)
    matches = not outputs_seen or on == wanted
    has_restarted = not matches and not on and not memory.on.isdisjoint(wanted)
    uptime_s, still_s = memory.uptime_s, memory.still_s
    uptime = image.output_uptime_s
    if uptime is not None and is_seen(uptime, now):
        still_s = still_s + now.dt_s if uptime.value == uptime_s else 0.0
        has_restarted = has_restarted or uptime.value < uptime_s
        uptime_s = uptime.value
    self_clears = memory.self_clears
    if image.watchdog_self_clears is not None and is_seen(image.watchdog_self_clears, now):
        self_clears = image.watchdog_self_clears.value >= 0.5
    watchdog = image.output_watchdog_s
    is_armed = is_seen(watchdog, now) and 0.0 < watchdog.value <= site.safety.max_watchdog_s
    return ModuleSense(uptime_s, still_s, on, self_clears), ModuleFacts(
        outputs_seen, matches, has_restarted, still_s > _FROZEN_S, is_armed, self_clears
    )


def _wanted(seen: Mapping[str, Reading], last: Outputs) -> frozenset[str]:
    """Return the outputs that were last commanded on, of those that the module shows."""
    wanted = {f"valve.{block}" for block in last.blocks}
    if last.pump:
        wanted.add("pump")
    if last.backwash:
        wanted.add("backwash")
    for name, channel in last.channels.items():
        if channel.valve:
            wanted.add(f"injection_valve.{name}")
        if channel.run:
            wanted.add(f"injector.{name}")
    return frozenset([role for role in wanted if role in seen])
