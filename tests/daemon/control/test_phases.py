"""The procedure by itself: what each cause and command makes of a run, and with what litres a phase ends."""

import math
from typing import Any

import pytest

from daemon.control.asked import Asked
from daemon.control.flush import Rise
from daemon.control.guard import Verdict
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.phases import Step, proceed, started
from daemon.control.run import ChannelRun, Run, begin
from daemon.control.states import Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.site import Site
from tests.daemon.control.plant import Rig, changed, short_recipe, small

_P = ProcedureState
_RECIPE = short_recipe()
_WELL = Verdict(Effect.NONE, (), (), ())
_WATER = changed(SAFE, pump=True, blocks=frozenset({"creek"}))
_INJECTING = changed(_WATER, channels={"a": ChannelOutput(valve=True, run=True, drive=0.5)})
_NO_STEP = 1e-6


def _run(**changes: Any) -> Run:
    return begin(_RECIPE)._replace(**changes)


def _unit(procedure: ProcedureState, phase: Phase | None = Phase.INJECT) -> Unit:
    return Unit(UnitMode.SEMI_AUTOMATIC, procedure, phase)


def _cause(effect: Effect, *causes: str, resumes: bool = False, is_of_plant: bool = False) -> Verdict:
    return _WELL._replace(effect=effect, causes=causes or ("a-cause",), resumes=resumes, is_of_plant=is_of_plant)


def _proceed(
    unit: Unit,
    run: Run | None,
    asked: Asked = Asked(),  # noqa: B008
    verdict: Verdict = _WELL,
    last: Outputs = _WATER,
    owed_l: float = 0.0,
    *,
    is_followed: bool = False,
    site: Site | None = None,
) -> Step:
    facts = Rig(small()).scan().facts
    return proceed(site or small().site, unit, run, asked, verdict, facts, last, owed_l, is_followed)


_DONE = {"a": ChannelRun(done=True)}


@pytest.mark.parametrize("resumes", [True, False])
@pytest.mark.parametrize("cause_resumes", [True, False])
@pytest.mark.parametrize("hold", [True, False])
def test_a_dry_hold_ends_by_itself_only_if_all_that_made_it_does(
    resumes: bool, cause_resumes: bool, hold: bool
) -> None:
    """Guards rule 7: a second cause, or a person's hold on top of the first, makes it wait for a person."""
    verdict, asked = _cause(Effect.RELEASE, resumes=cause_resumes), Asked(hold=hold)
    run = _run(is_dry=True, resumes=resumes, restarts=1, held_s=7.0, checkpoint_s=2.0)
    step = _proceed(_unit(_P.HELD), run, asked, verdict, SAFE)
    assert step == Step(_unit(_P.HELD), run._replace(resumes=resumes and cause_resumes and not hold))


@pytest.mark.parametrize("procedure", [_P.RUNNING, _P.RESTARTING, _P.HOLDING, _P.HELD])
@pytest.mark.parametrize("cause_resumes", [True, False])
@pytest.mark.parametrize("hold", [True, False])
def test_a_released_run_is_held_dry(procedure: ProcedureState, cause_resumes: bool, hold: bool) -> None:
    """Guards rule 7: what a person holds stays held; a hold that begins now is timed anew, one under way runs on."""
    is_going = procedure in (_P.RUNNING, _P.RESTARTING)
    run = _run(held_s=9.0, settled_s=4.0, restarts=1, checkpoint_s=3.0, resumes=True)
    step = _proceed(_unit(procedure), run, Asked(hold=hold), _cause(Effect.RELEASE, resumes=cause_resumes), SAFE)
    assert step.unit == _unit(_P.HELD), "no injector is on"
    assert step.run == run._replace(
        is_dry=True,
        resumes=is_going and cause_resumes and not hold,
        restarts=1 + cause_resumes,
        held_s=0.0 if is_going else 9.0,
        settled_s=0.0,
        checkpoint_s=math.inf,
    )


