"""What main meter and totaliser prove: the flow, what has passed, what runs back, and what flows with all shut."""

import math
from typing import Final, NamedTuple

from daemon.control.image import Image, Now, Outputs
from daemon.control.readings import is_good, moved_l, switched
from daemon.equipment import MainLine, Signal
from daemon.site import Plant, Site

PROOF_SCANS: Final = 2
"""Flow counts as proven after this many scans in a row with a GOOD reading above the minimum."""
_FLOW_MARGIN: Final = 2.0
"""A counter that moved more than this times its greatest flow was reset or replaced."""
_STILL_S: Final = 5.0
_STILL_COUNTS: Final = 3
"""A totaliser that stands for this time and this many counts' time at the least flow is not counting."""
_PULSES_SMOOTHED_S: Final = 10.0
_BACK_COUNTS: Final = 3
"""Counts that a totaliser must have gone back: one may be a jolt as a valve shuts."""
_BACK_S: Final = 60.0
"""Time without a count back after which it does not run back any more."""
_BACK_PART: Final = 0.01
"""A flow meter that shows this part of its span below zero shows more than its zero's error (engineering judgement)."""
_IDLE_WINDOW_S: Final = 120.0
_IDLE_COUNTS: Final = 2
_NOT_IDLE: Final = -math.inf


class WaterSense(NamedTuple):
    """Memory of flow meter and totaliser."""

    count_l: float = math.nan
    """The highest count: what runs back, and then comes again, is not counted twice."""
    shown_l: float = math.nan
    """The last count."""
    back_s: float = math.inf
    """Time since it last went back."""
    gap_s: float = 0.0
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
    idle_s: float = _NOT_IDLE
    """Time in this window with all shut; below 0 until pump and valves must have come to rest."""
    idle_l: float = 0.0
    idle_m3_h: float = 0.0
    """Flow with all shut, over the last full window."""


class WaterFacts(NamedTuple):
    """The main's water, this scan."""

    flow_good: bool
    flow_m3_h: float
    flow_proven: bool
    good: bool
    """The totaliser could be read."""
    moved_l: float
    stands: bool
    displaces: bool
    is_reset: bool
    reverse_flow: bool | None
    idle_m3_h: float


