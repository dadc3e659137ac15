"""Rows of the matrix: the filter, the weather, the time that things take, and what a start finds."""

from typing import Final

from daemon.control.cause import Interlock, Priority, Reset, Situation
from daemon.control.causes_water import is_shift_alone
from daemon.control.run import Run
from daemon.control.states import Effect, Phase, ProcedureState
from daemon.control.weather import is_against
from daemon.site import Site

MOST_BACKWASHES: Final = 3
"""In half an hour (engineering judgement)."""
_RUN: Final = frozenset[Phase | None](Phase)
_INJECT: Final = frozenset[Phase | None]({Phase.INJECT})
_HELD: Final = frozenset({ProcedureState.HOLDING, ProcedureState.HELD, ProcedureState.RESTARTING})
_BLOCKED: Final = 1.5
"""Times the pressure difference at which the filter is to be washed: washing did not help (engineering judgement)."""
_BLOCKED_BAND: Final = 1.2
_BLOCKED_WASHES: Final = 2.0
_GUST_S: Final = 10.0
_LULL_S: Final = 60.0
"""Rain and wind come and go: so long must it be dry and calm before the injection goes on (engineering judgement)."""
_OWED_S: Final = 86_400.0
"""Stock left in a line for a day grows slime and salts out (engineering judgement)."""


def _expected_s(s: Situation, run: Run) -> float:
    """Return one and a half times the time that the phase should take by its litres at the expected flow."""
    recipe = run.recipe
    match s.unit.phase:
        case Phase.PREWET:
            litres = max(recipe.prewet_l, recipe.flush_l, s.owed_l)  # an old flush is paid first
        case Phase.INJECT:
            litres = recipe.inject_l
        case Phase.FLUSH:
            left_l = recipe.water_l - run.water_l + run.phase_water_l
            litres = max(recipe.flush_l, recipe.flush_most_l, left_l, s.owed_l)
        case _:
            return s.site.limits.fill_max_s
    return 1.5 * litres * 3.6 / recipe.flow_m3_h + s.site.limits.pause_max_s


def _is_late(s: Situation) -> bool:
    return s.run is not None and s.run.phase_s > _expected_s(s, s.run)


def _is_blocked(s: Situation, times: float = _BLOCKED) -> bool:
    sheet = s.site.filter
    return sheet is not None and sheet.wash_at_kpa is not None and s.facts.filter_kpa > times * sheet.wash_at_kpa


def _blocked_s(site: Site) -> float:
    return _BLOCKED_WASHES * (site.filter.backwash_s + site.filter.recover_s) if site.filter is not None else 0.0


def _never(s: Situation) -> bool:
    return False


