"""The selector out of Auto: all outputs off in that scan, held dry, and nothing starts by itself when it is back."""

import pytest

from daemon.control.asked import Asked
from daemon.control.guard import Verdict
from daemon.control.image import SAFE
from daemon.control.phases import proceed
from daemon.control.states import Effect, Phase, ProcedureState
from daemon.evidence import FlushOwed, RunEnded, Unscheduled
from daemon.messages import Verb
from tests.daemon.control.plant import Rig, of_kind, reached, short_recipe, small
from tests.daemon.control.spec import Watch


def _in_hand(phase: Phase) -> Rig:
    rig = reached(phase, Watch(every=10_000))
    rig.forced["selector"] = 0.0
    assert rig.scan().outputs == SAFE
    assert rig.state.run is not None and rig.state.run.settled_s == 0.0, "the flow must settle anew"
    rig.scans(5)
    _assert_held(rig)
    return rig


def _assert_held(rig: Rig) -> None:
    assert rig.state.unit.procedure is ProcedureState.HELD and rig.state.outputs == SAFE


@pytest.mark.parametrize("phase", list(Phase))
def test_back_in_auto_nothing_starts_by_itself_and_a_start_gives_the_rest(phase: Phase) -> None:
    """Guards rule 7 in each phase: released at once, held until somebody starts it, filled anew, the dose whole."""
    rig = _in_hand(phase)
    lasted_s = rig.state.run.run_s if rig.state.run is not None else 0.0
    rig.forced.clear()
    rig.scans(20)
    _assert_held(rig)
    assert rig.state.run is not None and rig.state.run.run_s == pytest.approx(lasted_s + 20.0), "a hold is of the run"
    assert rig.scan(Verb.START).answers[0].accepted
    rig.until(lambda state: state.unit.procedure is ProcedureState.RUNNING)
    run = rig.state.run
    assert rig.state.unit.phase is Phase.FILL and run is not None and not (run.is_dry or run.resumes)
    assert run.held_s == run.settled_s == run.settled_kpa == 0.0, "nothing of the hold is left"
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.lines.owed
    assert rig.stock_l["a"] == pytest.approx(short_recipe().channels[0].stock_l, rel=0.02)


def test_a_dry_hold_is_bounded_and_leaves_its_flush_owed() -> None:
    """Guards the bound of a dry hold: half an hour, then ABORTED, with the flush owed."""
    rig = _in_hand(Phase.INJECT)
    rig.scans(400, dt_s=5.0)
    assert rig.state.unit.procedure is ProcedureState.ABORTED
    assert "held-dry-too-long" in of_kind(rig.rows, RunEnded)[0].why
    assert {item.segment for item in rig.state.lines.owed} == {"creek", "main"}


def test_stock_that_a_hand_lets_in_is_nobodys_dose_and_owes_every_pipe() -> None:
    """Guards rule 7: no siphon trip, an unscheduled row, a flush owed everywhere, and the run's injection is over."""
    rig = _in_hand(Phase.INJECT)
    given_l = rig.state.run.injected_l if rig.state.run is not None else 0.0
    rig.siphon_l_h = 200.0
    rig.scans(60)
    rig.siphon_l_h = 0.0
    assert "siphon" not in rig.state.guard.active
    stock = [row for row in of_kind(rig.rows, Unscheduled) if row.channel == "a"]
    assert sum(row.volume_ml for row in stock) == pytest.approx(200.0 / 60.0 * 1000.0, rel=0.06)
    assert any(row.stock == "injector a" for row in of_kind(rig.rows, FlushOwed))
    rig.forced.clear()
    rig.scans(3)
    rig.scan(Verb.START)
    rig.until_end()
    run = rig.state.run
    assert run is not None and run.given_up and run.injected_l == pytest.approx(given_l, abs=0.02)
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.lines.owed


def test_a_run_that_ends_while_it_is_held_dry_is_followed_by_none() -> None:
    """Guards rule 7: a cause that would let the next shift begin does not, with somebody at the machine."""
    rig = Rig(small())
    assert rig.start(short_recipe(), short_recipe("run-2")).accepted
    rig.until_injecting()
    rig.forced["selector"] = 0.0
    rig.scans(3)
    run = rig.state.run
    assert run is not None and run.is_dry
    verdict = Verdict(Effect.ONE, ("valve-shut",), (), (), is_of_plant=False)
    facts = rig.scan().facts
    step = proceed(rig.plant.site, rig.state.unit, run, Asked(), verdict, facts, SAFE, 0.0, is_followed=True)
    assert step.unit.procedure is ProcedureState.STOPPED and step.run is not None and step.run.is_last