def test_a_hold_waits_until_the_injector_is_off() -> None:
    """Guards HOLDING: it is HELD only once no injector is commanded on."""
    run = _run(held_s=0.0)
    assert _proceed(_unit(_P.HOLDING), run, last=_INJECTING).unit.procedure is _P.HOLDING
    assert _proceed(_unit(_P.HOLDING), run, last=_WATER).unit.procedure is _P.HELD


@pytest.mark.parametrize(
    ("phase", "injecting_l"), [(Phase.FILL, 200.0), (Phase.PREWET, 200.0), (Phase.INJECT, 500.0), (Phase.FLUSH, 200.0)]
)
def test_a_run_held_dry_begins_again_by_filling_and_keeps_what_it_has_had(phase: Phase, injecting_l: float) -> None:
    """Guards rule 7: nothing is left of the hold and of the phase that it cut but the water of its INJECT."""
    before = _run(
        is_dry=True,
        resumes=True,
        restarts=2,
        held_s=30.0,
        settled_s=3.0,
        settled_kpa=290.0,
        phase_s=50.0,
        phase_water_l=300.0,
        phase_stock_l=2.0,
        paused_s=4.0,
        injecting_l=200.0,
        water_l=900.0,
        run_s=120.0,
    )
    step = _proceed(_unit(_P.RESTARTING, phase), before, last=SAFE)
    assert step.unit == _unit(_P.RUNNING, Phase.FILL)
    assert step.left == (phase, before, "held with all outputs off")
    assert step.run == before._replace(
        is_dry=False,
        resumes=False,
        held_s=0.0,
        settled_s=0.0,
        settled_kpa=0.0,
        phase_s=0.0,
        phase_water_l=0.0,
        phase_stock_l=0.0,
        paused_s=0.0,
        injecting_l=injecting_l,
    )


@pytest.mark.parametrize(("held_s", "is_given_up"), [(60.0, False), (60.1, True)])
def test_stock_that_stood_for_longer_than_a_hold_may_take_ends_the_injection(held_s: float, is_given_up: bool) -> None:
    """Guards limits.hold_max_s of a dry hold, and that a dose which was in by then was not given up."""
    assert small().site.limits.hold_max_s == 60.0
    run = _proceed(_unit(_P.RESTARTING), _run(is_dry=True, held_s=held_s), last=SAFE).run
    assert run is not None and bool(run.given_up) is is_given_up
    whole = _proceed(_unit(_P.RESTARTING), _run(is_dry=True, held_s=held_s, channels=_DONE), last=SAFE).run
    assert whole is not None and not whole.given_up


@pytest.mark.parametrize(
    ("run", "goes_on"),
    [({"settled_s": 4.9}, False), ({"settled_s": 5.0}, True), ({"channels": _DONE}, True), ({"given_up": "x"}, True)],
)
def test_a_restart_waits_for_steady_water_unless_nothing_is_left_to_inject(run: dict[str, Any], goes_on: bool) -> None:
    """Guards RESTARTING: an injection goes on under flow and pressure that are steady; water alone goes on at once."""
    step = _proceed(_unit(_P.RESTARTING), _run(**run), last=_INJECTING)
    assert (step.unit.procedure is _P.RUNNING) is goes_on


@pytest.mark.parametrize("effect", [Effect.ONE, Effect.ZERO])
@pytest.mark.parametrize("given_up", ["", "an airlock"])
def test_a_stop_keeps_the_first_reason_for_a_dose_that_was_given_up(effect: Effect, given_up: str) -> None:
    """Guards the morning's why: what ended the injection first, and beside it what ended the run."""
    run = _proceed(_unit(_P.RUNNING), _run(given_up=given_up), verdict=_cause(effect, "one", "two")).run
    assert run is not None and run.end == "one, two" and run.given_up == (given_up or "one, two")


