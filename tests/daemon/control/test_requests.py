"""Commands admitted: who asks for a reset, Stop before all others, what they ask together, and what is answered."""

from dataclasses import replace
from typing import Any

import pytest

from daemon.control.asked import Asked
from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.lease import FORCE, Lease
from daemon.control.requests import Request, admit, wants_reset, wants_technicians_reset
from daemon.control.states import ACTIVE, Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.messages import DAEMON, OPERATOR, TECHNICIAN, Answer, Verb
from tests.daemon.control.plant import Rig, changed, short_recipe, small
from tests.daemon.control.sites import night, orchard

_P = ProcedureState
_WELL = Verdict(Effect.NONE, (), (), ())
_RECIPE = short_recipe()
_LEASE = Lease("l1", FORCE, "valve.creek", True, 90.0, "Mira", "a look")


def _unit(procedure: ProcedureState = _P.IDLE) -> Unit:
    return Unit(UnitMode.SEMI_AUTOMATIC, procedure, None)


def _admitted(
    *requests: Request, unit: Unit | None = None, verdict: Verdict = _WELL, **facts: Any
) -> tuple[Asked, tuple[Answer, ...]]:
    seen = Rig(small()).scan().facts._replace(**facts)
    return admit(unit or _unit(), None, seen, verdict, requests)


@pytest.mark.parametrize("procedure", ProcedureState)
@pytest.mark.parametrize("verb", Verb)
@pytest.mark.parametrize("role", [DAEMON, OPERATOR, TECHNICIAN, "viewer"])
def test_who_asks_for_a_reset(procedure: ProcedureState, verb: Verb, role: str) -> None:
    """Guards latches: a person's RESET or START at rest, and a technician's RESET forgives what was reset too often."""
    request, is_rest = Request("r", verb, role=role), procedure not in ACTIVE
    is_person = role in (OPERATOR, TECHNICIAN)
    asks = is_rest and is_person and verb in (Verb.RESET, Verb.START)
    assert wants_reset(_unit(procedure), (request,)) is asks
    assert wants_reset(_unit(procedure), (Request("a", Verb.ACKNOWLEDGE), request)) is asks
    assert not wants_reset(_unit(procedure), (replace(request, fault="it cannot be planned"),))
    is_technician = is_rest and role == TECHNICIAN and verb is Verb.RESET
    assert wants_technicians_reset(_unit(procedure), (request,)) is is_technician
    assert not wants_reset(_unit(procedure), ())


def test_stop_comes_first_and_the_others_as_they_came() -> None:
    """Guards invariant 11 among commands of one scan: what was asked before Stop is judged after it."""
    asked, answers = _admitted(Request("s", Verb.START, (_RECIPE,)), Request("x", Verb.STOP_EVERYTHING))
    assert asked == Asked(stop_everything=True)
    assert [(answer.id, answer.accepted) for answer in answers] == [("x", True), ("s", False)]
    asked, answers = _admitted(Request("s1", Verb.START, (_RECIPE,)), Request("s2", Verb.START, (_RECIPE,)))
    assert asked.start == (_RECIPE,) and [answer.accepted for answer in answers] == [True, False]
    assert _admitted() == (Asked(), ())


_RUNNING = Unit(UnitMode.SEMI_AUTOMATIC, _P.RUNNING, Phase.INJECT)


@pytest.mark.parametrize(
    ("command", "unit", "asked", "told"),
    [
        (Request("r", Verb.START, (_RECIPE,)), _unit(), Asked(start=(_RECIPE,)), "The run starts."),
        (Request("r", Verb.START), _unit(_P.HELD), Asked(restart=True), "The run starts."),
        (
            Request("r", Verb.HOLD),
            _RUNNING,
            Asked(hold=True),
            "Held: fertiliser is off, water stays on for a bounded time.",
        ),
        (
            Request("r", Verb.STOP_FERTILISER),
            _RUNNING,
            Asked(stop_fertiliser=True),
            "Fertiliser is off for this run; water and flush go on.",
        ),
        (
            Request("r", Verb.STOP_EVERYTHING),
            _RUNNING,
            Asked(stop_everything=True),
            "Everything is being stopped in safe order.",
        ),
        (Request("r", Verb.RESET), _unit(), Asked(reset=True), "Reset."),
        (
            Request("r", Verb.MODE, mode=UnitMode.MANUAL),
            _unit(),
            Asked(mode=UnitMode.MANUAL),
            "The unit is in MANUAL.",
        ),
        (
            Request("r", Verb.MODE, mode=UnitMode.SEMI_AUTOMATIC),
            _unit(),
            Asked(),
            "The unit is in SEMI_AUTOMATIC.",
        ),
        (
            Request("r", Verb.FORCE, lease=_LEASE),
            _unit(),
            Asked(granted=(_LEASE,)),
            "Forced, as far as everything permits it. It ends by itself in 1.5 min.",
        ),
        (
            Request("r", Verb.FORCE, lease=changed(_LEASE, target="injector.a")),
            _unit(),
            Asked(granted=(changed(_LEASE, target="injector.a"),)),
            "Forced, as far as everything permits it. It ends by itself in 1.5 min. Stock flows only with a forced "
            "pump, forced valves and a proven flow; its flush is owed from then on.",
        ),
        (Request("r", Verb.RELEASE), _unit(), Asked(ended=()), "Ended."),
        (Request("r", Verb.RELEASE, target="pump"), _unit(), Asked(ended=("pump",)), "Ended."),
        (Request("r", Verb.ACKNOWLEDGE), _unit(), Asked(acknowledged=()), "Acknowledged."),
        (Request("r", Verb.ACKNOWLEDGE, target="burst"), _unit(), Asked(acknowledged=("burst",)), "Acknowledged."),
        (
            Request("r", Verb.SHELVE, target="burst", seconds=60.0),
            _unit(),
            Asked(shelved=(("burst", 60.0),)),
            "Shelved.",
        ),
        (
            Request("r", Verb.UNSHELVE, target="burst", seconds=60.0),
            _unit(),
            Asked(shelved=(("burst", 0.0),)),
            "No longer shelved.",
        ),
    ],
    ids=lambda value: f"{value.verb.value} {value.target}" if isinstance(value, Request) else "",
)
def test_what_a_command_asks_and_what_is_answered(command: Request, unit: Unit, asked: Asked, told: str) -> None:
    """Guards each verb: what it asks of the procedure, and nothing besides; the answer says what comes of it."""
    assert _admitted(command, unit=unit) == (asked, (Answer("r", True, told),))