def sense_water(
    plant: Plant, memory: WaterSense, image: Image, last: Outputs, now: Now, is_auto: bool, is_filter_quiet: bool
) -> tuple[WaterSense, WaterFacts]:
    """Return the new memory and what the main's water did. A reading that is not GOOD and fresh proves nothing."""
    main = plant.site.main
    good, each_l = is_good(image.water_l, main.water, now), main.water.per_count or 1.0
    gap_s = memory.gap_s + now.dt_s
    count_l, shown_l, back_s = memory.count_l, memory.shown_l, memory.back_s + now.dt_s
    water_l, back_l, is_reset = 0.0, 0.0, False
    if good:
        highest_m3_h = (main.flow.at_high if main.flow is not None else None) or 8.0 * main.min_flow_m3_h
        most_l = _FLOW_MARGIN * highest_m3_h / 3.6 * gap_s + 2.0 * each_l
        back_l = count_l - image.water_l.value
        if 0.0 < back_l <= most_l < image.water_l.value:  # nearer to zero it may as well have been reset
            back_s = 0.0 if image.water_l.value < shown_l else back_s
        else:
            back_l = 0.0
            water_l, is_reset = moved_l(plant, main.water, count_l, image.water_l.value, most_l)
            count_l = image.water_l.value
        shown_l, gap_s = image.water_l.value, 0.0
    pulse_s, pulsed_m3_h = _pulsed(main, memory, good, water_l, now)
    if main.flow is not None and image.flow_m3_h is not None:
        flow_good = is_good(image.flow_m3_h, main.flow, now)
        flow_m3_h = image.flow_m3_h.value if flow_good else 0.0
    else:
        flow_good, flow_m3_h = good, pulsed_m3_h if good else 0.0
    proven_scans = memory.proven_scans + 1 if flow_good and flow_m3_h >= main.min_flow_m3_h else 0
    still_s = memory.still_s + now.dt_s if good and water_l == 0.0 and proven_scans else 0.0
    is_gap_quiet = memory.is_gap_quiet and is_filter_quiet
    idle_s = idle_l = idle_m3_h = 0.0
    if last.pump or last.blocks or last.backwash or not is_auto or not is_filter_quiet:
        idle_s = _NOT_IDLE
    else:
        idle_s, idle_l, idle_m3_h = _idle(plant.site, memory, water_l, now)
    reverse = False if image.reverse_flow is None else switched(image.reverse_flow, now)
    is_back = back_l >= _BACK_COUNTS * each_l and back_s < _BACK_S
    if is_back or (flow_m3_h < 0.0 and flow_m3_h < _lowest_m3_h(main)):
        reverse = True
    return WaterSense(
        count_l,
        shown_l,
        back_s,
        gap_s,
        good or is_gap_quiet,
        still_s,
        min(proven_scans, PROOF_SCANS),
        pulse_s,
        pulsed_m3_h,
        idle_s,
        idle_l,
        idle_m3_h,
    ), WaterFacts(
        flow_good,
        flow_m3_h,
        proven_scans >= PROOF_SCANS,
        good,
        water_l,
        still_s > _STILL_S + _STILL_COUNTS * each_l * 3.6 / main.min_flow_m3_h,
        is_gap_quiet or main.comes_before("filter", "meter"),
        is_reset,
        reverse,
        max(idle_m3_h, flow_m3_h) if idle_s > 0.0 else idle_m3_h,
    )


def _pulsed(main: MainLine, memory: WaterSense, good: bool, water_l: float, now: Now) -> tuple[float, float]:
    """Return the time since the last pulse, and the flow that pulses tell: smoothed, at most what their gap allows."""
    pulse_s, flow_m3_h = memory.pulse_s + now.dt_s, memory.pulsed_m3_h
    if main.flow is not None or not good or pulse_s <= 0.0:
        return pulse_s, flow_m3_h
    if water_l:
        flow_m3_h += (water_l * 3.6 / pulse_s - flow_m3_h) * pulse_s / (_PULSES_SMOOTHED_S + pulse_s)
        return 0.0, flow_m3_h
    return pulse_s, min(flow_m3_h, (main.water.per_count or 1.0) * 3.6 / pulse_s)


def _idle(site: Site, memory: WaterSense, water_l: float, now: Now) -> tuple[float, float, float]:
    """Follow what flows with all shut: time and litres of this window, and the flow over the last full one."""
    idle_s, idle_l, idle_m3_h = memory.idle_s, memory.idle_l, memory.idle_m3_h
    if idle_s == _NOT_IDLE:
        run_down_s = site.pump.run_down_s if site.pump is not None else 0.0
        idle_s = -run_down_s - max([block.travel_s for block in site.block.values()])
    idle_s += now.dt_s
    if idle_s > 0.0:
        idle_l += water_l
    if idle_s >= _IDLE_WINDOW_S:
        is_more = idle_l > _IDLE_COUNTS * (site.main.water.per_count or 1.0)
        return 0.0, 0.0, idle_l * 3.6 / idle_s if is_more else 0.0
    return idle_s, idle_l, idle_m3_h


def _lowest_m3_h(main: MainLine) -> float:
    """Return the reading below which the flow meter shows a flow that runs back."""
    flow: Signal | None = main.flow
    if flow is None or flow.at_low is None or flow.at_high is None:
        return -_BACK_PART * 8.0 * main.min_flow_m3_h
    span = abs(flow.at_high - flow.at_low)
    return -span * max(_BACK_PART, 2.0 * flow.accuracy_pct_of_span / 100.0)