def test_water_that_a_hand_lets_through_is_nobodys_and_may_have_moved_the_stock() -> None:
    """Guards rule 7: the run counts none of it, the whole flush stays owed, and the doubt over the dose is wider."""
    rig = _in_hand(Phase.INJECT)
    run = rig.state.run
    (before,) = rig.state.lines.pipes.values()
    for _ in range(15):
        rig.water_counts += 2.0
        rig.scan()
    (after,) = rig.state.lines.pipes.values()
    assert rig.state.run is not None and run is not None and rig.state.run.water_l == run.water_l
    assert after.way.line.delivered_l == before.way.line.delivered_l, "nobody knows that it went to the block"
    assert after.way.short.delivered_l > before.way.short.delivered_l, "nor that it did not"
    assert sum(row.volume_ml for row in of_kind(rig.rows, Unscheduled) if row.channel == "main") == 300_000
    assert all(item.left_l == item.full_l for item in rig.state.lines.owed)


@pytest.mark.parametrize("procedure", [ProcedureState.HOLDING, ProcedureState.HELD])
def test_what_is_held_already_is_not_held_again(procedure: ProcedureState) -> None:
    """Guards category TWO on a run that a person holds: its time runs on, and it does not go on by itself."""
    rig = reached(Phase.INJECT)
    rig.scan(Verb.HOLD)
    if procedure is ProcedureState.HELD:
        rig.until(lambda state: state.unit.procedure is procedure)
    run = rig.state.run
    assert run is not None and rig.state.unit.procedure is procedure
    verdict = Verdict(Effect.TWO, (), (), (), is_of_plant=False)
    step = proceed(rig.plant.site, rig.state.unit, run, Asked(), verdict, rig.scan().facts, SAFE, 0.0, is_followed=True)
    assert step.unit.procedure in (ProcedureState.HOLDING, ProcedureState.HELD)
    assert step.run is not None and step.run.held_s >= run.held_s and not step.run.resumes


def test_stock_that_stood_too_long_is_not_followed_by_the_rest_of_the_dose() -> None:
    """Guards the bound of a hold: after longer than limits.hold_max_s the water goes on and the fertiliser does not."""
    rig = _in_hand(Phase.INJECT)
    given_l = rig.stock_l["a"]
    rig.scans(int(rig.plant.site.limits.hold_max_s) + 5)
    rig.forced.clear()
    rig.scans(3)
    assert rig.scan(Verb.START).answers[0].accepted
    rig.until_end()
    run = rig.state.run
    assert run is not None and run.given_up == "held with all outputs off for too long"
    assert rig.stock_l["a"] == given_l and rig.state.unit.procedure is ProcedureState.COMPLETE


def test_stock_that_a_hand_lets_in_ends_the_runs_own_however_short_the_hold() -> None:
    """Guards rule 7: nobody can tell which block had how much of it, so none of the dose is given on top."""
    rig = _in_hand(Phase.INJECT)
    rig.siphon_l_h = 200.0
    rig.scans(5)
    run = rig.state.run
    assert run is not None and run.given_up == "stock moved while the run was held with all outputs off"
    assert run.since_injected_l == 0.0


@pytest.mark.parametrize("is_held", [False, True])
def test_a_restarted_module_lets_a_run_go_on_unless_somebody_held_it(is_held: bool) -> None:
    """Guards rule 7: what goes on by itself after a module's restart is what was going; what was held stays held."""
    rig = reached(Phase.INJECT, Watch(every=10_000))
    if is_held:
        rig.scan(Verb.HOLD)
        rig.until(lambda state: state.unit.procedure is ProcedureState.HELD)
    rig.held = SAFE
    rig.scan()
    assert rig.state.run is not None and rig.state.run.is_dry
    rig.scans(10)
    assert (rig.state.unit.procedure is ProcedureState.HELD) is is_held
    if not is_held:
        rig.until_end()
        assert rig.state.unit.procedure is ProcedureState.COMPLETE
