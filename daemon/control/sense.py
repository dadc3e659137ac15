"""From readings to facts: quality and age, counters unwrapped, flow proven, what moved since the last scan."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.control.image import Image, Now, Outputs
from daemon.equipment import MainLine, Signal
from daemon.site import Plant, Site
from drivers.codec import Movement, count_moved
from drivers.reading import Quality, Reading

_NONE_YET: Final[Mapping[str, Any]] = MappingProxyType({})

PROOF_SCANS = 2
"""Flow counts as proven after this many scans in a row with a GOOD reading above the minimum."""
_FLOW_MARGIN = 2.0
"""A counter that moved more than this times its greatest flow was reset or replaced."""
_SWITCH_STALE_S = 5.0
"""A switch has no key of its own for this in the site file."""
_STILL_S = 5.0
_STILL_COUNTS = 3
"""A totaliser that stands for this time and this many counts' time at the least flow is not counting."""
_PULSES_SMOOTHED_S = 10.0
_SIPHON_WINDOW_S = 60.0
_SIPHON_COUNTS = 3
"""Counts that must be seen: one may be a drop or a jolt of the meter."""


class ChannelFacts(NamedTuple):
    """One injection channel, this scan."""

    meter_good: bool
    moved_l: float
    """Stock metered since the last scan."""
    silent_s: float
    """How long the injector has been on with nothing counted."""
    idle_l_h: float
    """Stock flow with the injector off, over the last full window."""
    content_good: bool
    content_l: float


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
    weather: Mapping[str, bool | None]
    """The contacts of the site's weather: on, off or not known."""
    counter_resets: tuple[str, ...]
    """Counters that went back to zero or were exchanged: what they moved meanwhile is not known."""


class ChannelSense(NamedTuple):
    """Memory of one injector's meter."""

    count_l: float = math.nan
    silent_s: float = 0.0
    idle_s: float = 0.0
    idle_moved_l: float = 0.0
    idle_l_h: float = 0.0
    was_on: bool = False
    """The injector was on at some time since the last good reading: what shows next may be of that time."""


class Sense(NamedTuple):
    """Memory of the senses: the last counts, and how long flow has been proven."""

    water_l: float = math.nan
    water_gap_s: float = 0.0
    """Time since the totaliser was last read."""
    is_gap_quiet: bool = True
    """The filter has been quiet all that time."""
    still_s: float = 0.0
    """Time since it last moved, while flow was shown."""
    proven_scans: int = 0
    pulse_s: float = 0.0
    """Time since the totaliser's last pulse."""
    pulsed_m3_h: float = 0.0
    """Flow by its pulses, smoothed."""
    quiet_s: float = math.inf
    """Time since the last backwash, or since it was last not known."""
    channels: Mapping[str, ChannelSense] = _NONE_YET


