"""Rows of the matrix: the safety circuit, the output module, the clock and the record."""

from typing import Final

from daemon.control.cause import Interlock, Priority, Reset, Situation
from daemon.control.states import Effect, Phase

_RUN: Final = frozenset[Phase | None](Phase)
_INJECT: Final = frozenset[Phase | None]({Phase.INJECT})
_CONTACT_S: Final = 1.0
"""A contact and its input (engineering judgement)."""
_MOST_DRY_HOLDS: Final = 2
"""In a run: each one fills the pipes anew."""


def _is_unseen(s: Situation) -> bool:
    """Return whether the module that holds outputs and safety inputs could not be read."""
    return not s.facts.outputs_seen or s.facts.emergency_stop_healthy is None or s.facts.selector_auto is None


CIRCUIT: Final[tuple[Interlock, ...]] = (
    Interlock(
        "emergency-stop",
        lambda s: s.facts.emergency_stop_healthy is False,
        Effect.ZERO,
        latched=True,
        reset=Reset.AT_MACHINE,
        known=lambda s: s.facts.emergency_stop_healthy is not None,
        priority=Priority.HIGH,
        magnitude="the circuit is open",
        instrument_s=_CONTACT_S,
        meaning="The emergency stop is pressed.",
        likely="Somebody is in danger, or was; a broken wire of the circuit looks the same.",
        check="Go to the shed and find out why it was pressed before releasing it.",
    ),
    Interlock(
        "selector-not-auto",
        lambda s: s.facts.selector_auto is False,
        Effect.RELEASE,
        clear_s=lambda site: 2.0 * site.site.scan_s,
        priority=Priority.MEDIUM,
        magnitude="the contact of Auto is open",
        instrument_s=_CONTACT_S,
        meaning="The selector in the shed is not in Auto: the controller lets go of all outputs.",
        likely="Somebody works on the plant, or waters by hand; a loose wire of the selector looks the same.",
        check="Someone may be working on the plant. Ask before turning it back.",
    ),
    Interlock(
        "outputs-restarted",
        lambda s: s.facts.has_restarted,
        Effect.RELEASE,
        clear_s=lambda site: 2.0 * site.site.scan_s,
        resumes=True,
        priority=Priority.MEDIUM,
        magnitude="its clock goes back, or all that it had on is off at once",
        instrument_s=_CONTACT_S,
        meaning="The output module has restarted and dropped its outputs: the shift begins again by filling its pipes.",
        likely="A dip of its supply, or its own time-out because this computer was busy for too long.",
        check="Check supply of the output module and what else is switched on it.",
    ),
    Interlock(
        "outputs-restarted-often",
        lambda s: s.run is not None and s.run.restarts > _MOST_DRY_HOLDS,
        Effect.ONE,
        phases=_RUN,
        latched=True,
        reset=Reset.OPERATOR,
        priority=Priority.HIGH,
        magnitude="the third time in a run",
        instrument_s=_CONTACT_S,
        meaning="The run has been held with all outputs off more than twice, and is given up.",
        likely="The supply of the output module comes and goes.",
        check="Check supply of the output module, its terminals and fuse; then the selector's wire.",
    ),
    Interlock(
        "outputs-unseen",
        _is_unseen,
        Effect.PAUSE,
        priority=Priority.MEDIUM,
        magnitude="one reading that is BAD or stale",
        meaning="The output module does not answer, so what it does is not known.",
        likely="Its bus is disturbed, or it has no supply.",
        check="Check power and cable of the output module.",
    ),
    Interlock(
        "outputs-frozen",
        lambda s: s.facts.is_frozen,
        Effect.PAUSE,
        priority=Priority.MEDIUM,
        magnitude="its clock stands for more than 5 s",
        instrument_s=6.0,
        meaning="The output module answers, and its own clock stands still: what it shows is old.",
        likely="Its program hangs while its bus still answers, or a converter answers in its place.",
        check="Switch the output module off and on; look for a converter that keeps old answers.",
    ),
    Interlock(
        "outputs-lost",
        lambda s: _is_unseen(s) or s.facts.is_frozen,
        Effect.ZERO,
        delay_s=lambda site: site.safety.max_watchdog_s / 2.0,
        priority=Priority.HIGH,
        magnitude="no reading that can be believed for half of safety.max_watchdog_s",
        instrument_s=6.0,  # of a frozen one; one that is silent shows it at once
        meaning="The output module is silent, or shows old states, for so long that nobody knows its outputs.",
        likely="Its cable or its supply is gone.",
        check="Check power and cable of the output module; nothing restarts by itself.",
    ),
    Interlock(
        "outputs-differ",
        lambda s: not s.facts.outputs_match and not s.facts.has_restarted,
        Effect.ZERO,
        delay_s=lambda site: 1.5 * site.site.scan_s,
        latched=True,
        reset=Reset.OPERATOR,
        known=lambda s: s.facts.outputs_seen,
        priority=Priority.HIGH,
        magnitude="one output for two scans",
        instrument_s=_CONTACT_S,
        meaning="The output module does not hold what was written.",
        likely="Another master writes to it, or one of its relays has failed.",
        check="Look for another program on this network that writes to the output module; then at its relays.",
    ),
    Interlock(
        "watchdog-unset",
        lambda s: s.facts.outputs_seen and not s.facts.watchdog_armed,
        Effect.PAUSE,
        priority=Priority.MEDIUM,
        magnitude="0, or more than safety.max_watchdog_s",
        meaning="The output module would hold its outputs if this computer stopped: its time-out is off or too long.",
        likely="The module was exchanged, or has lost its settings: makers often deliver it with the time-out off.",
        check="Set the module's time-out within what the site allows.",
    ),
    Interlock(
        "watchdog-self-clears",
        lambda s: s.facts.watchdog_self_clears,
        Effect.NONE,
        priority=Priority.MEDIUM,
        magnitude="the setting is on",
        meaning="The output module's time-out clears itself: its outputs may come back unasked. No start by itself.",
        likely="The module was exchanged, or has lost its settings.",
        check="Set the module so that its time-out stays until its master writes again.",
    ),
    Interlock(
        "reset-stuck",
        lambda s: s.facts.reset_pressed is True,
        Effect.NONE,
        delay_s=lambda site: 10.0,
        priority=Priority.LOW,
        magnitude="pressed for more than 10 s",
        instrument_s=_CONTACT_S,
        meaning="The reset button is held down or stuck: it resets nothing like this.",
        likely="A stuck button, a bridged contact or a short in its cable.",
        check="Check the reset button in the shed and its cable.",
    ),
    Interlock(
        "clock-not-trusted",
        lambda s: not s.facts.is_clock_trusted,
        Effect.NONE,
        delay_s=lambda site: 120.0,  # after a start it takes a while until a time server has answered
        priority=Priority.MEDIUM,
        magnitude="no sign for two minutes that it is right",
        meaning="Nothing tells that this computer's clock is right, so nothing starts by its timetable.",
        likely="No network since the start, or the clock's battery is empty.",
        check="Check network and time server; a person may start a shift meanwhile.",
    ),
    Interlock(
        "record-late",
        lambda s: s.facts.commit_late_s > s.site.limits.commit_age_s or not s.facts.ledger_writable,
        Effect.PAUSE,
        phases=_INJECT,
        priority=Priority.HIGH,
        magnitude="a row that is older than limits.commit_age_s, or none can be written",
        instrument_s=5.0,  # how old a row may be at most
        meaning="The record cannot be written in time, and nothing is dosed without a record.",
        likely="The disk is full, worn or very slow.",
        check="Check disk full, worn card, wrong permissions.",
    ),
)
