"""From readings to facts: what one scan knows of the plant, put together from the senses of its parts."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.control.image import Image, Now, Outputs
from daemon.control.readings import is_good, switched
from daemon.control.sense_channel import ChannelFacts, ChannelSense, sense_channel
from daemon.control.sense_module import ModuleSense, sense_module
from daemon.control.sense_water import PROOF_SCANS, WaterSense, sense_water
from daemon.equipment import Signal
from daemon.site import Plant, Site
from drivers.reading import Reading

__all__ = ["PROOF_SCANS", "ChannelFacts", "ChannelSense", "Facts", "Sense", "sense"]

_NONE_YET: Final[Mapping[str, Any]] = MappingProxyType({})
_NO_CHANNEL: Final = ChannelSense()


class Facts(NamedTuple):
    """What one scan knows of the plant."""

    dt_s: float
    flow_good: bool
    flow_m3_h: float
    flow_proven: bool
    water_good: bool
    water_moved_l: float
    water_stands: bool
    """The totaliser has not moved for much longer than it should with the flow that is shown."""
    pressure_good: bool
    pressure_kpa: float
    pump_running: bool | None
    """None when not known."""
    emergency_stop_healthy: bool | None
    selector_auto: bool | None
    reset_pressed: bool | None
    watchdog_armed: bool
    outputs_seen: bool
    """The output module's own state could be read."""
    outputs_match: bool
    """It holds what was last commanded, or could not be read."""
    commit_late_s: float
    ledger_writable: bool
    durable: int
    channels: Mapping[str, ChannelFacts]
    is_washing: bool | None
    """The filter is being washed; None when not known."""
    is_filter_quiet: bool
    """Known: no wash under way, nor one so short ago that flow and pressure have not recovered."""
    displaces: bool
    """Metered water goes to the field: what goes to a filter's drain before the meter's litres reach it does not."""
    filter_kpa: float
    """Pressure difference over the filter; 0 where it is not measured or not GOOD."""
    ec_rise_ms_cm: float | None
    """EC behind the injection less that of the water before it; None when not known."""
    line_ec_ms_cm: float | None
    """EC behind the injection; None when not known."""
    far_probes: frozenset[str]
    """Blocks with an EC probe at their outermost emitter."""
    far_ec_ms_cm: Mapping[str, float]
    """What those show that can be read."""
    weather: Mapping[str, bool | None]
    """The contacts of the site's weather: on, off or not known."""
    counter_resets: tuple[str, ...]
    """Counters that went back to zero or were exchanged: what they moved meanwhile is not known."""
    has_restarted: bool = False
    """The output module restarted since the last scan: it holds nothing of what was commanded."""
    is_frozen: bool = False
    """The output module answers, and its own clock stands still: what it shows is old."""
    watchdog_self_clears: bool = False
    """The output module's time-out clears itself, as far as was last known."""
    reverse_flow: bool | None = False
    """Water flows back to the source; None when its contact cannot be read and nothing else shows it."""
    is_clock_trusted: bool = True
    idle_m3_h: float = 0.0
    """Flow with pump and valves commanded off for so long that they must be, and the selector in Auto."""


class Sense(NamedTuple):
    """Memory of the senses."""

    water: WaterSense = WaterSense()
    module: ModuleSense = ModuleSense()
    quiet_s: float = math.inf
    """Time since the last backwash, or since it was last not known."""
    channels: Mapping[str, ChannelSense] = _NONE_YET