def sense(plant: Plant, memory: Sense, image: Image, last: Outputs, now: Now) -> tuple[Sense, Facts]:
    """Return the new memory and this scan's facts. A reading that is not GOOD and fresh proves nothing."""
    site = plant.site
    main = site.main
    resets: list[str] = []
    water_good = _good(image.water_l, main.water, now)
    gap_s = memory.water_gap_s + now.dt_s
    water_l, water_moved_l = memory.water_l, 0.0
    if water_good:
        highest_m3_h = (main.flow.at_high if main.flow is not None else None) or 8.0 * main.min_flow_m3_h
        most_l = _most_moved_l(highest_m3_h, gap_s) + 2.0 * (main.water.per_count or 1.0)
        water_moved_l, is_reset = _moved_l(plant, main.water, memory.water_l, image.water_l.value, most_l)
        water_l, gap_s = image.water_l.value, 0.0
        if is_reset:
            resets.append("main")

    pulse_s, pulsed_m3_h = _pulsed(main, memory, water_good, water_moved_l, now)
    if main.flow is not None and image.flow_m3_h is not None:
        flow_good = _good(image.flow_m3_h, main.flow, now)
        flow_m3_h = image.flow_m3_h.value if flow_good else 0.0
    else:
        flow_good, flow_m3_h = water_good, pulsed_m3_h if water_good else 0.0
    proven_scans = memory.proven_scans + 1 if flow_good and flow_m3_h >= main.min_flow_m3_h else 0
    still_s = memory.still_s + now.dt_s if water_good and water_moved_l == 0.0 and proven_scans else 0.0

    senses: dict[str, ChannelSense] = {}
    channels: dict[str, ChannelFacts] = {}
    for name in image.channels:
        senses[name], channels[name], is_reset = _sense_channel(plant, name, memory, image, last, now)
        if is_reset:
            resets.append(name)

    oldest_s, good = now.at_s - _SWITCH_STALE_S, Quality.GOOD
    outputs_seen = True
    for reading in image.outputs.values():
        if reading.quality is not good or reading.at_s < oldest_s:
            outputs_seen = False
    is_washing = _is_washing(image, last, now)
    quiet_s = memory.quiet_s + now.dt_s if is_washing is False else 0.0
    is_filter_quiet = site.filter is None or quiet_s >= site.filter.recover_s
    is_gap_quiet = memory.is_gap_quiet and is_filter_quiet
    pressure_good = _good(image.pressure_kpa, main.pressure, now)
    watchdog = image.output_watchdog_s
    facts = Facts(
        dt_s=now.dt_s,
        flow_good=flow_good,
        flow_m3_h=flow_m3_h,
        flow_proven=proven_scans >= PROOF_SCANS,
        water_good=water_good,
        water_moved_l=water_moved_l,
        water_stands=still_s > _STILL_S + _STILL_COUNTS * (main.water.per_count or 1.0) * 3.6 / main.min_flow_m3_h,
        pressure_good=pressure_good,
        pressure_kpa=image.pressure_kpa.value if pressure_good else 0.0,
        pump_running=last.pump if image.pump_running is None else _switch(image.pump_running, now),
        emergency_stop_healthy=_switch(image.emergency_stop_healthy, now),
        selector_auto=_switch(image.selector_auto, now),
        reset_pressed=_switch(image.reset_button, now),
        watchdog_armed=_seen(watchdog, now) and 0.0 < watchdog.value <= site.safety.max_watchdog_s,
        outputs_seen=outputs_seen,
        outputs_match=not outputs_seen or _matches(image.outputs, last),
        is_washing=is_washing,
        is_filter_quiet=is_filter_quiet,
        displaces=is_gap_quiet or main.comes_before("filter", "meter"),
        filter_kpa=_filter_kpa(site, image, now),
        ec_rise_ms_cm=_ec_rise_ms_cm(main, image, now),
        weather={name: _switch(contact, now) for name, contact in image.weather.items()},
        commit_late_s=image.ledger.pending_s,
        ledger_writable=image.ledger.writable,
        durable=image.ledger.durable,
        channels=channels,
        counter_resets=tuple(resets),
    )
    memory = Sense(
        water_l,
        gap_s,
        water_good or is_gap_quiet,
        still_s,
        min(proven_scans, PROOF_SCANS),
        pulse_s,
        pulsed_m3_h,
        quiet_s,
        senses,
    )
    return memory, facts


def _sense_channel(
    plant: Plant, name: str, memory: Sense, image: Image, last: Outputs, now: Now
) -> tuple[ChannelSense, ChannelFacts, bool]:
    injector = plant.site.injector[name]
    tank = plant.site.tank[injector.tank]
    before = memory.channels.get(name, ChannelSense())
    seen = image.channels[name]
    meter_good = _good(seen.stock_l, injector.meter, now)
    count_l, moved_l, is_reset = before.count_l, 0.0, False
    if meter_good:
        most_l = tank.volume_l
        moved_l, is_reset = _moved_l(plant, injector.meter, before.count_l, seen.stock_l.value, most_l)
        count_l = seen.stock_l.value
    commanded = last.channels.get(name)
    is_on = commanded is not None and commanded.run
    is_resting = commanded is not None and commanded.valve and not commanded.run
    silent_s = 0.0
    if moved_l == 0.0 and meter_good and (is_on or is_resting):  # a pump paced by its on-time is silent over its rests
        silent_s = before.silent_s + now.dt_s if is_on else before.silent_s
    idle_s, idle_moved_l, idle_l_h = before.idle_s, before.idle_moved_l, before.idle_l_h
    if is_on:
        idle_s = idle_moved_l = idle_l_h = 0.0
    else:
        idle_s += now.dt_s
        idle_moved_l += 0.0 if before.was_on else moved_l
        if idle_s >= _SIPHON_WINDOW_S:
            least_l = _SIPHON_COUNTS * (injector.meter.per_count or 0.0)
            idle_l_h = idle_moved_l * 3600.0 / idle_s if idle_moved_l > least_l else 0.0
            idle_s = idle_moved_l = 0.0
    content_good = tank.content is not None and _good(seen.content_l, tank.content, now)
    facts = ChannelFacts(
        meter_good=meter_good,
        moved_l=moved_l,
        silent_s=silent_s,
        idle_l_h=idle_l_h,
        content_good=content_good,
        content_l=seen.content_l.value if content_good else 0.0,
    )
    was_on = is_on or (before.was_on and not meter_good)
    return ChannelSense(count_l, silent_s, idle_s, idle_moved_l, idle_l_h, was_on), facts, is_reset