RUN: Final[tuple[Interlock, ...]] = (
    Interlock(
        "filter-backwash",
        lambda s: s.wash.is_due or not s.facts.is_filter_quiet,
        Effect.PAUSE,
        phases=_INJECT,
        priority=Priority.NONE,
        magnitude="the wash's contact or output, or a contact that cannot be read",
        meaning="The filter is being washed, or is due: its water goes to the drain and would take stock along.",
        likely="A filter that is washed as it should be.",
        check="Nothing to do, unless it happens often: then the source water and the filter.",
    ),
    Interlock(
        "backwash-too-long",
        lambda s: s.site.filter is not None and s.wash.on_s > 3.0 * s.site.filter.backwash_s,
        Effect.ONE,
        phases=_RUN,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        window_s=lambda site: 3.0 * site.filter.backwash_s if site.filter is not None else 0.0,
        magnitude="three times filter.backwash_s in one go",
        meaning="The filter has been washing for far too long: water runs to the drain, or its contact is stuck.",
        likely="A drain valve that does not close, or a contact that is stuck.",
        check="Check backwash valve and its contact; pressure for closing it.",
    ),
    Interlock(
        "backwash-too-often",
        lambda s: len(s.wash.ages_s) > MOST_BACKWASHES,
        Effect.ONE,
        phases=_RUN,
        latched=True,
        reset=Reset.OPERATOR,
        bypassable=True,
        magnitude="more than three washes that began within half an hour",
        meaning="The filter washed more than three times in half an hour: it does not come clean.",
        likely="Dirty source water, a filter medium that is caked, or a wash that is too weak or too short.",
        check="Check source water, filter medium, backwash flow.",
    ),
    Interlock(
        "filter-blocked",
        _is_blocked,
        Effect.NONE,
        delay_s=_blocked_s,
        stays=lambda s: _is_blocked(s, _BLOCKED_BAND),
        phases=_RUN,
        bypassable=True,
        magnitude="1.5 times filter.wash_at_kpa over two washes' time",
        meaning="The filter's pressure difference stays far above that at which it is washed.",
        likely="A filter that washing does not clean, a wash that does not come, or a tapping line that is blocked.",
        check="Check whether it is washed at all; then filter medium, source water and the difference's two lines.",
    ),
    Interlock(
        "weather",
        lambda s: s.run is not None and is_against(s.run.recipe, s.facts),
        Effect.PAUSE,
        delay_s=lambda site: _GUST_S,
        clear_s=lambda site: _LULL_S,
        phases=_INJECT,
        bypassable=True,
        priority=Priority.LOW,
        magnitude="a contact of the weather that the timetable goes by",
        meaning="It rains or the wind is too strong, and the timetable goes by it.",
        likely="The weather, or a contact that is stuck.",
        check="Look out of the window; then the rain or wind contact.",
    ),
    Interlock(
        "paused-too-long",
        lambda s: s.run is not None and s.run.paused_s > s.site.limits.pause_max_s,
        Effect.WATER_ONLY,
        phases=_INJECT,
        window_s=lambda site: site.limits.pause_max_s,
        magnitude="limits.pause_max_s in one go",
        meaning="The injection was paused for so long that it is given up for this run.",
        likely="Whatever paused it, which did not go away by itself.",
        check="Look at what paused it.",
    ),
    Interlock(
        "held-too-long",
        lambda s: (
            s.unit.procedure in (ProcedureState.HELD, ProcedureState.RESTARTING)
            and s.run is not None
            and not s.run.is_dry
            and s.run.held_s > s.site.limits.hold_max_s
        ),
        Effect.WATER_ONLY,
        window_s=lambda site: site.limits.hold_max_s,
        magnitude="limits.hold_max_s",
        meaning="The run was held for so long that it goes on without fertiliser.",
        likely="Somebody held it and did not start it again.",
        check="Ask who held it, and why.",
    ),
    Interlock(
        "held-dry-too-long",
        lambda s: (
            s.unit.procedure in _HELD
            and s.run is not None
            and s.run.is_dry
            and s.run.held_s > s.site.limits.hold_dry_max_s
        ),
        Effect.ZERO,
        priority=Priority.HIGH,
        window_s=lambda site: site.limits.hold_dry_max_s,
        magnitude="limits.hold_dry_max_s",
        meaning="The run was held with all outputs off for so long that it is given up. Its flush is owed.",
        likely="Somebody works on the plant, or left the selector out of Auto.",
        check="Check the selector, and who is at the machine; then what flush is owed.",
    ),
    Interlock(
        "injection-too-long",
        _is_late,
        Effect.WATER_ONLY,
        phases=_INJECT,
        magnitude="one and a half times what its litres take at the expected flow, and limits.pause_max_s",
        meaning="The injection took much longer than its litres should.",
        likely="An injector that gives too little, a low flow, or many pauses.",
        check="Check flow, injector rate, pauses of this run.",
    ),
    Interlock(
        "shift-too-long",
        lambda s: _is_late(s) and is_shift_alone(s),
        Effect.ONE,
        phases=_RUN - _INJECT,
        of_shift=True,
        priority=Priority.HIGH,
        magnitude="one and a half times what its litres take at the expected flow, and limits.pause_max_s",
        meaning="The phase took much longer than its litres should, and the shed has pressure: the shift's own fault.",
        likely="A block valve that did not open, or a hand valve that is closed.",
        check="Check its block valves and their wires; a closed hand valve or a blocked filter in its blocks.",
    ),
    Interlock(
        "phase-too-long",
        lambda s: _is_late(s) and not is_shift_alone(s),
        Effect.ONE,
        phases=_RUN - _INJECT - {Phase.FILL},  # where the water did not start
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        magnitude="one and a half times what its litres take at the expected flow, and limits.pause_max_s",
        meaning="The phase took much longer than its litres should: pipes do not fill, or the meter does not count.",
        likely="A burst or an open end, a supply that gives too little, or a main meter that does not count.",
        check="Check burst or open end; main meter; pump.",
    ),
    Interlock(
        "flush-owed-long",
        lambda s: s.owed_s > _OWED_S,
        Effect.NONE,
        window_s=lambda site: _OWED_S,
        magnitude="24 hours since the oldest stock that is still owed a flush",
        meaning="Stock has been left in the pipes for more than a day.",
        likely="A run that was cut off, and nobody flushed what it left.",
        check="See what is owed, and have it flushed.",
    ),
    Interlock(
        "memory-lost",
        _never,  # a start on a plant whose record is new raises it
        Effect.WATER_ONLY,
        latched=True,
        reset=Reset.AT_MACHINE,
        priority=Priority.HIGH,
        instrument_s=0.0,
        magnitude="any start with a new record",
        meaning="The record is new, so nobody knows what lies in the pipes and what the blocks have had.",
        likely="A new plant, an exchanged disk, or a record that was moved away.",
        check="Look for the old record first. Else flush every block, and enter by hand what the blocks have had.",
    ),
    Interlock(
        "unclean-boots",
        _never,  # a start that was the third within half an hour raises it
        Effect.NONE,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        instrument_s=0.0,
        magnitude="three starts within half an hour with no proper end before them",
        meaning="The computer or the program ended three times within half an hour without a proper end.",
        likely="A weak power supply, a worn card, or a fault in the program.",
        check="Check power supply and its log, then the journal; timetables do not run until the mode is set again.",
    ),
)
