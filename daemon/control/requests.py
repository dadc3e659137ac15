"""Commands admitted: what somebody asked for, judged against where the procedure stands. Stop comes first."""

from dataclasses import dataclass, replace

from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, Effect, ProcedureState, Unit, UnitMode
from daemon.control.weather import kept
from daemon.messages import Answer, Verb
from daemon.recipe import Recipe

_P = ProcedureState


@dataclass(frozen=True, slots=True)
class Request:
    """A control command as `decide` sees it. A START from rest carries what was planned for it, shift after shift."""

    id: str
    verb: Verb
    recipes: tuple[Recipe, ...] = ()
    is_person: bool = True
    """Somebody asks; a START by the timetable resets nothing that waits for a person."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the admitted commands of this scan ask of the procedure, all together."""

    start: tuple[Recipe, ...] = ()
    dropped: tuple[tuple[Recipe, str], ...] = ()
    """What a START asked for and the weather keeps from beginning, each with why."""
    restart: bool = False
    hold: bool = False
    stop_fertiliser: bool = False
    stop_everything: bool = False
    reset: bool = False


_NOTHING = Asked()


def wants_reset(unit: Unit, requests: tuple[Request, ...]) -> bool:
    """Return whether an operator asks for a reset: by RESET, or by starting afresh. Nothing is reset while active."""
    return unit.procedure not in ACTIVE and any(
        request.verb in (Verb.RESET, Verb.START) and request.is_person for request in requests
    )


def admit(
    unit: Unit, run: Run | None, facts: Facts, verdict: Verdict, requests: tuple[Request, ...]
) -> tuple[Asked, tuple[Answer, ...]]:
    """Judge this scan's commands in the order Stop, then as they came; return what they ask and every answer."""
    if not requests:
        return _NOTHING, ()
    asked = _NOTHING
    answers = []
    for request in sorted(requests, key=lambda r: r.verb is not Verb.STOP_EVERYTHING):
        refusal, dropped = _refusal(unit, run, facts, verdict, asked, request), len(asked.dropped)
        if not refusal:
            asked = _ask(unit, asked, facts, request)
        left_out = " ".join(f"{recipe.shift} does not begin: {why}." for recipe, why in asked.dropped[dropped:])
        if left_out and not asked.start:
            refusal = left_out
        answers.append(Answer(request.id, not refusal, refusal or _accepted(request.verb, verdict, left_out)))
    return asked, tuple(answers)


def _accepted(verb: Verb, verdict: Verdict, left_out: str) -> str:
    standing = _standing(verdict, Effect.NONE)
    if verb is not Verb.START:
        return _ACCEPTED[verb]
    told = f"The run starts; no fertiliser while this stands: {standing}" if standing else _ACCEPTED[verb]
    return f"{told} {left_out}" if left_out else told


_ACCEPTED = {
    Verb.START: "The run starts.",
    Verb.HOLD: "Held: fertiliser is off, water stays on for a bounded time.",
    Verb.STOP_FERTILISER: "Fertiliser is off for this run; water and flush go on.",
    Verb.STOP_EVERYTHING: "Everything is being stopped in safe order.",
    Verb.RESET: "Reset.",
}


def _ask(unit: Unit, asked: Asked, facts: Facts, request: Request) -> Asked:
    match request.verb:
        case Verb.START:
            if unit.procedure is _P.HELD:
                return replace(asked, restart=True)
            dropped, start = kept(request.recipes, facts)
            return replace(asked, start=start, dropped=asked.dropped + dropped)
        case Verb.HOLD:
            return replace(asked, hold=True)
        case Verb.STOP_FERTILISER:
            return replace(asked, stop_fertiliser=True)
        case Verb.STOP_EVERYTHING:
            return replace(asked, stop_everything=True)
        case Verb.RESET:
            return replace(asked, reset=True)


def _refusal(unit: Unit, run: Run | None, facts: Facts, verdict: Verdict, asked: Asked, request: Request) -> str:
    """Return why the request is refused and what to do, or nothing."""
    procedure = unit.procedure
    match request.verb:
        case Verb.STOP_EVERYTHING:
            return ""  # accepted in every state
        case Verb.STOP_FERTILISER:
            return "" if procedure in ACTIVE else "Nothing is running."
        case Verb.HOLD:
            if asked.stop_everything:
                return "Refused: Stop everything came first."
            if run is not None and run.end:
                return "The run is at its end: water is already being shut."
            return "" if procedure in (_P.RUNNING, _P.RESTARTING) else "Only a running shift can be held."
        case Verb.RESET:
            if procedure in ACTIVE:
                return "The procedure is still active: stop it first."
            return _standing(verdict, Effect.NONE)
        case Verb.START:
            if asked.stop_everything or asked.start or asked.restart:
                return "Refused: another command came first."
            if procedure is _P.HELD:
                return _standing(verdict, Effect.WATER_ONLY)
            if procedure in ACTIVE:
                return "A run is under way. Stop it first, or wait for its end."
            if not request.recipes:
                return "Nothing was planned for this start."
            return _not_ready(unit, facts) or _standing(verdict, Effect.WATER_ONLY)


def _not_ready(unit: Unit, facts: Facts) -> str:
    if unit.mode in (UnitMode.MANUAL, UnitMode.OUT_OF_SERVICE):
        return f"The unit is in {unit.mode.value}."
    if facts.emergency_stop_healthy is not True or facts.selector_auto is not True:
        return "The emergency stop and the selector must both be read as healthy and in Auto."
    if not facts.outputs_seen:
        return "The output module does not answer. Check its power and cable."
    return ""


def _standing(verdict: Verdict, most: Effect) -> str:
    """Return what stands in the way: causes in force that do more than `most`."""
    causes = [BY_CODE[code] for code in verdict.causes if BY_CODE[code].effect > most]
    return " ".join(f"{row.meaning} Reset: {row.reset.value}. {row.check}" for row in causes)