def _pulsed(main: MainLine, memory: Sense, water_good: bool, moved_l: float, now: Now) -> tuple[float, float]:
    """Return the time since the last pulse, and the flow that pulses tell: smoothed, at most what their gap allows."""
    pulse_s, flow_m3_h = memory.pulse_s + now.dt_s, memory.pulsed_m3_h
    if main.flow is not None or not water_good or pulse_s <= 0.0:
        return pulse_s, flow_m3_h
    if moved_l:
        flow_m3_h += (moved_l * 3.6 / pulse_s - flow_m3_h) * pulse_s / (_PULSES_SMOOTHED_S + pulse_s)
        return 0.0, flow_m3_h
    return pulse_s, min(flow_m3_h, (main.water.per_count or 1.0) * 3.6 / pulse_s)


def _is_washing(image: Image, last: Outputs, now: Now) -> bool | None:
    """Return whether a backwash is under way, None when the contact does not say so."""
    if last.backwash or image.backwashing is None:
        return last.backwash
    return _switch(image.backwashing, now)


def _filter_kpa(site: Site, image: Image, now: Now) -> float:
    seen = image.filter_difference_kpa
    if site.filter is None or site.filter.pressure_difference is None or seen is None:
        return 0.0
    return seen.value if _good(seen, site.filter.pressure_difference, now) else 0.0


def _ec_rise_ms_cm(main: MainLine, image: Image, now: Now) -> float | None:
    line, background = image.line_ec_ms_cm, image.background_ec_ms_cm
    if line is None or background is None or main.line_ec is None or main.background_ec is None:
        return None
    if not _good(line, main.line_ec, now) or not _good(background, main.background_ec, now):
        return None
    return line.value - background.value


def _good(reading: Reading, signal: Signal, now: Now) -> bool:
    return reading.quality is Quality.GOOD and now.at_s - reading.at_s <= signal.stale_s


def _seen(reading: Reading, now: Now) -> bool:
    return reading.quality is Quality.GOOD and now.at_s - reading.at_s <= _SWITCH_STALE_S


def _switch(reading: Reading, now: Now) -> bool | None:
    return reading.value >= 0.5 if _seen(reading, now) else None


def _most_moved_l(flow_m3_h: float, seconds: float) -> float:
    return _FLOW_MARGIN * flow_m3_h / 3.6 * seconds


def _moved_l(plant: Plant, signal: Signal, before_l: float, now_l: float, most_l: float) -> tuple[float, bool]:
    """Return the litres a totaliser moved and whether it was reset. The first reading after a start moves nothing."""
    if now_l == before_l or math.isnan(before_l):
        return 0.0, False
    if before_l < now_l <= before_l + most_l:
        return now_l - before_l, False
    step_l = signal.per_count or 1.0
    bits = plant.points[signal.point].counter_bits or 32
    step = count_moved(round(before_l / step_l), round(now_l / step_l), bits, most_l / step_l)
    return step.counts * step_l, step.kind in (Movement.RESET, Movement.IMPLAUSIBLE)


def _matches(seen: Mapping[str, Reading], last: Outputs) -> bool:
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
    return {role for role in wanted if role in seen} == {role for role, on in seen.items() if on.value >= 0.5}
