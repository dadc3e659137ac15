"""What an operator asks for: hold, start again, the two stops, reset; refusals with their reason; Stop first."""

from dataclasses import replace

import pytest

from daemon.control.lease import BYPASS, FORCE, Lease
from daemon.control.requests import Request
from daemon.control.states import ACTIVE, Phase, ProcedureState, UnitMode
from daemon.evidence import PhaseEnded, RunEnded, Unscheduled
from daemon.messages import DAEMON, TECHNICIAN, Answer, Verb
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, changed, is_injecting, of_kind, reached, short_recipe, small
from tests.daemon.control.spec import Watch, injectors

_P = ProcedureState


def _ask(rig: Rig, *verbs: Verb) -> dict[Verb, Answer]:
    """Give commands in one scan, a START with a recipe, and return their answers."""
    recipe = short_recipe("run-2")
    requests = [_request(verb, recipe) for verb in verbs]
    answers = {answer.id: answer for answer in rig.scan(*requests).answers}
    assert all(answer.reason for answer in answers.values())
    return {verb: answers[verb.value] for verb in verbs}


def _request(verb: Verb, recipe: Recipe) -> Request:
    plain = Request(verb.value, verb)
    match verb:
        case Verb.START:
            return replace(plain, recipes=(recipe,))
        case Verb.MODE:
            return replace(plain, mode=UnitMode.MANUAL)
        case Verb.FORCE:
            return replace(plain, lease=Lease("force", FORCE, "valve.creek", True, 600.0, "Mira", "a look"))
        case Verb.BYPASS:
            lease = Lease("bypass", BYPASS, "injector-rate", True, 600.0, "Mira", "a measuring glass says so")
            return replace(plain, role=TECHNICIAN, lease=lease)
        case Verb.SHELVE | Verb.UNSHELVE:
            return replace(plain, target="injector-rate", seconds=600.0)
        case _:
            return plain


def _held(phase: Phase = Phase.INJECT) -> Rig:
    rig = reached(phase, Watch(every=10_000))
    assert _ask(rig, Verb.HOLD)[Verb.HOLD].accepted
    assert _now(rig) in (_P.HOLDING, _P.HELD) and not injectors(rig.state.outputs)
    rig.until(lambda state: state.unit.procedure is _P.HELD, most=3)
    return rig


def _now(rig: Rig) -> ProcedureState:
    return rig.state.unit.procedure


@pytest.mark.parametrize("phase", list(Phase))
def test_a_hold_is_wet_and_a_start_goes_on_with_the_run(phase: Phase) -> None:
    """Guards HOLD and START from HELD in each phase: water stays on, the same phase goes on, the dose is whole."""
    rig = _held(phase)
    before_l = rig.water_l
    rig.scans(20)
    assert rig.state.unit.phase is phase
    assert rig.state.outputs.blocks == {"creek"} and rig.state.outputs.channels == {}
    if phase is not Phase.FILL:
        assert rig.state.outputs.pump and rig.water_l > before_l
    assert _ask(rig, Verb.START)[Verb.START].accepted
    assert _now(rig) is (_P.RUNNING if phase is Phase.FLUSH else _P.RESTARTING)  # nothing more to inject: no proof
    rig.until(lambda state: state.unit.procedure is _P.RUNNING)
    assert rig.state.unit.phase is (Phase.PREWET if phase is Phase.FILL else phase)  # steady is steady
    rig.until_end()
    assert _now(rig) is _P.COMPLETE
    assert rig.stock_l["a"] == pytest.approx(short_recipe().channels[0].stock_l, rel=0.015)
    assert [row.run for row in of_kind(rig.rows, RunEnded)] == ["run-1"]


def test_an_injection_that_was_held_needs_a_new_intent() -> None:
    """Guards commit before opening: every opening of the injector has its own intent on disk."""
    rig = _held()
    assert rig.kinds()["InjectionIntent"] == 1
    _ask(rig, Verb.START)
    rig.until(is_injecting)
    assert rig.kinds()["InjectionIntent"] == 2
    assert rig.kinds()["FlushOwed"] == 2, "what is owed already is not owed twice"