def test_commands_of_one_scan_add_up() -> None:
    """Guards several at once: each is added to what the others ask, and all stands for all."""
    other = changed(_LEASE, id="l2", target="pump")
    asked, _ = _admitted(
        Request("f1", Verb.FORCE, lease=_LEASE),
        Request("f2", Verb.FORCE, lease=other),
        Request("a1", Verb.ACKNOWLEDGE, target="burst"),
        Request("a2", Verb.ACKNOWLEDGE, target="siphon"),
        Request("s1", Verb.SHELVE, target="burst", seconds=60.0),
        Request("s2", Verb.UNSHELVE, target="siphon"),
    )
    assert asked.granted == (_LEASE, other) and asked.acknowledged == ("burst", "siphon")
    assert asked.shelved == (("burst", 60.0), ("siphon", 0.0))
    for targets in (("", "pump"), ("pump", "")):
        asked, _ = _admitted(*(Request(f"r{name}", Verb.RELEASE, target=name) for name in targets))
        assert asked.ended == ()


def test_a_command_whose_arguments_cannot_be_used_is_refused_with_the_fault() -> None:
    """Guards bad input: it asks nothing, and the answer is what was wrong with it."""
    asked, (answer,) = _admitted(Request("s", Verb.START, (_RECIPE,), fault="No such program."))
    assert asked == Asked() and answer == Answer("s", False, "No such program.")


def _shifts() -> tuple[Any, ...]:
    return tuple(
        changed(night(orchard(), (name,), 1.8, run=f"run-{name}"), shift=name, inhibited_by=by)
        for name, by in (("hill", ("rain",)), ("ridge", ()), ("creek", ("rain",)))
    )


def test_what_the_weather_keeps_out_is_said_and_the_rest_begins() -> None:
    """Guards START in the rain: the first that may begin does, with those after it; one with none left is refused."""
    hill, ridge, creek = _shifts()
    rain: dict[str, Any] = {"weather": {"rain": True}}
    asked, (answer,) = _admitted(Request("s", Verb.START, (hill, ridge, creek)), **rain)
    assert asked == Asked(start=(ridge, creek), dropped=((hill, "it rains"),))
    assert answer == Answer("s", True, "The run starts. hill does not begin: it rains.")
    asked, answers = _admitted(Request("s1", Verb.START, (hill,)), Request("s2", Verb.START, (creek,)), **rain)
    assert asked == Asked(dropped=((hill, "it rains"), (creek, "it rains")))
    assert answers == (
        Answer("s1", False, "hill does not begin: it rains."),
        Answer("s2", False, "creek does not begin: it rains."),
    )


def test_a_start_says_that_no_fertiliser_will_flow() -> None:
    """Guards honest answers: under a cause that concerns injection alone the water starts, and the answer says so."""
    row = BY_CODE["watchdog-unset"]
    standing = Verdict(row.effect, (row.code,), (), ())
    _, (answer,) = _admitted(Request("s", Verb.START, (_RECIPE,)), verdict=standing)
    assert answer.accepted
    assert answer.reason == (
        f"The run starts; no fertiliser while this stands: {row.meaning} Reset: {row.reset.value}. {row.check}"
    )
    advice = Verdict(Effect.NONE, ("injector-rate",), (), ())
    _, (answer,) = _admitted(Request("s", Verb.START, (_RECIPE,)), verdict=advice)
    assert answer.reason == "The run starts.", "what does nothing keeps nothing"
