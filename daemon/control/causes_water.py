"""Rows of the matrix: the supply, the main and the blocks."""

from typing import Final

from daemon.control.cause import Interlock, Priority, Reset, Situation
from daemon.control.states import Effect, Phase
from daemon.site import Site

_WET: Final = frozenset[Phase | None]({Phase.PREWET, Phase.INJECT, Phase.FLUSH})
_INJECT: Final = frozenset[Phase | None]({Phase.INJECT})
_CONTACT_S: Final = 1.0
_METER_S: Final = 3.0
"""A flow meter with its damping, and the pump that runs up or down (engineering judgement)."""
_PRESSURE_S: Final = 2.0
_BURST: Final = 1.5
"""Times the shift's flow that no tolerance explains (engineering judgement)."""
_SUNK: Final = 0.85
"""Part of the pressure that the shift settled at below which something takes it away (engineering judgement)."""
_STANDS: Final = 0.9
"""The same above which the supply still gives what it gave."""
_DEAD_BAND: Final = 0.05
"""Of what a limit is, back from it, before a cause that may chatter is gone."""
_LEAK: Final = 0.1
"""Part of main.min_flow_m3_h with all shut: less is a dripping valve or a tap (engineering judgement)."""


def is_shift_alone(s: Situation) -> bool:
    """Return whether everything but the shift itself is seen to be well: the shed has its pressure and can be read.

    What flows is at most the shift's own: more would be a burst, or another block's valve that is open.
    """
    run, facts, main = s.run, s.facts, s.site.main
    return (
        run is not None
        and facts.pump_running is True
        and main.min_pressure_kpa <= facts.pressure_kpa <= main.max_pressure_kpa
        and facts.flow_good
        and facts.flow_m3_h <= run.recipe.flow_m3_h * (1.0 + main.flow_band_pct / 100.0)
        and facts.water_good
        and not facts.water_stands
        and facts.is_filter_quiet
        and all(channel.idle_l_h <= s.site.limits.siphon_l_h for channel in facts.channels.values())
    )


def _flow_off(s: Situation) -> float:
    """Return by what part the flow is more than the shift's own, with its valves alone open; 0 while not known."""
    run = s.run
    if run is None or not s.last.pump or not s.facts.flow_good or not s.facts.is_filter_quiet:
        return 0.0
    if s.last.blocks != run.blocks:
        return 0.0
    return s.facts.flow_m3_h / run.recipe.flow_m3_h - 1.0


def _is_burst(s: Situation) -> bool:
    off = _flow_off(s)
    if s.run is None or off <= s.site.main.flow_band_pct / 100.0:
        return False
    has_sunk = s.facts.pressure_good and s.facts.pressure_kpa < _SUNK * s.run.settled_kpa
    return has_sunk or off > _BURST - 1.0


def _is_part_shut(s: Situation) -> bool:
    """Return whether a block of several takes nothing: too little flows although the supply is as it was."""
    facts, main = s.facts, s.site.main
    if s.run is None or _flow_off(s) >= -main.flow_band_pct / 100.0 or len(s.last.blocks) == 1:
        return False
    least_kpa = max(main.min_pressure_kpa, _STANDS * s.run.settled_kpa)
    return (
        facts.flow_m3_h >= main.min_flow_m3_h
        and facts.pressure_good
        and least_kpa <= facts.pressure_kpa <= main.max_pressure_kpa
    )


def _is_low(s: Situation) -> bool:
    return s.last.pump and s.facts.pressure_good and s.facts.pressure_kpa < s.site.main.min_pressure_kpa


def _stays_low(s: Situation) -> bool:
    least_kpa = (1.0 + _DEAD_BAND) * s.site.main.min_pressure_kpa
    return s.last.pump and not (s.facts.pressure_good and s.facts.pressure_kpa >= least_kpa)


def _run_down_s(site: Site) -> float:
    return site.pump.run_down_s if site.pump is not None else 0.0


def _travel_s(site: Site) -> float:
    return max([block.travel_s for block in site.block.values()])


