"""Commands admitted: what somebody asked for, judged against where the procedure stands. Stop comes first."""

from dataclasses import replace
from typing import assert_never

from daemon.control.asked import Asked, Request
from daemon.control.guard import Verdict
from daemon.control.refusals import refusal, standing
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, Effect, ProcedureState, Unit
from daemon.control.weather import kept
from daemon.messages import TECHNICIAN, Answer, Verb

__all__ = ["Asked", "Request", "admit", "wants_reset", "wants_technicians_reset"]

_NOTHING = Asked()


def wants_reset(unit: Unit, requests: tuple[Request, ...]) -> bool:
    """Return whether an operator asks for a reset: by RESET, or by starting afresh. Nothing is reset while active."""
    return unit.procedure not in ACTIVE and any(
        request.verb in (Verb.RESET, Verb.START) and request.is_person and not request.fault for request in requests
    )


def wants_technicians_reset(unit: Unit, requests: tuple[Request, ...]) -> bool:
    """Return whether a technician asks for a reset, which forgives a cause that was reset too often."""
    return unit.procedure not in ACTIVE and any(
        request.verb is Verb.RESET and request.role == TECHNICIAN for request in requests
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
        why_not = request.fault or refusal(unit, run, facts, verdict, asked, request)
        dropped = len(asked.dropped)
        if not why_not:
            asked = _ask(unit, asked, facts, request)
        left_out = " ".join(f"{recipe.shift} does not begin: {why}." for recipe, why in asked.dropped[dropped:])
        if left_out and not asked.start:
            why_not = left_out
        answers.append(Answer(request.id, not why_not, why_not or _accepted(request, verdict, left_out)))
    return asked, tuple(answers)


def _accepted(request: Request, verdict: Verdict, left_out: str) -> str:
    told = _ACCEPTED[request.verb]
    match request.verb:
        case Verb.START:
            stands = standing(verdict, Effect.NONE)
            told = f"The run starts; no fertiliser while this stands: {stands}" if stands else told
            return f"{told} {left_out}" if left_out else told
        case Verb.MODE if request.mode is not None:
            return f"The unit is in {request.mode.value}."
        case Verb.FORCE | Verb.BYPASS if request.lease is not None:
            injector = _OF_INJECTOR if request.lease.forces_injector_on else ""
            return f"{told} It ends by itself in {request.lease.left_s / 60.0:g} min.{injector}"
        case _:
            return told


_ACCEPTED = {
    Verb.START: "The run starts.",
    Verb.HOLD: "Held: fertiliser is off, water stays on for a bounded time.",
    Verb.STOP_FERTILISER: "Fertiliser is off for this run; water and flush go on.",
    Verb.STOP_EVERYTHING: "Everything is being stopped in safe order.",
    Verb.RESET: "Reset.",
    Verb.MODE: "The mode is changed.",
    Verb.FORCE: "Forced, as far as everything permits it.",
    Verb.BYPASS: "Set aside: it is still shown, and does nothing.",
    Verb.RELEASE: "Ended.",
    Verb.ACKNOWLEDGE: "Acknowledged.",
    Verb.SHELVE: "Shelved.",
    Verb.UNSHELVE: "No longer shelved.",
}
_OF_INJECTOR = " Stock flows only with a forced pump, forced valves and a proven flow; its flush is owed from then on."


def _ask(unit: Unit, asked: Asked, facts: Facts, request: Request) -> Asked:
    match request.verb:
        case Verb.START:
            if unit.procedure is ProcedureState.HELD:
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
        case Verb.MODE:
            return asked if request.mode is unit.mode else replace(asked, mode=request.mode)
        case Verb.FORCE | Verb.BYPASS:
            return asked if request.lease is None else replace(asked, granted=(*asked.granted, request.lease))
        case Verb.RELEASE:
            return replace(asked, ended=_with(asked.ended, request.target))
        case Verb.ACKNOWLEDGE:
            return replace(asked, acknowledged=_with(asked.acknowledged, request.target))
        case Verb.SHELVE:
            return replace(asked, shelved=(*asked.shelved, (request.target, request.seconds)))
        case Verb.UNSHELVE:
            return replace(asked, shelved=(*asked.shelved, (request.target, 0.0)))
        case _ as never:
            assert_never(never)


def _with(targets: tuple[str, ...] | None, target: str) -> tuple[str, ...]:
    """Return the targets with one more. Empty stands for all, and stays so."""
    if targets == () or not target:
        return ()
    return (*(targets or ()), target)