@pytest.mark.parametrize("held_scans", range(46, 60))
def test_a_hold_that_almost_flushes_still_owes_when_the_injection_comes_back(held_scans: int) -> None:
    """Guards invariant 2: the old flush may not be paid off between the new intent and the injector's opening."""
    rig = _held()
    rig.scans(held_scans)
    _ask(rig, Verb.START)
    rig.until(is_injecting)
    rig.scan()
    assert {item.segment for item in rig.state.lines.owed} == {"creek", "main"}
    assert all(item.left_l == item.full_l for item in rig.state.lines.owed)


@pytest.mark.parametrize("phase", list(Phase))
def test_a_hold_that_lasts_too_long_goes_on_without_fertiliser(phase: Phase) -> None:
    """Guards the bound of HELD: after hold_max the run goes on water-only by itself, to its end."""
    rig = _held(phase)
    held_s = rig.at_s
    rig.until(lambda state: state.unit.procedure is _P.RUNNING)
    assert rig.at_s - held_s == pytest.approx(rig.plant.site.limits.hold_max_s, abs=4.0)
    given_l = rig.stock_l["a"]
    rig.until_end()
    assert _now(rig) is _P.COMPLETE
    assert rig.stock_l["a"] == given_l
    assert rig.water_l >= short_recipe().water_l and not rig.state.lines.owed


@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.INJECT])
def test_a_restart_that_never_settles_does_not_water_for_ever(phase: Phase) -> None:
    """Guards the bound of HELD over RESTARTING: with the flow meter dead the run goes on water-only, by its volume."""
    rig = _held(phase)
    rig.bad.add("flow")
    assert _ask(rig, Verb.START)[Verb.START].accepted
    assert _now(rig) is _P.RESTARTING
    rig.until_end()
    run = rig.state.run
    assert _now(rig) is _P.COMPLETE and run is not None
    assert run.water_l >= short_recipe().water_l
    assert rig.steps < 700


@pytest.mark.parametrize("phase", list(Phase))
def test_stop_fertiliser_keeps_the_water_on(phase: Phase) -> None:
    """Guards the first of the two stops: injector off in that scan for good, planned water and flush to the end."""
    rig = reached(phase, Watch(every=10_000))
    given_l = rig.stock_l["a"]
    assert _ask(rig, Verb.STOP_FERTILISER)[Verb.STOP_FERTILISER].accepted
    assert not injectors(rig.state.outputs) and rig.state.outputs.blocks == {"creek"}
    rig.until_end()
    assert _now(rig) is _P.COMPLETE
    assert rig.stock_l["a"] == pytest.approx(given_l, abs=0.07)  # what that scan's second still gave
    assert rig.water_l >= short_recipe().water_l and not rig.state.lines.owed
    ended = of_kind(rig.rows, RunEnded)[0]
    expected = {Phase.FLUSH: "DELIVERED", Phase.INJECT: "SHORT"}.get(phase, "NOT_RUN")
    assert ended.outcome == expected
    assert ("operator" in ended.why) is (phase is not Phase.FLUSH)


@pytest.mark.parametrize("phase", list(Phase))
def test_stop_everything_stops_in_safe_order_and_leaves_the_flush_owed(phase: Phase) -> None:
    """Guards the second stop, category ONE, in each phase: order kept by the watch, owed told, one end."""
    rig = reached(phase, Watch(every=10_000))
    assert _ask(rig, Verb.STOP_EVERYTHING)[Verb.STOP_EVERYTHING].accepted
    assert not injectors(rig.state.outputs) and _now(rig) is _P.STOPPING
    assert rig.state.outputs.blocks == {"creek"}
    rig.until(lambda state: state.unit.procedure is _P.STOPPED, most=20)
    assert bool(rig.state.lines.owed) is (phase in (Phase.INJECT, Phase.FLUSH))
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["STOPPED"]
    assert of_kind(rig.rows, RunEnded)[0].why == "stopped by an operator"
    assert [row.phase for row in of_kind(rig.rows, PhaseEnded)] == [p.value for p in Phase][
        : list(Phase).index(phase) + 1
    ]


