"""Refusals: roles that may only look, and commands that meet one that came first in the same scan."""

from dataclasses import replace
from typing import Any

import pytest

from daemon.control.asked import Asked
from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.lease import BYPASS, FORCE, Lease
from daemon.control.refusals import refusal
from daemon.control.requests import Request
from daemon.control.run import Run, begin
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, WATERING, Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.messages import DAEMON, OPERATOR, TECHNICIAN, Verb
from tests.daemon.control.plant import Rig, changed, reached, short_recipe, small

_P = ProcedureState
_FORCED = Lease("l1", FORCE, "valve.creek", True, 60.0, "Mira", "a look")
_INJECTOR = Lease("l3", FORCE, "injector.a", True, 60.0, "Mira", "a look")
_SET_ASIDE = Lease("l2", BYPASS, "injector-rate", True, 60.0, "Theo", "a new meter")


def _may_not(rig: Rig, *requests: Request) -> list[str]:
    return [answer.reason for answer in rig.scan(*requests).answers if not answer.accepted]


def test_whoever_may_only_look_may_still_stop() -> None:
    """Guards invariant 11 and the roles: a viewer's hold is refused, a viewer's stop is not."""
    rig = reached(Phase.INJECT)
    (reason,) = _may_not(rig, Request("h", Verb.HOLD, role="viewer"))
    assert "The role viewer may not ask for this" in reason
    assert not _may_not(rig, Request("s", Verb.STOP_EVERYTHING, role="viewer"))


def test_the_daemon_itself_may_only_start_and_stop() -> None:
    """Guards the timetable's role: it forces, resets and changes nothing."""
    (reason,) = _may_not(Rig(small()), Request("m", Verb.MODE, mode=UnitMode.MANUAL, role=DAEMON))
    assert reason == "Only a person may ask for this."


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (
            Request("m1", Verb.MODE, mode=UnitMode.MANUAL),
            Request("m2", Verb.MODE, mode=UnitMode.OUT_OF_SERVICE),
        ),
        (Request("s", Verb.START, (short_recipe(),)), Request("m", Verb.MODE, mode=UnitMode.MANUAL)),
        (Request("m", Verb.MODE, mode=UnitMode.MANUAL), Request("s", Verb.START, (short_recipe(),))),
        (Request("m", Verb.MODE, mode=UnitMode.MANUAL), Request("f", Verb.FORCE, lease=_FORCED)),
        (Request("r", Verb.RELEASE), Request("f", Verb.FORCE, lease=_FORCED)),
        (Request("x", Verb.STOP_EVERYTHING), Request("b", Verb.BYPASS, role=TECHNICIAN, lease=_SET_ASIDE)),
    ],
)
def test_what_an_earlier_command_of_the_scan_rules_out_is_refused(first: Request, second: Request) -> None:
    """Guards commands of one scan: nothing is granted that the one before would end in the same breath."""
    (reason,) = _may_not(rig := Rig(small()), first, second)
    assert reason == "Refused: another command came first. Ask again."
    assert not rig.state.leases


def test_a_mode_that_is_so_already_is_no_change() -> None:
    """Guards MODE: asking for the mode that is so ends no lease and is not refused, not even in a run."""
    rig = reached(Phase.INJECT)
    assert not _may_not(rig, Request("m", Verb.MODE, mode=rig.state.unit.mode))
    assert _may_not(rig, Request("o", Verb.MODE, mode=UnitMode.MANUAL))


_WELL = Verdict(Effect.NONE, (), (), ())
_RUN = begin(short_recipe())
_PERSON = Request("p", Verb.START, (short_recipe(),))
_REST = Unit(UnitMode.AUTOMATIC)


def _now(procedure: ProcedureState = _P.IDLE, mode: UnitMode = UnitMode.AUTOMATIC) -> Unit:
    return Unit(mode, procedure, Phase.INJECT if procedure in WATERING else None)


def _facts(**changes: Any) -> Facts:
    return Rig(small()).scan().facts._replace(**changes)


