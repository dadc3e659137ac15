"""Cause and effect: the matrix as data. `guard` judges it each scan.

A row says what must hold, for how long, in which phases, and what it does. A latched cause stays until its reset: by
itself, by an operator, or at the machine where someone must look.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, NamedTuple

from daemon.control.backwash import Wash
from daemon.control.image import Outputs
from daemon.control.run import Run
from daemon.control.sense import ChannelFacts, Facts
from daemon.control.states import ACTIVE, Effect, Phase, ProcedureState, Unit
from daemon.site import Site


class Reset(Enum):
    """Who may clear a latched cause once it is gone."""

    ITSELF = "itself"
    OPERATOR = "operator"
    AT_MACHINE = "at the machine"


class Situation(NamedTuple):
    """What a row's condition may look at."""

    site: Site
    facts: Facts
    unit: Unit
    last: Outputs
    run: Run | None
    wash: Wash = Wash()
    needed: tuple[tuple[str, ChannelFacts], ...] = ()
    """The channels that the run has still to inject with, by name."""
    owed_l: float = 0.0
    """Water that it takes to flush this shift's pipes of all that is owed there, whatever of it has passed."""


@dataclass(frozen=True, slots=True)
class Interlock:
    """One row of the matrix."""

    code: str
    holds: Callable[[Situation], bool]
    effect: Effect
    delay_s: Callable[[Site], float] = field(default=lambda site: 0.0)
    phases: frozenset[Phase | None] = frozenset({None, *Phase})
    """Phases in which it is judged; None stands for no phase."""
    latched: bool = False
    reset: Reset = Reset.ITSELF
    known: Callable[[Situation], bool] = field(default=lambda s: True)
    """Whether the readings it is judged by can be had: a latched cause that cannot be judged is not gone."""
    channels: Callable[[Situation], frozenset[str]] | None = None
    """The injection channels that a true row is about; None: the whole plant."""
    of_shift: bool = False
    """A run that it ends failed by the shift's own fault, and the next shift may begin. Else main, pump, supply, filter
    or safety may be at fault, and what comes after would fail, or do harm, as well."""
    meaning: str = ""
    check: str = ""
    """What to look at first."""


MOST_BACKWASHES: Final = 3
"""In half an hour (engineering judgement)."""
_RUN: Final = frozenset[Phase | None](Phase)
_WET: Final = frozenset[Phase | None]({Phase.PREWET, Phase.INJECT, Phase.FLUSH})
_INJECT: Final = frozenset[Phase | None]({Phase.INJECT})


def _expected_s(s: Situation) -> float:
    """Return one and a half times the time that the phase should take by its litres at the expected flow."""
    if s.run is None:
        return float("inf")
    recipe = s.run.recipe
    match s.unit.phase:
        case Phase.PREWET:
            litres = max(recipe.prewet_l, recipe.flush_l, s.owed_l)  # an old flush is paid first
        case Phase.INJECT:
            litres = recipe.inject_l
        case Phase.FLUSH:
            left_l = recipe.water_l - s.run.water_l + s.run.phase_water_l
            litres = max(recipe.flush_l, recipe.flush_most_l, left_l, s.owed_l)
        case _:
            return s.site.limits.fill_max_s
    return 1.5 * litres * 3.6 / recipe.flow_m3_h + s.site.limits.pause_max_s


def _is_late(s: Situation) -> bool:
    return s.run is not None and s.run.phase_s > _expected_s(s)


def _is_shift_alone(s: Situation) -> bool:
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


def _unseen(s: Situation) -> bool:
    """Return whether the module that holds outputs and safety inputs could not be read."""
    return not s.facts.outputs_seen or s.facts.emergency_stop_healthy is None or s.facts.selector_auto is None


def _out_of_band(s: Situation) -> bool:
    """Return whether the flow is not the shift's, with its valves alone open and the filter quiet."""
    run = s.run
    if run is None or not s.last.pump or not s.facts.flow_good or not s.facts.is_filter_quiet:
        return False
    expected = run.recipe.flow_m3_h
    if abs(s.facts.flow_m3_h - expected) <= expected * s.site.main.flow_band_pct / 100.0:
        return False
    return s.last.blocks == run.blocks


def _has_level(site: Site, channel: str) -> bool:
    return site.tank[site.injector[channel].tank].content is not None


def _over_plan(s: Situation) -> frozenset[str]:
    if s.run is None or s.unit.procedure not in ACTIVE:
        return frozenset()
    most, done = s.site.limits.over_dose_pct / 100.0, s.run.channels
    return frozenset(p.channel for p in s.run.recipe.channels if done[p.channel].injected_l > most * p.stock_l)


def _at_cap(s: Situation) -> frozenset[str]:
    if s.run is None or s.unit.procedure not in ACTIVE:
        return frozenset()
    done = s.run.channels
    return frozenset(
        plan.channel
        for plan in s.run.recipe.channels
        if plan.most_l is not None and done[plan.channel].injected_l > plan.most_l
    )


