"""Rain and wind: which shifts they keep from beginning, what the record says, and what they leave alone."""

import pytest

from daemon.control.states import Phase, ProcedureState
from daemon.evidence import Event, RunEnded, RunStarted
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, changed, of_kind
from tests.daemon.control.sites import night, orchard
from tests.daemon.control.spec import Watch


def _shifts(*inhibited_by: tuple[str, ...]) -> tuple[Recipe, ...]:
    """Return up to three shifts of water, each with the contacts it goes by."""
    blocks = "hill", "ridge", "creek"
    return tuple(
        changed(night(orchard(), (blocks[n],), 1.8, run=f"run-{n + 1}"), inhibited_by=by, shift=blocks[n])
        for n, by in enumerate(inhibited_by)
    )


def _rig() -> Rig:
    rig = Rig(orchard())
    rig.watch = Watch(every=50)
    return rig


def _ended(rig: Rig) -> list[tuple[str, str, str]]:
    return [(row.run, row.state, row.why) for row in of_kind(rig.rows, RunEnded)]


@pytest.mark.parametrize(
    ("contacts", "why"),
    [
        ({"rain"}, "it rains"),
        ({"wind"}, "the wind is too strong"),
        ({"rain", "wind"}, "it rains and the wind is too strong"),
    ],
)
def test_nothing_begins_where_the_weather_keeps_all_of_it_out(contacts: set[str], why: str) -> None:
    """Guards the answer: it is refused with the reason, nothing opens, and each shift is told as not run."""
    rig = _rig()
    rig.forced.update(dict.fromkeys(contacts, 1.0))
    answer = rig.start(*_shifts(("rain", "wind"), ("rain", "wind")))
    assert not answer.accepted
    assert answer.reason == f"hill does not begin: {why}. ridge does not begin: {why}."
    assert rig.state.unit.procedure is ProcedureState.IDLE and not rig.scan().outputs.blocks
    assert _ended(rig) == [("run-1", "IDLE", why), ("run-2", "IDLE", why)]
    assert rig.kinds()["RunStarted"] == 2


def test_the_next_one_begins_in_its_place() -> None:
    """Guards the others: what rain keeps out at the start holds up nothing that does not go by rain."""
    rig = _rig()
    rig.forced["rain"] = 1.0
    answer = rig.start(*_shifts(("rain",), (), ("rain",)))
    assert answer.accepted and answer.reason == "The run starts. hill does not begin: it rains."
    rig.until_end()
    assert [(run, state) for run, state, _ in _ended(rig)] == [
        ("run-1", "IDLE"),
        ("run-2", "COMPLETE"),
        ("run-3", "IDLE"),
    ]
    assert [row.run for row in of_kind(rig.rows, RunStarted)] == ["run-1", "run-2", "run-3"]


def test_a_shift_is_judged_as_its_turn_comes() -> None:
    """Guards the queue: rain at the start that has stopped by then keeps nothing out, and rain by then does."""
    rig = _rig()
    rig.forced["rain"] = 1.0
    assert rig.start(*_shifts((), ("rain",), ("wind",))).accepted
    rig.until_phase(Phase.FLUSH)
    rig.forced = {"wind": 1.0}
    rig.until(lambda state: state.run is not None and state.run.recipe.run == "run-2")
    assert rig.state.outputs.pump, "the pump is handed over"
    rig.until_end()
    assert [state for _, state, _ in _ended(rig)] == ["COMPLETE", "COMPLETE", "IDLE"]


def test_a_pump_is_handed_over_past_a_shift_that_is_kept_out() -> None:
    """Guards the change of shift: the one after it takes the running pump over."""
    rig = _rig()
    assert rig.start(*_shifts((), ("rain",), ())).accepted
    rig.forced["rain"] = 1.0
    rig.until(lambda state: state.run is not None and state.run.recipe.run == "run-3")
    assert rig.state.outputs.pump and rig.state.outputs.blocks >= {"hill"}
    rig.until_end()
    assert [state for _, state, _ in _ended(rig)] == ["COMPLETE", "IDLE", "COMPLETE"]


def test_a_shift_that_nothing_follows_shuts_its_water_first() -> None:
    """Guards the output order: with all that was to come kept out, the run ends with everything off."""
    rig = _rig()
    assert rig.start(*_shifts((), ("rain",))).accepted
    rig.forced["rain"] = 1.0
    rig.until_end()
    assert not rig.state.outputs.pump and not rig.state.outputs.blocks
    assert [state for _, state, _ in _ended(rig)] == ["COMPLETE", "IDLE"]


@pytest.mark.parametrize("phase", list(Phase)[:2])
def test_a_run_under_way_goes_on(phase: Phase) -> None:
    """Guards what the contacts are for: a beginning. What has begun runs to its end."""
    rig = _rig()
    assert rig.start(*_shifts(("rain", "wind"))).accepted
    rig.until_phase(phase)
    rig.forced.update({"rain": 1.0, "wind": 1.0})
    rig.until_end()
    assert [state for _, state, _ in _ended(rig)] == ["COMPLETE"]


@pytest.mark.parametrize("how", ["bad", "stale"])
def test_a_contact_that_cannot_be_read_inhibits_nothing_and_is_told(how: str) -> None:
    """Guards a dry crop: the advice of a dead contact is none, and the record says that it was not to be had."""
    rig = _rig()
    rig.forced["rain"] = 1.0
    if how == "bad":
        rig.bad.add("rain")
    else:
        rig.stale_s["rain"] = 6.0
    assert rig.start(*_shifts(("rain",))).accepted
    events = [row for row in of_kind(rig.rows, Event) if row.code == "weather-unread"]
    assert [row.detail for row in events] == ['{"contact":"rain","run":"run-1"}']


def test_a_shift_that_goes_by_no_contact_begins_in_any_weather() -> None:
    """Guards shifts under cover: a contact keeps out only those that name it."""
    rig = _rig()
    rig.forced.update({"rain": 1.0, "wind": 1.0})
    assert rig.start(*_shifts(())).accepted