def _in_state(state: ProcedureState) -> Rig:
    """Return a rig in a procedure state."""
    rig = Rig(small())
    rig.watch = Watch(every=10_000)
    if state is _P.IDLE:
        rig.scan()
        return rig
    rig.start(short_recipe())
    rig.until_injecting()
    if state in (_P.HOLDING, _P.HELD, _P.RESTARTING):
        rig.scan(Verb.HOLD)
        if state is not _P.HOLDING:
            rig.until(lambda s: s.unit.procedure is _P.HELD)
        if state is _P.RESTARTING:
            rig.scan(Verb.START)
    elif state in (_P.STOPPING, _P.STOPPED):
        rig.scan(Verb.STOP_EVERYTHING)
    elif state in (_P.ABORTING, _P.ABORTED):
        rig.pressure_kpa = 470.0
    if state not in (_P.RUNNING, _now(rig)):
        rig.until(lambda s: s.unit.procedure is state)
    assert _now(rig) is state
    rig.pressure_kpa = 300.0
    return rig


@pytest.mark.parametrize("state", list(ProcedureState))
def test_stop_everything_is_accepted_in_every_state(state: ProcedureState) -> None:
    """Guards invariant 11: Stop among other commands, and before them, shuts the injector in the same scan."""
    rig = _in_state(state)
    answers = _ask(rig, Verb.HOLD, Verb.STOP_EVERYTHING, Verb.START, Verb.STOP_FERTILISER, Verb.RESET)
    assert answers[Verb.STOP_EVERYTHING].accepted
    assert not answers[Verb.START].accepted and not answers[Verb.HOLD].accepted
    assert not injectors(rig.state.outputs)
    assert _now(rig) not in ACTIVE - {_P.STOPPING, _P.ABORTING}
    rig.until(lambda s: s.unit.procedure not in ACTIVE, most=20)
    assert not rig.state.outputs.pump and not rig.state.outputs.blocks


_ACCEPTED = {
    Verb.HOLD: {_P.RUNNING, _P.RESTARTING},
    Verb.STOP_FERTILISER: set(ACTIVE),
    Verb.STOP_EVERYTHING: set(ProcedureState),
    Verb.START: {_P.IDLE, _P.HELD, _P.STOPPED, _P.ABORTED, _P.COMPLETE},
    Verb.RESET: {_P.IDLE, _P.STOPPED, _P.ABORTED, _P.COMPLETE},
    Verb.MODE: {_P.IDLE, _P.STOPPED, _P.ABORTED, _P.COMPLETE},
    Verb.FORCE: set(ProcedureState) - {_P.ABORTING, _P.ABORTED},  # what stopped the plant still stands
    Verb.BYPASS: set(ProcedureState) - {_P.ABORTING, _P.ABORTED},
    Verb.RELEASE: set(ProcedureState),
    Verb.ACKNOWLEDGE: set(ProcedureState),
    Verb.SHELVE: set(ProcedureState),
    Verb.UNSHELVE: set(ProcedureState),
}


@pytest.mark.parametrize("state", list(ProcedureState))
@pytest.mark.parametrize("verb", list(Verb))
def test_each_command_is_accepted_where_it_means_something(verb: Verb, state: ProcedureState) -> None:
    """Guards admission as a table: every verb in every state, and a reason of some words when it is refused."""
    rig = _in_state(state)
    answer = _ask(rig, verb)[verb]
    assert answer.accepted is (state in _ACCEPTED[verb])
    assert answer.reason.endswith(".")
    if not answer.accepted:
        assert len(answer.reason.split()) >= 3


@pytest.mark.parametrize("state", [_P.STOPPED, _P.ABORTED, _P.COMPLETE])
def test_a_reset_returns_an_ended_procedure_to_idle_and_starts_nothing(state: ProcedureState) -> None:
    """Guards RESET: IDLE again, everything off, what is owed kept, and a START begins from there."""
    rig = _in_state(state)
    owed = [item._replace(age_s=0.0) for item in rig.state.lines.owed]
    assert _ask(rig, Verb.RESET)[Verb.RESET].accepted
    assert _now(rig) is _P.IDLE
    rig.scans(30)
    assert _now(rig) is _P.IDLE and not rig.state.outputs.blocks
    assert [item._replace(age_s=0.0) for item in rig.state.lines.owed] == owed
    assert rig.start(short_recipe("run-2")).accepted
    assert _now(rig) is _P.RUNNING