def sense(plant: Plant, memory: Sense, image: Image, last: Outputs, now: Now) -> tuple[Sense, Facts]:
    """Return the new memory and this scan's facts. A reading that is not GOOD and fresh proves nothing."""
    site = plant.site
    main = site.main
    selector_auto = switched(image.selector_auto, now)
    is_washing = _is_washing(image, last, now)
    quiet_s = memory.quiet_s + now.dt_s if is_washing is False else 0.0
    is_filter_quiet = site.filter is None or quiet_s >= site.filter.recover_s
    water_sense, water = sense_water(
        plant, memory.water, image, last, now, is_auto=selector_auto is True, is_filter_quiet=is_filter_quiet
    )
    module_sense, module = sense_module(site, memory.module, image, last, now)
    resets = ["main"] if water.is_reset else []
    senses: dict[str, ChannelSense] = {}
    channels: dict[str, ChannelFacts] = {}
    is_auto = selector_auto is True
    drawn = {site.injector[name].tank for name, held in last.channels.items() if held.valve or held.run}
    for name, seen in image.channels.items():
        is_at_rest = is_auto and site.injector[name].tank not in drawn
        before, held = memory.channels.get(name, _NO_CHANNEL), last.channels.get(name)
        senses[name], channels[name], is_reset = sense_channel(
            plant, name, before, seen, held, is_auto, module.is_seen and module.matches, is_at_rest, now
        )
        if is_reset:
            resets.append(name)
    pressure_good = is_good(image.pressure_kpa, main.pressure, now)
    line_ec = _ec_ms_cm(main.line_ec, image.line_ec_ms_cm, now)
    background_ec = _ec_ms_cm(main.background_ec, image.background_ec_ms_cm, now)
    facts = Facts(
        dt_s=now.dt_s,
        flow_good=water.flow_good,
        flow_m3_h=water.flow_m3_h,
        flow_proven=water.flow_proven,
        water_good=water.good,
        water_moved_l=water.moved_l,
        water_stands=water.stands,
        pressure_good=pressure_good,
        pressure_kpa=image.pressure_kpa.value if pressure_good else 0.0,
        pump_running=last.pump if image.pump_running is None else switched(image.pump_running, now),
        emergency_stop_healthy=switched(image.emergency_stop_healthy, now),
        selector_auto=selector_auto,
        reset_pressed=switched(image.reset_button, now),
        watchdog_armed=module.watchdog_armed,
        outputs_seen=module.is_seen,
        outputs_match=module.matches,
        is_washing=is_washing,
        is_filter_quiet=is_filter_quiet,
        displaces=water.displaces,
        filter_kpa=_filter_kpa(site, image, now),
        ec_rise_ms_cm=None if line_ec is None or background_ec is None else line_ec - background_ec,
        line_ec_ms_cm=line_ec,
        far_probes=frozenset(image.far_ec_ms_cm),
        far_ec_ms_cm={
            name: reading.value
            for name, reading in image.far_ec_ms_cm.items()
            if (probe := site.block[name].far_ec) is not None and is_good(reading, probe, now)
        },
        weather={name: switched(contact, now) for name, contact in image.weather.items()},
        commit_late_s=image.ledger.pending_s,
        ledger_writable=image.ledger.writable,
        durable=image.ledger.durable,
        channels=channels,
        counter_resets=tuple(resets),
        has_restarted=module.has_restarted,
        is_frozen=module.is_frozen,
        watchdog_self_clears=module.self_clears,
        reverse_flow=water.reverse_flow,
        is_clock_trusted=image.is_clock_trusted,
        idle_m3_h=water.idle_m3_h,
    )
    return Sense(water_sense, module_sense, quiet_s, senses), facts


def _is_washing(image: Image, last: Outputs, now: Now) -> bool | None:
    """Return whether a backwash is under way, None when the contact does not say so."""
    if last.backwash or image.backwashing is None:
        return last.backwash
    return switched(image.backwashing, now)


def _filter_kpa(site: Site, image: Image, now: Now) -> float:
    seen = image.filter_difference_kpa
    if site.filter is None or site.filter.pressure_difference is None or seen is None:
        return 0.0
    return seen.value if is_good(seen, site.filter.pressure_difference, now) else 0.0


def _ec_ms_cm(probe: Signal | None, seen: Reading | None, now: Now) -> float | None:
    return seen.value if probe is not None and seen is not None and is_good(seen, probe, now) else None