def _causes(*codes: str, bypassed: frozenset[str] = frozenset(), many: frozenset[str] = frozenset()) -> Verdict:
    effect = max((BY_CODE[code].effect for code in codes), default=Effect.NONE)
    return Verdict(effect, codes, (), (), bypassed=bypassed, needs_technician=many)


def _why(
    request: Request,
    unit: Unit = _REST,
    verdict: Verdict = _WELL,
    asked: Asked = Asked(),  # noqa: B008
    run: Run | None = None,
    **facts: Any,
) -> str:
    return refusal(unit, run, _facts(**facts), verdict, asked, request)


@pytest.mark.parametrize("verb", Verb)
@pytest.mark.parametrize("role", [DAEMON, OPERATOR, TECHNICIAN, "viewer"])
def test_each_role_may_ask_for_its_own(verb: Verb, role: str) -> None:
    """Guards the roles as a table: the daemon starts and stops, whoever logs in stops, a technician alone bypasses."""
    lease = _SET_ASIDE if verb is Verb.BYPASS else _FORCED
    why = _why(Request("r", verb, (short_recipe(),), role=role, lease=lease), _now(_P.RUNNING))
    only_person = "Only a person may ask for this."
    if role == DAEMON:
        assert (why == only_person) is (verb not in (Verb.START, Verb.STOP_EVERYTHING))
        return
    assert why != only_person
    stops = verb in (Verb.STOP_EVERYTHING, Verb.STOP_FERTILISER)
    assert ("The role viewer may not ask for this" in why) is (role == "viewer" and not stops)
    assert ("Only a technician may set an interlock aside" in why) is (role == OPERATOR and verb is Verb.BYPASS)


_BY_EFFECT = ("injector-rate", "pressure-low", "tank-empty", "selector-not-auto", "no-flow", "burst")


@pytest.mark.parametrize("code", _BY_EFFECT)
def test_what_stands_in_the_way_of_what(code: str) -> None:
    """Guards refusals by effect: a reset waits for all, starts and forces for what stops the water."""
    verdict, effect = _causes(code), BY_CODE[code].effect
    held = _now(_P.HELD)
    assert bool(_why(Request("r", Verb.RESET), verdict=verdict)) is (effect > Effect.NONE)
    assert bool(_why(_PERSON, verdict=verdict)) is (effect > Effect.WATER_ONLY)
    assert bool(_why(_PERSON, held, verdict)) is (effect > Effect.WATER_ONLY)
    assert bool(_why(Request("f", Verb.FORCE, lease=_FORCED), verdict=verdict)) is (effect > Effect.WATER_ONLY)
    bypass = Request("b", Verb.BYPASS, role=TECHNICIAN, lease=_SET_ASIDE)
    assert bool(_why(bypass, verdict=verdict)) is (effect > Effect.WATER_ONLY)
    assert not _why(_PERSON, verdict=_causes(code, bypassed=frozenset({code}))), "it is set aside"


