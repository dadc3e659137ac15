"""A shift that fails by its own fault does not hold up the others; main, pump, supply and people do."""

from collections.abc import Callable

import pytest

from daemon.control.interlocks import MATRIX
from daemon.control.states import Effect, Phase, ProcedureState
from daemon.evidence import AlarmRaised, RunEnded
from daemon.messages import Verb
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, is_injecting, of_kind, short_recipe
from tests.daemon.control.sites import CONTACT, OURS, filtered, night, orchard
from tests.daemon.control.spec import Watch


def _shifts() -> tuple[Recipe, ...]:
    """Return three shifts: creek with channel a, ridge with b, hill with b."""
    return (
        night(orchard(), ("creek",), 2.6, ("a", 10.0, 1.5), run="run-1"),
        night(orchard(), ("ridge",), 1.8, ("b", 6.0, 1.0), run="run-2"),
        night(orchard(), ("hill",), 1.9, ("b", 4.0, 1.0), run="run-3"),
    )


def _begun(*changes: tuple[str, str]) -> Rig:
    rig = Rig(orchard(*changes))
    rig.watch = Watch(every=50)
    assert rig.start(*_shifts()).accepted
    return rig


def _states(rig: Rig) -> list[str]:
    return [row.state for row in of_kind(rig.rows, RunEnded)]


def _stick(rig: Rig, block: str = "creek") -> None:
    """Let a block take next to nothing: its valve is stuck, and the shed has its pressure."""
    rig.flow_m3_h[block] = 0.5


def test_only_rows_of_the_shift_let_the_night_go_on() -> None:
    """Guards the matrix: of the rows that end a run two are the shift's own, and they latch nothing."""
    ending = [row for row in MATRIX if row.effect >= Effect.TWO]
    assert [row.code for row in ending if row.of_shift] == ["valve-shut", "shift-too-long"]
    assert not any(row.latched for row in ending if row.of_shift)
    assert all(row in ending for row in MATRIX if row.of_shift)


def test_a_valve_that_stays_shut_costs_its_own_shift_alone() -> None:
    """Guards the others: the first shift fails in FILL, the pump stops, rests, and the next two run whole."""
    rig = _begun()
    _stick(rig)
    rig.until(lambda state: state.run is not None and state.run.recipe.run == "run-2")
    assert not rig.state.outputs.pump and rig.state.unit.phase is Phase.FILL
    rest_s = rig.plant.site.pump.min_off_s if rig.plant.site.pump is not None else 0.0
    off_at_s = rig.at_s - rig.state.water.off_s
    rig.until(lambda state: state.outputs.pump)
    assert rig.at_s - off_at_s >= rest_s
    rig.until_end()
    assert _states(rig) == ["STOPPED", "COMPLETE", "COMPLETE"]
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["NOT_RUN", "DELIVERED", "DELIVERED"]
    assert "shift-too-long" in of_kind(rig.rows, RunEnded)[0].why
    assert "shift-too-long" not in rig.state.guard.active


def test_the_flush_of_a_failed_shift_stays_owed_and_is_paid_before_the_next_injection() -> None:
    """Guards invariant 2: its blocks go on owing, and one that the next shift waters is flushed before stock enters."""
    both = night(orchard(), ("creek", "ridge"), 5.0, ("a", 16.0, 2.0), run="run-1")
    rig = Rig(orchard())
    rig.watch = Watch(every=50)
    assert rig.start(both, _shifts()[1]).accepted
    rig.until_phase(Phase.FLUSH)
    _stick(rig)
    rig.until(lambda state: state.run is not None and state.run.recipe.run == "run-2")
    assert {item.segment for item in rig.state.lines.owed} == {"creek", "ridge"}
    rig.until(is_injecting)
    assert {item.segment for item in rig.state.lines.owed if item.run == "run-1"} == {"creek"}
    rig.until_end()
    assert _states(rig) == ["STOPPED", "COMPLETE"]
    assert {item.segment for item in rig.state.lines.owed} == {"creek"}