@pytest.mark.parametrize("procedure", [_P.RUNNING, _P.HOLDING, _P.HELD, _P.RESTARTING, _P.STOPPING])
def test_a_cause_of_category_zero_takes_any_run(procedure: ProcedureState) -> None:
    """Guards severity: ABORTING from every state of a run, a stop under way included; an abort stays what it is."""
    phase = Phase.INJECT if procedure is not _P.STOPPING else None
    step = _proceed(_unit(procedure, phase), _run(), verdict=_cause(Effect.ZERO))
    assert step.unit == _unit(_P.ABORTING, None)
    run = _run(end="first", given_up="first")
    assert _proceed(_unit(_P.ABORTING, None), run, verdict=_cause(Effect.ZERO)).run == run


@pytest.mark.parametrize(
    ("asked", "verdict", "run", "is_last"),
    [
        (Asked(stop_everything=True), _WELL, {}, True),
        (Asked(), _cause(Effect.ONE), {}, False),
        (Asked(), _cause(Effect.ONE, is_of_plant=True), {}, True),
        (Asked(), _cause(Effect.ONE), {"is_dry": True}, True),
        (Asked(), _cause(Effect.ONE), {"is_last": True}, True),
    ],
)
def test_what_ends_the_shifts_after_it_as_well(
    asked: Asked, verdict: Verdict, run: dict[str, Any], is_last: bool
) -> None:
    """Guards the night: a shift's own fault ends that shift; the plant's, a person's stop and a dry hold end all."""
    step = _proceed(_unit(_P.RUNNING), _run(**run), asked, verdict)
    assert step.unit.procedure is _P.STOPPING and step.run is not None and step.run.is_last is is_last
    assert step.run.end == ("stopped by an operator" if asked.stop_everything else "a-cause")


@pytest.mark.parametrize("procedure", [_P.STOPPING, _P.ABORTING])
def test_a_run_that_shuts_down_ends_when_all_is_off(procedure: ProcedureState) -> None:
    """Guards the end: any output still on and it is not over; the phase that it ended was told when it began."""
    run, ended = _run(end="a cause"), _P.STOPPED if procedure is _P.STOPPING else _P.ABORTED
    shut = changed(SAFE, channels={"a": ChannelOutput()})
    for last in (SAFE, shut):
        assert _proceed(_unit(procedure, None), run, last=last) == Step(_unit(ended, None), run, ended=True)
    for last in (
        changed(SAFE, pump=True),
        changed(SAFE, blocks=frozenset({"creek"})),
        changed(SAFE, channels={"a": ChannelOutput(valve=True)}),
        changed(SAFE, channels={"a": ChannelOutput(run=True)}),
    ):
        assert _proceed(_unit(procedure, None), run, last=last) == Step(_unit(procedure, None), run)


@pytest.mark.parametrize("procedure", [_P.RUNNING, _P.HELD])
@pytest.mark.parametrize("was_ending", [False, True])
def test_a_stop_tells_of_the_phase_that_it_ends_unless_that_was_told(
    procedure: ProcedureState, was_ending: bool
) -> None:
    """Guards the record: one end of each phase; a run whose water is being shut has told its flush already."""
    before = _run(end="flush and planned water passed" if was_ending else "")
    step = _proceed(_unit(procedure, Phase.FLUSH), before, Asked(stop_everything=True))
    assert step.run is not None
    assert step.left == (None if was_ending else (Phase.FLUSH, step.run, "stopped by an operator"))


@pytest.mark.parametrize("verdict", [_WELL, _cause(Effect.WATER_ONLY)])
@pytest.mark.parametrize("stop", [False, True])
def test_what_gives_an_injection_up(verdict: Verdict, stop: bool) -> None:
    """Guards WATER_ONLY and the first of the two stops: the reason is a person's if there is one; it is kept."""
    asked = Asked(stop_fertiliser=stop)
    expected = "fertiliser stopped by an operator" if stop else "a-cause" if verdict is not _WELL else ""
    run = _proceed(_unit(_P.RUNNING, Phase.PREWET), _run(), asked, verdict).run
    assert run is not None and run.given_up == expected
    run = _proceed(_unit(_P.RUNNING, Phase.PREWET), _run(given_up="before"), asked, verdict).run
    assert run is not None and run.given_up == "before"
    run = _proceed(_unit(_P.RUNNING, Phase.PREWET), _run(channels=_DONE), asked, verdict).run
    assert run is not None and not run.given_up, "all of it is in"