def test_a_hold_of_category_two_bars_a_start_and_no_force(monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards category TWO, which no row has today: what holds a run energised lets somebody look with a force."""
    monkeypatch.setitem(BY_CODE, "no-flow", changed(BY_CODE["no-flow"], effect=Effect.TWO))
    verdict = _causes("no-flow")
    assert _why(_PERSON, verdict=verdict) and _why(_PERSON, _now(_P.HELD), verdict)
    assert not _why(Request("f", Verb.FORCE, lease=_FORCED), verdict=verdict)
    assert not _why(Request("b", Verb.BYPASS, role=TECHNICIAN, lease=_SET_ASIDE), verdict=verdict)


def test_what_stands_says_who_resets_it_and_what_to_look_at() -> None:
    """Guards refusals in words: meaning, who may reset, and the first check; and when only a technician may."""
    row = BY_CODE["no-flow"]
    assert _why(_PERSON, verdict=_causes("no-flow")) == f"{row.meaning} Reset: operator. {row.check}"
    many = _why(_PERSON, verdict=_causes("no-flow", many=frozenset({"no-flow"})))
    assert many == (
        f"{row.meaning} Reset: operator, once a technician has reset it: it was reset three times within an hour. "
        f"{row.check}"
    )
    both = _why(_PERSON, verdict=_causes("burst", "no-flow"))
    assert BY_CODE["burst"].meaning in both and row.meaning in both


@pytest.mark.parametrize("procedure", ProcedureState)
def test_where_the_procedure_stands(procedure: ProcedureState) -> None:
    """Guards admission by state: each command where it means something, and the words that say what to do."""
    unit = _now(procedure)
    is_active = procedure in ACTIVE
    assert _why(Request("f", Verb.STOP_FERTILISER), unit) == ("" if is_active else "Nothing is running.")
    is_going = procedure in (_P.RUNNING, _P.RESTARTING)
    assert _why(Request("h", Verb.HOLD), unit) == ("" if is_going else "Only a running shift can be held.")
    stop_first = "The procedure is still active: stop it first."
    assert _why(Request("r", Verb.RESET), unit) == (stop_first if is_active else "")
    under_way = "A run is under way. Stop it first, or wait for its end."
    may_start = not is_active or procedure is _P.HELD
    assert _why(_PERSON, unit) == ("" if may_start else under_way)
    assert _why(Request("m", Verb.MODE, mode=UnitMode.AUTOMATIC), unit) == "", "it is so already"
    mode = _why(Request("m", Verb.MODE, mode=UnitMode.MANUAL), unit)
    assert mode == ("A run is under way in AUTOMATIC: stop it first, then change the mode." if is_active else "")
    assert not _why(Request("f", Verb.FORCE, lease=_FORCED), unit)
    forced = _why(Request("f", Verb.FORCE, lease=_INJECTOR), unit)
    assert forced.startswith("An injector is forced only while no run is active") is is_active
    assert not _why(Request("f", Verb.FORCE, lease=changed(_INJECTOR, is_on=False)), unit), "held off it may be"


def test_a_run_whose_water_is_being_shut_is_not_held() -> None:
    """Guards HOLD: at its end there is nothing to hold, and after Stop everything it comes too late."""
    running = _now(_P.RUNNING)
    ending = _why(Request("h", Verb.HOLD), running, run=_RUN._replace(end="planned water passed"))
    assert ending == "The run is at its end: water is already being shut."
    assert not _why(Request("h", Verb.HOLD), running, run=_RUN)
    late = _why(Request("h", Verb.HOLD), running, asked=Asked(stop_everything=True), run=_RUN)
    assert late == "Refused: Stop everything came first."


_CAME_FIRST = "Refused: another command came first. Ask again."


@pytest.mark.parametrize(
    ("asked", "barred"),
    [
        (Asked(), set()),
        (Asked(stop_everything=True), {Verb.START, Verb.FORCE, Verb.BYPASS}),
        (Asked(start=(short_recipe(),)), {Verb.START, Verb.MODE}),
        (Asked(restart=True), {Verb.START}),
        (Asked(mode=UnitMode.MANUAL), {Verb.START, Verb.MODE, Verb.FORCE, Verb.BYPASS}),
        (Asked(ended=()), {Verb.FORCE, Verb.BYPASS}),
        (Asked(hold=True, stop_fertiliser=True, reset=True, acknowledged=()), set()),
    ],
)
def test_what_came_first_in_a_scan_rules_others_out(asked: Asked, barred: set[Verb]) -> None:
    """Guards commands of one scan, each pair: nothing is granted that the one before would end in the same breath."""
    requests = (
        _PERSON,
        Request("m", Verb.MODE, mode=UnitMode.SEMI_AUTOMATIC),
        Request("f", Verb.FORCE, lease=_FORCED),
        Request("b", Verb.BYPASS, role=TECHNICIAN, lease=_SET_ASIDE),
        Request("r", Verb.RELEASE),
        Request("a", Verb.ACKNOWLEDGE),
        Request("s", Verb.STOP_EVERYTHING),
    )
    assert {request.verb for request in requests if _why(request, asked=asked) == _CAME_FIRST} == barred
    injector = _why(Request("f", Verb.FORCE, lease=_INJECTOR), asked=Asked(start=(short_recipe(),)))
    assert injector.startswith("An injector is forced only while no run is active")


@pytest.mark.parametrize("mode", UnitMode)
@pytest.mark.parametrize("role", [DAEMON, OPERATOR])
def test_a_start_by_mode_and_role(mode: UnitMode, role: str) -> None:
    """Guards the unit's mode: a person starts in both that run shifts, the timetable in AUTOMATIC alone."""
    why = _why(replace(_PERSON, role=role), _now(mode=mode))
    if mode in (UnitMode.MANUAL, UnitMode.OUT_OF_SERVICE):
        assert why == f"The unit is in {mode.value}, where no shift runs. Change its mode first."
    elif role == DAEMON and mode is UnitMode.SEMI_AUTOMATIC:
        assert why.startswith("The unit is in SEMI_AUTOMATIC: the timetable starts nothing")
    else:
        assert not why
    force = _why(Request("f", Verb.FORCE, lease=_FORCED), _now(mode=mode))
    assert bool(force) is (mode is UnitMode.OUT_OF_SERVICE)


def test_a_start_needs_something_planned_and_a_held_run_a_person() -> None:
    """Guards START: with no recipe there is nothing to run; from HELD none is needed, but a person is."""
    empty = replace(_PERSON, recipes=())
    assert _why(empty) == "Nothing was planned for this start."
    assert not _why(empty, _now(_P.HELD))
    assert _why(replace(_PERSON, role=DAEMON), _now(_P.HELD)) == "A run is held: a person must go on with it."


@pytest.mark.parametrize("code", ["watchdog-unset", "watchdog-self-clears", "unclean-boots", "pressure-low"])
def test_what_keeps_a_plant_from_running_with_nobody_there(code: str) -> None:
    """Guards AUTOMATIC: neither entered nor started in by the timetable under what only a person may run with."""
    verdict, bars = _causes(code), code != "pressure-low"
    row = BY_CODE[code]
    expected = f"Not in AUTOMATIC: {row.meaning} {row.check}" if bars else ""
    assert _why(replace(_PERSON, role=DAEMON), verdict=verdict) == expected
    assert not _why(_PERSON, verdict=verdict)
    semi = _now(mode=UnitMode.SEMI_AUTOMATIC)
    assert _why(Request("m", Verb.MODE, mode=UnitMode.AUTOMATIC), semi, verdict) == expected
    assert not _why(Request("m", Verb.MODE, mode=UnitMode.MANUAL), semi, verdict)


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"emergency_stop_healthy": False}, "The emergency stop and the selector"),
        ({"emergency_stop_healthy": None}, "The emergency stop and the selector"),
        ({"selector_auto": False}, "The emergency stop and the selector"),
        ({"selector_auto": None}, "The emergency stop and the selector"),
        ({"outputs_seen": False}, "The output module does not answer"),
    ],
)
def test_nothing_is_started_or_forced_that_cannot_be_seen(facts: dict[str, Any], words: str) -> None:
    """Guards invariant 4: permits that are not read and well refuse a start and a force, whatever the matrix says."""
    assert _why(_PERSON, **facts).startswith(words)
    assert _why(Request("f", Verb.FORCE, lease=_FORCED), **facts).startswith(words)


@pytest.mark.parametrize(
    ("target", "may"), [("injector-rate", True), ("emergency-stop", False), ("no-such-row", False)]
)
def test_what_may_be_set_aside(target: str, may: bool) -> None:
    """Guards bypass: a row that is not critical; and its own standing is no reason against it."""
    request = Request("b", Verb.BYPASS, role=TECHNICIAN, lease=changed(_SET_ASIDE, target=target))
    assert (not _why(request)) is may
    own = Request("b", Verb.BYPASS, role=TECHNICIAN, lease=changed(_SET_ASIDE, target="pump-not-running"))
    assert not _why(own, verdict=_causes("pump-not-running"))
    assert _why(own, verdict=_causes("pump-not-running", "no-flow"))