def _silent(s: Situation) -> frozenset[str]:
    windows_s = {name: injector.stroke_window_s for name, injector in s.site.injector.items()}
    return frozenset(name for name, channel in s.facts.channels.items() if channel.silent_s >= windows_s[name])


MATRIX: Final[tuple[Interlock, ...]] = (
    Interlock(
        "emergency-stop",
        lambda s: s.facts.emergency_stop_healthy is False,
        Effect.ZERO,
        latched=True,
        reset=Reset.AT_MACHINE,
        known=lambda s: s.facts.emergency_stop_healthy is not None,
        meaning="The emergency stop is pressed.",
        check="Go to the shed and find out why it was pressed before releasing it.",
    ),
    Interlock(
        "selector-not-auto",
        lambda s: s.facts.selector_auto is False,
        Effect.ZERO,
        meaning="The selector in the shed is not in Auto.",
        check="Someone may be working on the plant. Ask before turning it back.",
    ),
    Interlock(
        "outputs-unseen",
        _unseen,
        Effect.PAUSE,
        meaning="The output module does not answer, so what it does is not known.",
        check="Power and cable of the output module.",
    ),
    Interlock(
        "outputs-lost",
        _unseen,
        Effect.ZERO,
        delay_s=lambda site: site.safety.max_watchdog_s / 2.0,
        meaning="The output module has been silent for so long that its own time-out has dropped the outputs.",
        check="Power and cable of the output module; nothing restarts by itself.",
    ),
    Interlock(
        "outputs-differ",
        lambda s: not s.facts.outputs_match,
        Effect.ZERO,
        delay_s=lambda site: 1.5 * site.site.scan_s,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.outputs_seen,
        meaning="The output module does not hold what was written: it restarted, or another master writes to it.",
        check="Supply of the output module; any other program on this network that writes to it.",
    ),
    Interlock(
        "watchdog-unset",
        lambda s: s.facts.outputs_seen and not s.facts.watchdog_armed,
        Effect.PAUSE,
        meaning="The output module would hold its outputs if this computer stopped: its time-out is off or too long.",
        check="Set the module's time-out within safety.max_watchdog_s.",
    ),
    Interlock(
        "pump-not-running",
        lambda s: s.last.pump and s.facts.pump_running is False,
        Effect.ONE,
        delay_s=lambda site: site.pump.start_s if site.pump is not None else 0.0,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="The pump was switched on and its contactor did not report running.",
        check="Motor protection, power supply, contactor.",
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
        phases=_WET,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="The pump is on and too little water flows.",
        check="Suction, priming, main valve, block valve.",
    ),
    Interlock(
        "pressure-high",
        lambda s: s.facts.pressure_good and s.facts.pressure_kpa > s.site.main.max_pressure_kpa,
        Effect.ZERO,
        delay_s=lambda site: 2.0,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.pressure_good,
        meaning="Pressure is above the main's limit.",
        check="A valve that did not open; pressure regulation.",
    ),
    Interlock(
        "pressure-low",
        lambda s: s.last.pump and s.facts.pressure_good and s.facts.pressure_kpa < s.site.main.min_pressure_kpa,
        Effect.PAUSE,
        phases=_WET,
        meaning="Pressure is below what keeps injected stock from flowing back and the far emitters fed.",
        check="Burst pipe, pump, filter.",
    ),
    Interlock(
        "pressure-stays-low",
        lambda s: (
            s.last.pump
            and s.facts.pressure_good
            and s.facts.pressure_kpa < s.site.main.min_pressure_kpa
            and s.facts.is_filter_quiet
        ),
        Effect.ONE,
        delay_s=lambda site: site.limits.low_pressure_s,
        phases=_WET,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="Pressure stayed low: water may be running where it should not.",
        check="Walk the main for a burst; then pump and filter.",
    ),
    Interlock(
        "flow-not-proven",
        lambda s: not s.facts.flow_proven,
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The main flow is not proven, so nothing may be injected.",
        check="Flow meter and its signal; pump; valves.",
    ),
    Interlock(
        "flow-out-of-band",
        _out_of_band,
        Effect.PAUSE,
        delay_s=lambda site: 5.0,
        phases=_WET,  # from pre-wet on: the injector must not open first and find out then
        meaning="The flow is not the shift's flow: a valve, a leak or a blockage.",
        check="Block valves of the shift; filter; walk the line.",
    ),
    Interlock(
        "water-count-bad",
        lambda s: not s.facts.water_good,
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The water totaliser cannot be read, and phases go by its litres.",
        check="Main meter and its signal.",
    ),
    Interlock(
        "water-count-still",
        lambda s: s.facts.water_stands,
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The main meter shows flow and its totaliser stands still: one of the two is wrong.",
        check="Main meter and its pulse cable.",
    ),
    Interlock(
        "pressure-bad",
        lambda s: not s.facts.pressure_good,
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The pressure cannot be read.",
        check="Pressure transmitter and its wiring.",
    ),
    Interlock(
        "injector-meter-bad",
        lambda s: any(not channel.meter_good for _, channel in s.needed),
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The injector's meter cannot be read.",
        check="Injector meter and its wiring.",
    ),
    Interlock(
        "tank-level-bad",
        lambda s: any(not channel.content_good for name, channel in s.needed if _has_level(s.site, name)),
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The tank's level cannot be read.",
        check="Level transmitter and its wiring.",
    ),
    Interlock(
        "tank-empty",
        lambda s: any(
            channel.content_good and channel.content_l < s.site.tank[s.site.injector[name].tank].low_l
            for name, channel in s.needed
        ),
        Effect.WATER_ONLY,
        delay_s=lambda site: 3.0,
        phases=_INJECT,
        meaning="The stock tank is at its low level.",
        check="Mix a new batch; find out why the tank was short.",
    ),
    Interlock(
        "injector-silent",
        lambda s: bool(_silent(s)),
        Effect.WATER_ONLY,
        channels=_silent,
        phases=_INJECT,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="The injector is on and its meter counts nothing: air in it, a blocked suction, or a closed outlet.",
        check="Suction strainer and hose, prime, outlet valve. A closed outlet can burst a hose: look first.",
    ),
    Interlock(
        "siphon",
        lambda s: any(channel.idle_l_h > s.site.limits.siphon_l_h for channel in s.facts.channels.values()),
        Effect.WATER_ONLY,
        latched=True,
        reset=Reset.AT_MACHINE,
        known=lambda s: all(channel.meter_good for channel in s.facts.channels.values()),
        meaning="Stock flows while the injector is off.",
        check="Close the tank's outlet by hand; injection valve and check valve.",
    ),
    Interlock(
        "dose-over-plan",
        lambda s: bool(_over_plan(s)),
        Effect.WATER_ONLY,
        channels=_over_plan,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="More stock was metered than planned.",
        check="Injector, injection valve, and what the block has received.",
    ),
    Interlock(
        "dose-at-cap",
        lambda s: bool(_at_cap(s)),
        Effect.WATER_ONLY,
        channels=_at_cap,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="So much stock was metered that a block is at a hard cap, although the injector stops short of it.",
        check="Injector and injection valve: what let more through? Then the block's account.",
    ),
    Interlock(
        "filter-backwash",
        lambda s: s.wash.is_due or not s.facts.is_filter_quiet,
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The filter is being washed, or is due: its water goes to the drain and would take stock along.",
        check="Nothing to do, unless it happens often: then the source water and the filter.",
    ),
    Interlock(
        "backwash-too-long",
        lambda s: s.site.filter is not None and s.wash.on_s > 3.0 * s.site.filter.backwash_s,
        Effect.ONE,
        phases=_RUN,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="The filter has been washing for far too long: water runs to the drain, or its contact is stuck.",
        check="Backwash valve and its contact; pressure for closing it.",
    ),
    Interlock(
        "backwash-too-often",
        lambda s: len(s.wash.ages_s) > MOST_BACKWASHES,
        Effect.ONE,
        phases=_RUN,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="The filter washed more than three times in half an hour: it does not come clean.",
        check="Source water, filter medium, backwash flow.",
    ),
    Interlock(
        "record-late",
        lambda s: s.facts.commit_late_s > s.site.limits.commit_age_s or not s.facts.ledger_writable,
        Effect.PAUSE,
        phases=_INJECT,
        meaning="The record cannot be written in time, and nothing is dosed without a record.",
        check="Disk full, worn card, wrong permissions.",
    ),
    Interlock(
        "paused-too-long",
        lambda s: s.run is not None and s.run.paused_s > s.site.limits.pause_max_s,
        Effect.WATER_ONLY,
        phases=_INJECT,
        meaning="The injection was paused for so long that it is given up for this run.",
        check="The cause that paused it.",
    ),
    Interlock(
        "held-too-long",
        lambda s: (
            s.unit.procedure in (ProcedureState.HELD, ProcedureState.RESTARTING)
            and s.run is not None
            and s.run.held_s > s.site.limits.hold_max_s
        ),
        Effect.WATER_ONLY,
        meaning="The run was held for so long that it goes on without fertiliser.",
        check="Who held it, and why.",
    ),
    Interlock(
        "injection-too-long",
        _is_late,
        Effect.WATER_ONLY,
        phases=_INJECT,
        meaning="INJECT took much longer than its litres should.",
        check="Flow, injector rate, pauses of this run.",
    ),
    Interlock(
        "shift-too-long",
        lambda s: _is_late(s) and _is_shift_alone(s),
        Effect.ONE,
        phases=_RUN - _INJECT,
        of_shift=True,
        meaning="The phase took much longer than its litres should, and the shed has pressure: the shift's own fault.",
        check="Its block valves and their wires; a closed hand valve or a blocked filter in its blocks.",
    ),
    Interlock(
        "phase-too-long",
        lambda s: _is_late(s) and not _is_shift_alone(s),
        Effect.ONE,
        phases=_RUN - _INJECT,
        latched=True,
        reset=Reset.OPERATOR,
        meaning="The phase took much longer than its litres should: pipes do not fill, or the meter does not count.",
        check="Burst or open end; main meter; pump.",
    ),
)

BY_CODE: Final = {row.code: row for row in MATRIX}