@pytest.mark.parametrize("procedure", [_P.RUNNING, _P.RESTARTING, _P.HOLDING, _P.HELD])
@pytest.mark.parametrize("how", ["a person", "a cause"])
def test_a_hold_is_timed_from_where_it_begins(procedure: ProcedureState, how: str) -> None:
    """Guards HELD's bound: a hold that is there already runs on, and nothing that is held goes on by itself."""
    asked, verdict = (Asked(hold=True), _WELL) if how == "a person" else (Asked(), _cause(Effect.TWO))
    run = _run(held_s=9.0, settled_s=3.0, resumes=True)
    step = _proceed(_unit(procedure), run, asked, verdict, _INJECTING)
    begins = procedure in (_P.RUNNING, _P.RESTARTING)
    assert step.unit.procedure is (_P.HOLDING if begins else procedure)
    expected = run._replace(resumes=False)
    assert step.run == (expected._replace(held_s=0.0, settled_s=0.0) if begins else expected)


@pytest.mark.parametrize(
    ("run", "asked", "causes", "goes_on"),
    [
        ({}, Asked(restart=True), (), True),
        ({}, Asked(), ("held-too-long",), True),
        ({}, Asked(), (), False),
        ({"resumes": True}, Asked(), (), False),
        ({"is_dry": True}, Asked(restart=True), (), True),
        ({"is_dry": True, "resumes": True}, Asked(), (), True),
        ({"is_dry": True}, Asked(), ("held-too-long",), False),
    ],
)
def test_what_ends_a_hold(run: dict[str, Any], asked: Asked, causes: tuple[str, ...], goes_on: bool) -> None:
    """Guards HELD: a wet hold ends by a person or its time, a dry one by a person or its own cause."""
    held = _run(held_s=9.0, settled_s=3.0, channels={"a": ChannelRun()}, **run)
    step = _proceed(_unit(_P.HELD), held, asked, _WELL._replace(causes=causes), SAFE)
    assert (step.unit.procedure is not _P.HELD) is goes_on
    if goes_on and not held.is_dry:
        assert step == Step(_unit(_P.RESTARTING), held._replace(held_s=0.0, settled_s=0.0))
    elif goes_on:
        assert step.unit == _unit(_P.RUNNING, Phase.FILL)


def test_a_dry_hold_is_judged_by_all_of_its_time() -> None:
    """Guards the bound of a dry hold: a START does not forget how long the stock has stood."""
    run = _proceed(_unit(_P.HELD), _run(is_dry=True, held_s=61.0), Asked(restart=True), last=SAFE).run
    assert run is not None and run.given_up == "held with all outputs off for too long"


@pytest.mark.parametrize("asked", [Asked(hold=True), Asked(restart=True)])
@pytest.mark.parametrize("verdict", [_WELL, _cause(Effect.RELEASE), _cause(Effect.TWO)])
def test_a_run_whose_water_is_being_shut_is_not_held(asked: Asked, verdict: Verdict) -> None:
    """Guards the end against hanging: it is over when all is off, whatever is asked of it."""
    run = _run(end="flush and planned water passed")
    assert _proceed(_unit(_P.RUNNING, Phase.FLUSH), run, asked, verdict) == Step(_unit(_P.RUNNING, Phase.FLUSH), run)
    done = _proceed(_unit(_P.RUNNING, Phase.FLUSH), run, asked, verdict, SAFE)
    assert done == Step(_unit(_P.COMPLETE, None), run, ended=True)


def _next_phase(step: Step) -> Phase | None:
    """Return the phase that the run went on to; none where it stays."""
    if step.left is None or step.unit.phase is step.left[0]:
        return None
    assert step.run is not None
    counted = (step.run.phase_s, step.run.phase_water_l, step.run.phase_stock_l, step.run.paused_s)
    assert counted == (0.0, 0.0, 0.0, 0.0), "nothing of the next phase is counted yet"
    return step.unit.phase


