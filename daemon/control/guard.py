"""The guard: judges the matrix each scan. The worst effect wins, and a latched cause stays until its reset.

It judges with the last scan's phase, which is the one that the readings saw.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

from daemon.control.interlocks import BY_CODE, MATRIX, Interlock, Reset, Situation
from daemon.control.sense import Facts
from daemon.control.states import Effect, Phase

_JUDGED_IN: Final[Mapping[Phase | None, tuple[Interlock, ...]]] = {
    phase: tuple(row for row in MATRIX if phase in row.phases) for phase in (None, *Phase)
}


class Guard(NamedTuple):
    """Memory of the guard: which rows hold and for how long, which are in force, and the reset button's edge."""

    held_s: Mapping[str, float] = MappingProxyType({})
    """How long each row that is true has been true, by code."""
    active: frozenset[str] = frozenset()
    """Codes whose effect is in force: true now, or latched."""
    about: Mapping[str, frozenset[str]] = MappingProxyType({})
    """The channels that an active code is about, where it is not about the whole plant."""
    gone_s: Mapping[str, float] = MappingProxyType({})
    """How long a cause in force has been gone, where it must be for a time."""
    pressed_s: float = -1.0
    """How long the reset button has been down after a good low; negative when it must first be seen up."""
    pressed_on: frozenset[str] = frozenset()
    """What was true at any time since it went down: releasing it does not reset that."""
    resets_s: Mapping[str, tuple[float, ...]] = MappingProxyType({})
    """Ages of each cause's resets within the last hour."""


class Verdict(NamedTuple):
    """What the matrix says this scan."""

    effect: Effect
    causes: tuple[str, ...]
    """Codes in force, in the matrix's order."""
    raised: tuple[str, ...]
    cleared: tuple[str, ...]
    is_of_plant: bool = False
    """A cause in force ends the run that is not the shift's alone: it would end the next one as well."""
    resumes: bool = False
    """The dry hold that it asks for ends by itself."""
    bypassed: frozenset[str] = frozenset()
    """Interlocks that somebody set aside: none of them has an effect."""
    needs_technician: frozenset[str] = frozenset()
    """Causes in force that were reset so often within an hour that a technician must look."""


_NOBODY: Final = frozenset[str]()
_ALL_WELL: Final = Verdict(Effect.NONE, (), (), ())
_HOUR_S: Final = 3600.0
_MOST_RESETS: Final = 3
"""Of one cause within an hour: then resetting it is no answer any more."""


def guard(
    memory: Guard,
    situation: Situation,
    operator_reset: bool,
    bypassed: frozenset[str] = _NOBODY,
    *,
    technician_reset: bool = False,
) -> tuple[Guard, Verdict]:
    """Judge every row; return the new memory and the verdict.

    A cause that cannot be judged in this phase is not true; a latched one stays until reset with its cause gone. One
    that is about channels does nothing to a run that has none of them; one that is bypassed does nothing to any. One
    that was reset three times within an hour waits for a technician's reset, which forgets all resets.
    """
    site, dt_s = situation.site, situation.facts.dt_s
    pressed_s, at_machine = _reset_edge(memory.pressed_s, situation.facts)
    held_s: dict[str, float] = {}
    active: set[str] = set()
    about: dict[str, frozenset[str]] = {}
    gone_s: dict[str, float] = {}
    resets_s: Mapping[str, tuple[float, ...]] = {} if technician_reset else memory.resets_s
    if resets_s:
        resets_s = _aged(resets_s, dt_s)
    for row in _JUDGED_IN[situation.unit.phase]:
        was_active = row.code in memory.active
        holds = row.stays if was_active and row.stays is not None else row.holds
        if holds(situation):
            held_s[row.code] = memory.held_s.get(row.code, 0.0) + dt_s
            if was_active or held_s[row.code] >= row.delay_s(site):
                active.add(row.code)
                if row.channels is not None and (row.code in memory.about or row.code not in memory.active):
                    about[row.code] = row.channels(situation) | memory.about.get(row.code, _NOBODY)
    for code in memory.active - active:
        row = BY_CODE[code]
        gone = memory.gone_s.get(code, 0.0) + dt_s
        if code not in held_s and situation.unit.phase in row.phases and gone < row.clear_s(site):
            gone_s[code] = gone
            active.add(code)
            if code in memory.about:
                about[code] = memory.about[code]
            continue
        if not row.latched:
            continue
        resets = resets_s.get(code, ())
        is_reset = operator_reset if row.reset is Reset.OPERATOR else at_machine and code not in memory.pressed_on
        if code in held_s or not is_reset or len(resets) >= _MOST_RESETS or not row.known(situation):
            active.add(code)
            if code in memory.about:
                about[code] = memory.about[code]
        elif not technician_reset:
            resets_s = {**resets_s, code: (0.0, *resets)}
    if not held_s and not memory.active:  # nor is any in force now
        all_well = _ALL_WELL._replace(bypassed=bypassed) if bypassed else _ALL_WELL
        return Guard(held_s, memory.active, pressed_s=pressed_s, resets_s=resets_s), all_well
    pressed_on = memory.pressed_on.union(held_s) if pressed_s > 0.0 else _NOBODY
    causes = tuple(row.code for row in MATRIX if row.code in active)
    used = situation.run.channels.keys() if situation.run is not None else _NOBODY
    concerning = [
        BY_CODE[code] for code in causes if code not in bypassed and (code not in about or used & about[code])
    ]
    releasing = [row for row in concerning if row.effect is Effect.RELEASE]
    return Guard(held_s, frozenset(active), about, gone_s, pressed_s, pressed_on, resets_s), Verdict(
        max((row.effect for row in concerning), default=Effect.NONE),
        causes,
        raised=tuple(code for code in causes if code not in memory.active),
        cleared=tuple(sorted(memory.active - active)),
        is_of_plant=any(row.effect > Effect.RELEASE and not row.of_shift for row in concerning),
        resumes=bool(releasing) and all(row.resumes for row in releasing),
        bypassed=bypassed,
        needs_technician=frozenset([code for code in active if len(resets_s.get(code, ())) >= _MOST_RESETS])
        if resets_s
        else _NOBODY,
    )


def _aged(resets_s: Mapping[str, tuple[float, ...]], dt_s: float) -> dict[str, tuple[float, ...]]:
    """Return the resets of the last hour, each `dt_s` older."""
    aged = {code: tuple([age + dt_s for age in ages if age + dt_s < _HOUR_S]) for code, ages in resets_s.items()}
    return {code: ages for code, ages in aged.items() if ages}


_LEAST_PRESS_S: Final = 1.5
_LONGEST_PRESS_S: Final = 10.5


def _reset_edge(pressed_s: float, facts: Facts) -> tuple[float, bool]:
    """Follow the reset button: up, down for two to ten seconds, up again. A reading that is not good starts anew."""
    if facts.reset_pressed is None:
        return -1.0, False
    if not facts.reset_pressed:
        return 0.0, _LEAST_PRESS_S <= pressed_s <= _LONGEST_PRESS_S
    return (pressed_s + facts.dt_s, False) if pressed_s >= 0.0 else (-1.0, False)