_OF_THE_PLANT: dict[str, Callable[[Rig], None]] = {
    "pressure is low": lambda rig: setattr(rig, "pressure_kpa", 120.0),
    "the pump's contact cannot be read": lambda rig: rig.bad.add("pump_running"),
    "pressure cannot be read": lambda rig: rig.bad.add("pressure"),
    "flow cannot be read": lambda rig: rig.bad.add("flow"),
    "totaliser cannot be read": lambda rig: rig.bad.add("water"),
    "stock siphons": lambda rig: setattr(rig, "siphon_l_h", 30.0),
}
_BY_ITSELF: dict[str, Callable[[Rig], None]] = {
    "totaliser stands": lambda rig: setattr(rig, "is_counter_stuck", True),
    "more flows than the shift takes": lambda rig: rig.flow_m3_h.update(creek=1.5 * rig.flow_m3_h["creek"]),
}


@pytest.mark.parametrize("cause", [*_OF_THE_PLANT, *_BY_ITSELF])
def test_a_cause_that_may_be_the_plants_ends_the_night(cause: str) -> None:
    """Guards erring to safe: where the shed is not seen to be well, or too much flows, no other shift begins."""
    rig = _begun()
    if cause in _OF_THE_PLANT:
        _stick(rig)
    {**_OF_THE_PLANT, **_BY_ITSELF}[cause](rig)
    rig.until_end()
    assert _states(rig) == ["STOPPED", "IDLE", "IDLE"]
    assert {"phase-too-long", "siphon", "water-did-not-start", "burst"} & {
        row.code for row in of_kind(rig.rows, AlarmRaised)
    }
    assert not rig.state.queue


def test_a_filter_that_is_not_known_to_be_quiet_ends_the_night() -> None:
    """Guards erring to safe: what a backwash takes to the drain is missing in the shift through no fault of its own."""
    rig = Rig(filtered(OURS + CONTACT, "meter filter injection"))
    rig.watch = Watch(every=50)
    assert rig.start(short_recipe(), short_recipe("run-2")).accepted
    _stick(rig)
    rig.bad.add("backwashing")
    rig.until_end()
    assert _states(rig) == ["STOPPED", "IDLE"]


@pytest.mark.parametrize("when", ["with it", "while it shuts down"])
def test_stop_everything_beside_a_failed_shift_ends_the_night(when: str) -> None:
    """Guards invariant 11: whoever stops everything means the shifts to come as well, and a late stop counts too."""
    rig = _begun()
    _stick(rig)
    rig.until(lambda state: state.run is not None and state.run.phase_s > rig.plant.site.limits.fill_max_s - 0.5)
    if when == "while it shuts down":
        rig.until(lambda state: state.unit.procedure is ProcedureState.STOPPING)
        rig.scans(3)
    assert rig.scan(Verb.STOP_EVERYTHING).answers[0].accepted
    assert rig.state.unit.procedure is ProcedureState.STOPPING
    rig.until_end()
    assert _states(rig) == ["STOPPED", "IDLE", "IDLE"]


def test_a_fault_of_the_plant_while_a_failed_shift_shuts_down_ends_the_night() -> None:
    """Guards erring to safe: a cause that comes up after the failure bars the others all the same."""
    rig = _begun()
    _stick(rig)
    rig.until(lambda state: state.unit.procedure is ProcedureState.STOPPING)
    rig.forced["output.pump"] = 1.0
    rig.scans(2)
    rig.forced["output.pump"] = 0.0
    rig.until_end()
    assert _states(rig) == ["ABORTED", "IDLE", "IDLE"]


def test_each_shift_may_fail_by_itself() -> None:
    """Guards bounded time: with all valves stuck each shift fails in its FILL, and the night ends STOPPED."""
    rig = _begun()
    for block in ("creek", "ridge", "hill"):
        _stick(rig, block)
    for _ in _shifts():
        rig.until(lambda state: state.unit.procedure is not ProcedureState.STOPPING)
        rig.until(lambda state: state.unit.procedure is ProcedureState.STOPPING)
    rig.until_end()
    assert _states(rig) == ["STOPPED"] * 3