_COUNTED: dict[str, float] = {"phase_s": 9.0, "phase_water_l": 8.0, "phase_stock_l": 1.0, "paused_s": 3.0}


@pytest.mark.parametrize(
    ("phase", "run", "owed_l", "last", "to"),
    [
        (Phase.FILL, {"settled_s": 4.9}, 0.0, _WATER, None),
        (Phase.FILL, {"settled_s": 5.0}, 500.0, _WATER, Phase.PREWET),
        (Phase.PREWET, {"water_l": _RECIPE.prewet_l - _NO_STEP}, 0.0, _WATER, None),
        (Phase.PREWET, {"water_l": _RECIPE.prewet_l}, 0.0, _WATER, Phase.INJECT),
        (Phase.PREWET, {"water_l": _RECIPE.prewet_l}, 0.1, _WATER, None),
        (Phase.PREWET, {"water_l": _RECIPE.prewet_l, "given_up": "x"}, 0.1, _WATER, Phase.FLUSH),
        (Phase.PREWET, {"water_l": _RECIPE.prewet_l, "channels": _DONE}, 0.0, _WATER, Phase.FLUSH),
        (Phase.PREWET, {"water_l": _RECIPE.prewet_l - 1.0, "given_up": "x"}, 0.0, _WATER, None),
        (Phase.INJECT, {}, 0.0, _WATER, None),
        (Phase.INJECT, {"channels": _DONE}, 9.0, _INJECTING, None),
        (Phase.INJECT, {"channels": _DONE}, 9.0, _WATER, Phase.FLUSH),
        (Phase.INJECT, {"given_up": "x"}, 9.0, _WATER, Phase.FLUSH),
    ],
)
def test_a_phase_ends_by_its_litres(
    phase: Phase, run: dict[str, Any], owed_l: float, last: Outputs, to: Phase | None
) -> None:
    """Guards rule 12 and invariant 2: steady, pre-wet and what is owed, the planned stock; and never by time."""
    before = _run(**_COUNTED, **run)
    step = _proceed(_unit(_P.RUNNING, phase), before, last=last, owed_l=owed_l)
    assert _next_phase(step) is to
    if to is None:
        assert step == Step(_unit(_P.RUNNING, phase), before)


@pytest.mark.parametrize(
    ("phase", "run", "why"),
    [
        (Phase.PREWET, {"given_up": "an airlock"}, "no injection: an airlock"),
        (Phase.PREWET, {"channels": _DONE}, "no injection: none planned"),
        (Phase.INJECT, {"given_up": "an airlock"}, "an airlock"),
        (Phase.INJECT, {"channels": _DONE}, "planned stock is in"),
    ],
)
def test_a_phase_says_why_it_ended(phase: Phase, run: dict[str, Any], why: str) -> None:
    """Guards the record: a reader learns why there was no injection, or why it ended."""
    before = _run(water_l=_RECIPE.prewet_l, **run)
    assert _proceed(_unit(_P.RUNNING, phase), before).left == (phase, before, why)


@pytest.mark.parametrize(("less_l", "owed_l", "is_over"), [(0.0, 0.0, True), (_NO_STEP, 0.0, False), (0.0, 0.1, False)])
@pytest.mark.parametrize("has_injected", [True, False])
def test_a_flush_ends_with_its_water_and_what_is_owed(
    less_l: float, owed_l: float, is_over: bool, has_injected: bool
) -> None:
    """Guards invariant 2: the planned water has passed and nothing is owed; without EC the volume alone decides."""
    before = _run(water_l=_RECIPE.water_l - less_l, has_injected=has_injected)
    before = before._replace(recipe=changed(_RECIPE, flush_ec_ms_cm=0.0))
    step = _proceed(_unit(_P.RUNNING, Phase.FLUSH), before, owed_l=owed_l)
    why = "flush and planned water passed" if has_injected else "planned water passed"
    if is_over:
        assert step.run == before._replace(end=why) and step.left == (Phase.FLUSH, before, why)
        assert step.unit == _unit(_P.RUNNING, Phase.FLUSH) and not step.ended and not step.is_unclear
    else:
        assert step == Step(_unit(_P.RUNNING, Phase.FLUSH), before)


