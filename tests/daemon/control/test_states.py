"""The state table: closed, literal, refused outside itself, and every state reached by the core."""

from collections import Counter

import pytest

from daemon.control import phases
from daemon.control.run import begin
from daemon.control.states import (
    ACTIVE,
    ALLOWED,
    ENDED,
    WATERING,
    Effect,
    Phase,
    ProcedureState,
    TransitionError,
    Unit,
    UnitMode,
    enter,
    transition,
)
from daemon.messages import Verb
from tests.daemon.control.plant import Rig, short_recipe, small
from tests.daemon.control.spec import Watch

_P = ProcedureState


def test_the_table_is_closed_and_leads_back_to_idle() -> None:
    """Guards the one literal table: every state has its row, and from every state IDLE can be reached."""
    assert set(ALLOWED) == set(ProcedureState)
    for start in ProcedureState:
        reached, frontier = {start}, [start]
        while frontier:
            new = ALLOWED[frontier.pop()] - reached
            reached |= new
            frontier += new
        assert reached == set(ProcedureState)


def test_stopping_has_no_way_back_to_running() -> None:
    """Guards invariants 3 and 11: STOPPING and ABORTING are acyclic, and RUNNING is entered afresh or from a hold."""
    assert ALLOWED[_P.STOPPING] == {_P.STOPPED, _P.ABORTING}
    assert ALLOWED[_P.ABORTING] == {_P.ABORTED}
    assert {state for state, to in ALLOWED.items() if _P.RUNNING in to} == {_P.IDLE, _P.RESTARTING}
    assert all(_P.ABORTING in ALLOWED[state] for state in ACTIVE - {_P.ABORTING})
    assert all(_P.STOPPING in ALLOWED[state] for state in WATERING)


def test_every_state_is_active_or_ended_or_idle() -> None:
    """Guards the sets that the core asks: they part the states, and severity is an order."""
    assert ACTIVE | ENDED | {_P.IDLE} == set(ProcedureState)
    assert not ACTIVE & ENDED and WATERING < ACTIVE
    assert sorted(Effect) == [
        Effect.NONE,
        Effect.PAUSE,
        Effect.WATER_ONLY,
        Effect.TWO,
        Effect.RELEASE,
        Effect.ONE,
        Effect.ZERO,
    ]


@pytest.mark.parametrize("start", list(ProcedureState))
@pytest.mark.parametrize("to", list(ProcedureState))
def test_a_transition_goes_by_the_table_alone(start: ProcedureState, to: ProcedureState) -> None:
    """Guards the one function that changes state: allowed ones happen, all others raise and say which."""
    unit = Unit(UnitMode.SEMI_AUTOMATIC, start, Phase.INJECT)
    if to in ALLOWED[start]:
        after = transition(unit, to)
        assert (after.mode, after.procedure) == (unit.mode, to)
        assert after.phase is (Phase.INJECT if to in WATERING else None)
    else:
        with pytest.raises(TransitionError, match=f"{start.value} may not become {to.value}") as caught:
            transition(unit, to)
        assert caught.value.code == "control.transition"


def test_a_phase_is_entered_without_touching_the_rest() -> None:
    """Guards the three enums as orthogonal."""
    unit = Unit(UnitMode.AUTOMATIC, _P.RUNNING, Phase.FILL)
    assert enter(unit, Phase.PREWET) == Unit(UnitMode.AUTOMATIC, _P.RUNNING, Phase.PREWET)


def test_every_state_is_reached_by_a_script() -> None:
    """Guards that no state of the table is dead: one script of commands and a trip visits all of them."""
    rig = Rig(small())
    counts: Counter[str] = Counter()
    rig.watch = Watch(counts, every=10_000)
    rig.scan()
    rig.start(short_recipe())
    rig.until_injecting()
    rig.scan(Verb.HOLD)
    rig.scans(2)
    rig.scan(Verb.START)
    rig.until_end()
    rig.start(short_recipe("run-2"))
    rig.scans(5)
    rig.scan(Verb.STOP_EVERYTHING)
    rig.until_end()
    rig.start(short_recipe("run-3"))
    rig.until_phase(Phase.PREWET)
    rig.pressure_kpa = 470.0
    rig.until_end()
    assert {name.removeprefix("state ") for name in counts if name.startswith("state ")} == {s.value for s in _P}


def test_a_unit_without_a_phase_cannot_go_to_the_next() -> None:
    """Guards the procedure against its own mistakes: what cannot be ends in an error, and the plant in its safe set."""
    run = begin(short_recipe())
    with pytest.raises(ValueError, match="a phase follows a phase"):
        phases._next(Unit(), run, Phase.FLUSH, "")
    with pytest.raises(ValueError, match="a run that is held has a phase"):
        phases._refilled(small().site, Unit(), run)
