"""Why a command is refused, in words that say what to do: who may give it, in which mode and state, and what stands."""

from typing import Final

from daemon.control.asked import Asked, Request
from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.lease import Lease
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, Effect, ProcedureState, Unit, UnitMode
from daemon.messages import DAEMON, TECHNICIAN, Verb

_P = ProcedureState
_STOPS: Final = frozenset({Verb.STOP_EVERYTHING, Verb.STOP_FERTILISER})
_DAEMONS: Final = frozenset({Verb.START, Verb.STOP_EVERYTHING})
"""What nobody need ask for: the timetable's start, and the stop when the controller ends."""
_CAME_FIRST: Final = "Refused: another command came first. Ask again."
_NOT_BY_ITSELF: Final = frozenset({"watchdog-unset", "watchdog-self-clears", "unclean-boots"})
"""While one of these stands nothing may run with nobody there."""


def refusal(unit: Unit, run: Run | None, facts: Facts, verdict: Verdict, asked: Asked, request: Request) -> str:
    """Return why the request is refused and what to do, or nothing."""
    may_not = _who_may(request)
    if may_not:
        return may_not
    match request.verb:
        case Verb.STOP_FERTILISER:
            return "" if unit.procedure in ACTIVE else "Nothing is running."
        case Verb.HOLD:
            return _hold(unit, run, asked)
        case Verb.RESET:
            if unit.procedure in ACTIVE:
                return "The procedure is still active: stop it first."
            return standing(verdict, Effect.NONE)
        case Verb.START:
            return _start(unit, facts, verdict, asked, request)
        case Verb.MODE:
            return _mode(unit, verdict, asked, request.mode)
        case Verb.FORCE:
            return _force(unit, facts, verdict, asked, request.lease)
        case Verb.BYPASS:
            return _bypass(verdict, asked, request.lease)
        case _:  # Stop everything, and what changes no process action, are accepted in every state
            return ""


_AFTER_MANY = ", once a technician has reset it: it was reset three times within an hour"


def standing(verdict: Verdict, most: Effect) -> str:
    """Return what stands in the way: causes in force, and not bypassed, that do more than `most`."""
    causes = [BY_CODE[code] for code in verdict.causes if code not in verdict.bypassed]
    return " ".join(
        f"{row.meaning} Reset: {row.reset.value}{_AFTER_MANY * (row.code in verdict.needs_technician)}. {row.check}"
        for row in causes
        if row.effect > most
    )


def _who_may(request: Request) -> str:
    """Return why this role may not ask for it. Whoever can log in may stop."""
    verb, role = request.verb, request.role
    if role == DAEMON:
        return "" if verb in _DAEMONS else "Only a person may ask for this."
    if verb in _STOPS:
        return ""
    if not request.is_person:
        return f"The role {role} may not ask for this: an operator or a technician may."
    if verb is Verb.BYPASS and role != TECHNICIAN:
        return "Only a technician may set an interlock aside. Ask one, or see to its cause."
    return ""


def _hold(unit: Unit, run: Run | None, asked: Asked) -> str:
    if asked.stop_everything:
        return "Refused: Stop everything came first."
    if run is not None and run.end:
        return "The run is at its end: water is already being shut."
    return "" if unit.procedure in (_P.RUNNING, _P.RESTARTING) else "Only a running shift can be held."


def _start(unit: Unit, facts: Facts, verdict: Verdict, asked: Asked, request: Request) -> str:
    if asked.stop_everything or asked.start or asked.restart or asked.mode is not None:
        return _CAME_FIRST
    if unit.procedure is _P.HELD:
        stands = standing(verdict, Effect.WATER_ONLY)
        return stands if request.is_person else "A run is held: a person must go on with it."
    if unit.procedure in ACTIVE:
        return "A run is under way. Stop it first, or wait for its end."
    if not request.recipes:
        return "Nothing was planned for this start."
    if unit.mode in (UnitMode.MANUAL, UnitMode.OUT_OF_SERVICE):
        return f"The unit is in {unit.mode.value}, where no shift runs. Change its mode first."
    stands = _not_ready(facts) or standing(verdict, Effect.WATER_ONLY)
    if stands or request.is_person:
        return stands
    if unit.mode is not UnitMode.AUTOMATIC:
        return f"The unit is in {unit.mode.value}: the timetable starts nothing until somebody puts it in AUTOMATIC."
    return _against_automatic(verdict)


def _mode(unit: Unit, verdict: Verdict, asked: Asked, mode: UnitMode | None) -> str:
    if mode is unit.mode:
        return ""
    if unit.procedure in ACTIVE:
        return f"A run is under way in {unit.mode.value}: stop it first, then change the mode."
    if asked.start or asked.mode is not None:
        return _CAME_FIRST
    return _against_automatic(verdict) if mode is UnitMode.AUTOMATIC else ""


def _against_automatic(verdict: Verdict) -> str:
    """Return what keeps the plant from running with nobody there."""
    rows = [BY_CODE[code] for code in verdict.causes if code in _NOT_BY_ITSELF]
    return " ".join(f"Not in AUTOMATIC: {row.meaning} {row.check}" for row in rows)


def _force(unit: Unit, facts: Facts, verdict: Verdict, asked: Asked, lease: Lease | None) -> str:
    if _is_second(asked):
        return _CAME_FIRST
    if unit.mode is UnitMode.OUT_OF_SERVICE:
        return "The unit is OUT_OF_SERVICE: nothing is forced. Change its mode first."
    if lease is not None and lease.forces_injector_on and (unit.procedure in ACTIVE or asked.start):
        return "An injector is forced only while no run is active: stop the run first, or wait for its end."
    return _not_ready(facts) or standing(verdict, Effect.TWO)


def _bypass(verdict: Verdict, asked: Asked, lease: Lease | None) -> str:
    if _is_second(asked):
        return _CAME_FIRST
    row = BY_CODE.get(lease.target) if lease is not None else None
    if row is None or not row.bypassable:
        return "Nobody may set this interlock aside: it guards people, the dose or the water. See to its cause."
    others = verdict._replace(bypassed=verdict.bypassed | {row.code})
    return standing(others, Effect.TWO)


def _is_second(asked: Asked) -> bool:
    """Return whether leases are being ended in this very scan."""
    return asked.stop_everything or asked.mode is not None or asked.ended is not None


def _not_ready(facts: Facts) -> str:
    if facts.emergency_stop_healthy is not True or facts.selector_auto is not True:
        return "The emergency stop and the selector must both be read as healthy and in Auto."
    if not facts.outputs_seen:
        return "The output module does not answer. Check its power and cable."
    return ""