_STILL_HIGH = Rise(ms_cm=0.5, seen_s=60.0, before_ms_cm=0.0)


@pytest.mark.parametrize(("since_l", "is_over"), [(_RECIPE.flush_most_l - 1.0, False), (_RECIPE.flush_most_l, True)])
def test_a_flush_that_is_not_clear_goes_on_to_its_most(since_l: float, is_over: bool) -> None:
    """Guards the flush by EC: it asks for more water up to a bound, and the end says that it was not clear."""
    assert _RECIPE.flush_ec_ms_cm > 0.0
    before = _run(water_l=_RECIPE.water_l, has_injected=True, rise=_STILL_HIGH, since_injected_l=since_l)
    step = _proceed(_unit(_P.RUNNING, Phase.FLUSH), before)
    assert (step.left is not None) is is_over and step.is_unclear is is_over
    if step.left is not None:
        why = "the line's EC is not back, and more water was not planned"
        assert step.left[2] == f"flush and planned water passed; {why}"
    clean = _proceed(_unit(_P.RUNNING, Phase.FLUSH), before._replace(has_injected=False))
    assert clean.left is not None and not clean.is_unclear, "what was never injected is not waited for"


@pytest.mark.parametrize("at_changeover", ["keep", "stop", None])
@pytest.mark.parametrize("is_followed", [True, False])
@pytest.mark.parametrize("is_clear", [True, False])
def test_a_shift_hands_its_running_water_on(at_changeover: str | None, is_followed: bool, is_clear: bool) -> None:
    """Guards the change of shift: with the pump kept, or none, the next begins at once; else water is shut."""
    site = small().site
    assert site.pump is not None
    pump = site.pump.model_copy(update={"at_changeover": at_changeover}) if at_changeover is not None else None
    rise = Rise(seen_s=60.0, before_ms_cm=0.0) if is_clear else _STILL_HIGH
    before = _run(water_l=_RECIPE.water_l, has_injected=True, rise=rise, since_injected_l=_RECIPE.flush_most_l)
    step = _proceed(
        _unit(_P.RUNNING, Phase.FLUSH), before, is_followed=is_followed, site=site.model_copy(update={"pump": pump})
    )
    assert step.ended is (is_followed and at_changeover != "stop")
    assert step.unit == (_unit(_P.COMPLETE, None) if step.ended else _unit(_P.RUNNING, Phase.FLUSH))
    assert step.is_unclear is not is_clear and step.left is not None and step.run is not None and step.run.end


@pytest.mark.parametrize("procedure", [_P.IDLE, _P.STOPPED, _P.ABORTED, _P.COMPLETE])
def test_from_rest_a_unit_starts_resets_and_changes_its_mode(procedure: ProcedureState) -> None:
    """Guards the procedure at rest: only a start begins anything, and a run that ended is reset before it."""
    old = _run(end="over")
    rest = _unit(procedure, None)
    assert _proceed(rest, old) == Step(rest, old)
    assert _proceed(rest, old, Asked(reset=True)).unit == _unit(_P.IDLE, None)
    manual = _proceed(rest, old, Asked(mode=UnitMode.MANUAL))
    assert manual.unit == changed(rest, mode=UnitMode.MANUAL) and manual.run is old
    begun = Step(_unit(_P.RUNNING, Phase.FILL), begin(_RECIPE), began=True)
    assert _proceed(rest, old, Asked(start=(_RECIPE,))) == started(rest, _RECIPE) == begun


def test_without_a_run_nothing_proceeds() -> None:
    """Guards a unit that is active with no run, which no scan makes: it is left as it is."""
    assert _proceed(_unit(_P.RUNNING), None) == Step(_unit(_P.RUNNING), None)