def test_a_refused_reset_resets_nothing() -> None:
    """Guards severity that only rises until the end: RESET while stopping is refused, and the latch stays."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    rig.pressure_kpa = 470.0
    rig.until(lambda state: state.unit.procedure is _P.ABORTING)
    rig.pressure_kpa = 300.0
    rig.scan()
    assert not _ask(rig, Verb.RESET)[Verb.RESET].accepted
    assert rig.state.guard.active == {"pressure-high"}
    rig.until_end()
    assert _ask(rig, Verb.RESET)[Verb.RESET].accepted and not rig.state.guard.active


def test_starting_afresh_resets_what_an_operator_may_reset() -> None:
    """Guards START after an end: a latch of the operator's class with its cause gone does not bar it."""
    rig = _in_state(_P.ABORTED)
    assert rig.state.guard.active == {"pressure-high"}
    assert rig.start(short_recipe("run-2")).accepted
    assert not rig.state.guard.active


def test_the_timetable_resets_nothing() -> None:
    """Guards a latch of the operator's class: what nobody has looked at bars the night that starts by itself."""
    rig = _in_state(_P.ABORTED)
    by_itself = Request("night", Verb.START, (short_recipe("run-2"),), role=DAEMON)
    (answer,) = rig.scan(by_itself).answers
    assert not answer.accepted and "operator" in answer.reason
    assert rig.state.guard.active == {"pressure-high"}


def test_an_overdose_of_the_last_run_can_be_reset() -> None:
    """Guards reset with the cause gone: a run that is over no longer holds its cause true."""
    rig = reached(Phase.INJECT)
    planned_l = short_recipe().channels[0].stock_l
    rig.until(lambda state: state.run is not None and state.run.injected_l > 0.98 * planned_l)
    rig.stock_counts["a"] += 0.12 * planned_l / 0.01  # at once, and no faster than is believed
    rig.until_end()
    assert "dose-over-plan" in rig.state.guard.active
    assert _ask(rig, Verb.RESET)[Verb.RESET].accepted
    assert not rig.state.guard.active


def test_nothing_can_be_held_while_the_run_shuts_its_water() -> None:
    """Guards HELD against hanging: at the end of a run HOLD is refused, and the run completes."""
    rig = reached(Phase.FLUSH)
    rig.until(lambda state: state.run is not None and bool(state.run.end))
    assert _now(rig) is _P.RUNNING
    assert not _ask(rig, Verb.HOLD)[Verb.HOLD].accepted
    rig.until(lambda state: state.unit.procedure is _P.COMPLETE, most=20)


@pytest.mark.parametrize("how", ["stop", "trip"])
def test_a_phase_ends_once_even_when_the_end_is_cut_short(how: str) -> None:
    """Guards the record: a stop or a trip while the run shuts its water adds no second end of FLUSH."""
    rig = reached(Phase.FLUSH)
    rig.until(lambda state: state.run is not None and bool(state.run.end))
    if how == "stop":
        rig.scan(Verb.STOP_EVERYTHING)
    else:
        rig.forced["selector"] = 0.0
    rig.until_end()
    assert [row.phase for row in of_kind(rig.rows, PhaseEnded)] == [phase.value for phase in Phase]
    assert len(of_kind(rig.rows, RunEnded)) == 1


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"emergency_stop": 0.0}, "emergency stop"),
        ({"selector": 0.0}, "Auto"),
        ({"emergency_stop": None}, "emergency stop"),
        ({"selector": None}, "Auto"),
        ({"output.pump": None}, "output module"),
        ({"output.pump": 1.0}, "does not hold what was written"),
    ],
)
def test_a_start_is_refused_with_what_stands_in_its_way(fault: dict[str, float | None], words: str) -> None:
    """Guards refusals: a start needs the safety circuit and the output module read and well; the answer says which."""
    rig = Rig(small())
    for name, value in fault.items():
        if value is None:
            rig.bad.add(name)
        else:
            rig.forced[name] = value
    rig.scans(2)
    answer = rig.start(short_recipe())
    assert not answer.accepted and words in answer.reason
    assert _now(rig) is _P.IDLE and not rig.state.outputs.blocks