WATER: Final[tuple[Interlock, ...]] = (
    Interlock(
        "burst",
        _is_burst,
        Effect.ZERO,
        delay_s=lambda site: 10.0,
        phases=_WET,
        latched=True,
        reset=Reset.AT_MACHINE,
        known=lambda s: s.facts.flow_good,
        priority=Priority.CRITICAL,
        wakes=True,
        magnitude="flow above its band and pressure 15 % under what it settled at, or one and a half times the flow",
        instrument_s=_METER_S,
        meaning="Far more water flows than the shift takes: a burst, or a valve of another block that is open.",
        likely="A pipe that burst or was cut, an end cap that came off, or a block valve that did not close.",
        check="Walk the main and the branches that are under pressure; then the valves of the other blocks.",
    ),
    Interlock(
        "flow-while-off",
        lambda s: s.facts.idle_m3_h > _LEAK * s.site.main.min_flow_m3_h,
        Effect.ZERO,
        delay_s=lambda site: 30.0,
        latched=True,
        reset=Reset.AT_MACHINE,
        known=lambda s: s.facts.flow_good and s.facts.water_good,
        priority=Priority.CRITICAL,
        wakes=True,
        magnitude="a tenth of main.min_flow_m3_h",
        instrument_s=_METER_S,
        window_s=lambda site: _run_down_s(site) + _travel_s(site) + 120.0,  # by the totaliser; a rate shows it sooner
        meaning="Water flows with pump and valves off: it cannot be shut from here.",
        likely="A block valve that is stuck open, a burst under standing pressure, or water taken by hand.",
        check="Close the main valve by hand; then find the block that is wet.",
    ),
    Interlock(
        "backflow",
        lambda s: s.facts.reverse_flow is True,
        Effect.ZERO,
        delay_s=lambda site: 3.0,
        latched=True,
        reset=Reset.AT_MACHINE,
        known=lambda s: s.facts.reverse_flow is not None and s.facts.water_good,
        priority=Priority.HIGH,
        magnitude="the contact, three counts of the totaliser, or 1 % of the flow meter's span below zero",
        instrument_s=_METER_S,
        meaning="Water flows back to the source, and may take stock along.",
        likely="A check valve that leaks or is held open by dirt.",
        check="Was anything injected before? Close the main valve by hand; then check valve and backflow preventer.",
    ),
    Interlock(
        "pump-still-running",
        lambda s: not s.last.pump and s.facts.pump_running is True and s.facts.selector_auto is True,
        Effect.ZERO,
        delay_s=lambda site: _run_down_s(site) + 5.0,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.pump_running is not None,
        priority=Priority.CRITICAL,
        wakes=True,
        magnitude="the contact, 5 s after the pump must have run down",
        instrument_s=_CONTACT_S,
        meaning="The pump was switched off and reports that it still runs: it cannot be stopped from here.",
        likely="A contactor that is welded, or a relay of the output module that is.",
        check="Switch the pump off at its isolator, before its water has nowhere to go.",
    ),
    Interlock(
        "water-did-not-start",
        lambda s: s.run is not None and s.run.phase_s > s.site.limits.fill_max_s and not is_shift_alone(s),
        Effect.ONE,
        phases=frozenset({Phase.FILL}),
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.CRITICAL,
        wakes=True,
        magnitude="no steady flow and pressure of the shift's within limits.fill_max_s",
        window_s=lambda site: site.limits.fill_max_s,
        meaning="The pipes do not come to the shift's flow and pressure: the water did not start as it should.",
        likely="A supply that gives too little, a pump without prime, a blocked filter, or an open end.",
        check="Check source, suction and pump; filter; then walk the main for an open end.",
    ),
    Interlock(
        "pump-not-running",
        lambda s: s.last.pump and s.facts.pump_running is False,
        Effect.ONE,
        delay_s=lambda site: site.pump.start_s if site.pump is not None else 0.0,
        latched=True,
        reset=Reset.OPERATOR,
        bypassable=True,
        priority=Priority.HIGH,
        magnitude="the contact, for pump.start_s",
        instrument_s=_CONTACT_S,
        meaning="The pump was switched on and its contactor did not report running.",
        likely="The motor protection has tripped, or a phase of the supply is missing.",
        check="Check motor protection, power supply, contactor.",
    ),
    Interlock(
        "no-flow",
        lambda s: (
            s.last.pump
            and s.facts.flow_good
            and s.facts.flow_m3_h < s.site.main.min_flow_m3_h
            and s.facts.is_filter_quiet
        ),
        Effect.ONE,
        delay_s=lambda site: site.limits.no_flow_s,
        phases=_WET | {None},  # without a run it is somebody's force that has the pump on
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        magnitude="less than main.min_flow_m3_h",
        instrument_s=_METER_S,
        meaning="The pump is on and too little water flows.",
        likely="The source is low, the pump has lost its prime, or the shift's valves have closed.",
        check="Check suction, priming, main valve, block valve.",
    ),
    Interlock(
        "pressure-high",
        lambda s: s.facts.pressure_good and s.facts.pressure_kpa > s.site.main.max_pressure_kpa,
        Effect.ZERO,
        delay_s=lambda site: 2.0,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.pressure_good,
        priority=Priority.HIGH,
        magnitude="more than main.max_pressure_kpa",
        instrument_s=_PRESSURE_S,
        meaning="Pressure is above the main's limit.",
        likely="A valve that did not open, or a pressure regulation that does not regulate.",
        check="Look for a valve that did not open; then check the pressure regulation.",
    ),
    Interlock(
        "pressure-low",
        _is_low,
        Effect.PAUSE,
        stays=_stays_low,
        clear_s=lambda site: 2.0,
        phases=_WET,
        magnitude="less than main.min_pressure_kpa; 5 % more ends it",
        instrument_s=_PRESSURE_S,
        meaning="Pressure is below what keeps injected stock from flowing back and the far emitters fed.",
        likely="A burst, a blocked filter, or a supply that gives less.",
        check="Check burst pipe, pump, filter.",
    ),
    Interlock(
        "pressure-stays-low",
        lambda s: _is_low(s) and s.facts.is_filter_quiet,
        Effect.ONE,
        delay_s=lambda site: site.limits.low_pressure_s,
        phases=_WET,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        magnitude="less than main.min_pressure_kpa for limits.low_pressure_s",
        instrument_s=_PRESSURE_S,
        meaning="Pressure stayed low: water may be running where it should not.",
        likely="A burst, a blocked filter, or a supply that gives less.",
        check="Walk the main for a burst; then pump and filter.",
    ),
    Interlock(
        "flow-not-proven",
        lambda s: not s.facts.flow_proven,
        Effect.PAUSE,
        phases=_INJECT,
        magnitude="less than main.min_flow_m3_h, or one reading that is BAD or stale",
        instrument_s=_METER_S,
        meaning="The main flow is not proven, so nothing may be injected.",
        likely="A flow meter or its wire, or a flow that is going away.",
        check="Check flow meter and its signal; pump; valves.",
    ),
    Interlock(
        "flow-out-of-band",
        lambda s: abs(_flow_off(s)) > s.site.main.flow_band_pct / 100.0,
        Effect.PAUSE,
        delay_s=lambda site: 5.0,
        stays=lambda s: abs(_flow_off(s)) > (1.0 - _DEAD_BAND) * s.site.main.flow_band_pct / 100.0,
        clear_s=lambda site: 2.0,
        phases=_WET,  # from pre-wet on: the injector must not open first and find out then
        magnitude="main.flow_band_pct of the shift's flow; a twentieth of it less ends it",
        instrument_s=_METER_S,
        meaning="The flow is not the shift's flow: a valve, a leak or a blockage.",
        likely="A block valve that did not open or close, blocked emitters, or a leak.",
        check="Check block valves of the shift; filter; walk the line.",
    ),
    Interlock(
        "valve-shut-loaded",
        lambda s: s.main_owed_l > 0.0 and _is_part_shut(s),
        Effect.WATER_ONLY,
        delay_s=lambda site: _travel_s(site) + 60.0,
        phases=_WET,
        bypassable=True,
        magnitude="main.flow_band_pct of the shift's flow missing, with the pressure that it settled at",
        instrument_s=_METER_S,
        meaning="A block of the shift takes no water. The shared main is flushed through the others first.",
        likely="A valve without current, or one that dirt or a torn membrane keeps shut.",
        check="Check the shift's block valves and their wires: find the block that stays dry.",
    ),
    Interlock(
        "valve-shut",
        lambda s: s.main_owed_l <= 0.0 and _is_part_shut(s),
        Effect.ONE,
        delay_s=lambda site: _travel_s(site) + 60.0,
        phases=_WET,
        of_shift=True,
        bypassable=True,
        priority=Priority.HIGH,
        magnitude="main.flow_band_pct of the shift's flow missing, with the pressure that it settled at",
        instrument_s=_METER_S,
        meaning="A block of the shift takes no water, so this shift ends; what comes after may begin.",
        likely="A valve without current, or one that dirt or a torn membrane keeps shut.",
        check="Check the shift's block valves and their wires: find the block that stayed dry.",
    ),
    Interlock(
        "water-count-bad",
        lambda s: not s.facts.water_good,
        Effect.PAUSE,
        phases=_INJECT,
        magnitude="one reading that is BAD or stale",
        meaning="The water totaliser cannot be read, and phases go by its litres.",
        likely="The main meter's pulse cable, or the module that counts.",
        check="Check main meter and its signal.",
    ),
    Interlock(
        "water-count-still",
        lambda s: s.facts.water_stands,
        Effect.PAUSE,
        phases=_INJECT,
        magnitude="three counts at the least flow, and 5 s",
        window_s=lambda site: 5.0 + 3.0 * (site.main.water.per_count or 1.0) * 3.6 / site.main.min_flow_m3_h,
        meaning="The main meter shows flow and its totaliser stands still: one of the two is wrong.",
        likely="The pulse cable of the main meter.",
        check="Check main meter and its pulse cable.",
    ),
    Interlock(
        "pressure-bad",
        lambda s: not s.facts.pressure_good,
        Effect.PAUSE,
        phases=_INJECT,
        magnitude="one reading that is BAD or stale",
        meaning="The pressure cannot be read.",
        likely="A broken wire of the pressure transmitter.",
        check="Check pressure transmitter and its wiring.",
    ),
)