@pytest.mark.parametrize("mode", [UnitMode.MANUAL, UnitMode.OUT_OF_SERVICE])
def test_a_start_is_refused_in_a_mode_that_runs_no_shifts(mode: UnitMode) -> None:
    """Guards the unit's mode: MANUAL and OUT_OF_SERVICE start nothing."""
    rig = Rig(small())
    rig.state = changed(rig.state, unit=changed(rig.state.unit, mode=mode))
    answer = rig.start(short_recipe())
    assert not answer.accepted and mode.value in answer.reason


def test_a_start_without_a_recipe_is_refused() -> None:
    """Guards START from rest: it carries the plan it was made for."""
    assert not Rig(small()).scan(Verb.START).answers[0].accepted


def test_a_start_under_a_standing_cause_says_that_no_fertiliser_will_flow() -> None:
    """Guards honest answers: a cause that concerns injection alone starts the water and says what is missing."""
    rig = Rig(small())
    rig.forced["watchdog"] = 0.0
    answer = rig.start(short_recipe())
    assert answer.accepted and "no fertiliser" in answer.reason and "time-out" in answer.reason


@pytest.mark.parametrize(
    ("verbs", "accepted"),
    [
        ((Verb.HOLD, Verb.STOP_FERTILISER), (True, True)),
        ((Verb.STOP_FERTILISER, Verb.HOLD), (True, True)),
        ((Verb.HOLD, Verb.START), (True, False)),
        ((Verb.HOLD, Verb.STOP_EVERYTHING), (False, True)),
        ((Verb.STOP_FERTILISER, Verb.STOP_EVERYTHING), (True, True)),
    ],
)
def test_commands_of_one_scan_are_judged_together(verbs: tuple[Verb, ...], accepted: tuple[bool, ...]) -> None:
    """Guards same-scan combinations while injecting: Stop first, then as they came; the strongest wins."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    answers = _ask(rig, *verbs)
    assert tuple(answers[verb].accepted for verb in verbs) == accepted
    assert not injectors(rig.state.outputs)
    stops = Verb.STOP_EVERYTHING in verbs
    assert _now(rig) is (_P.STOPPING if stops else _P.HOLDING)


def test_two_starts_in_one_scan_start_one_run() -> None:
    """Guards START: the second of two is refused, and one run begins."""
    rig = Rig(small())
    decision = rig.scan(*(Request(f"s{n}", Verb.START, (short_recipe(f"run-{n}"),)) for n in (1, 2)))
    assert [answer.accepted for answer in decision.answers] == [True, False]
    assert rig.kinds()["RunStarted"] == 1
    assert rig.state.run is not None and rig.state.run.recipe.run == "run-1"


def test_a_held_run_goes_on_without_fertiliser_under_a_cause_that_allows_water() -> None:
    """Guards START of a held run: what takes the fertiliser alone does not keep the water off."""
    rig = _held()
    rig.state = changed(rig.state, guard=rig.state.guard._replace(active=frozenset({"siphon"})))
    assert rig.scan(Verb.START).answers[0].accepted
    rig = _held()
    rig.state = changed(rig.state, guard=rig.state.guard._replace(active=frozenset({"pressure-stays-low"})))
    assert not rig.scan(Verb.START).answers[0].accepted


def test_what_flows_in_a_wet_hold_is_the_runs_water() -> None:
    """Guards rule 6: its litres water, displace and pay what is owed; none of them is booked to nobody."""
    rig = _held()
    run, owed = rig.state.run, rig.state.lines.owed
    assert run is not None and owed
    rig.scans(10)
    after = rig.state.run
    assert after is not None
    moved_l = short_recipe().flow_m3_h / 3.6 * 10.0
    assert after.water_l - run.water_l == pytest.approx(moved_l, abs=10.0)
    assert after.since_injected_l > run.since_injected_l
    assert sum(item.left_l for item in rig.state.lines.owed) < sum(item.left_l for item in owed)
    assert not of_kind(rig.rows, Unscheduled)
