"""From one shift to the next: valves overlap, the pump goes on or rests, and what ends a shift early ends the night."""

import math

import pytest

from daemon.control.image import SAFE
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import Event, InjectionIntent, RunEnded, RunStarted
from daemon.messages import Verb
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, is_injecting, metered, of_kind
from tests.daemon.control.sites import N_G_L, night, orchard
from tests.daemon.control.spec import Watch

_RESTART = ("max_starts_per_hour = 6", 'max_starts_per_hour = 6\nat_changeover = "restart"')
_TWO_STARTS = ("max_starts_per_hour = 6", 'max_starts_per_hour = 2\nat_changeover = "restart"')
_OVERLAP_S = 10.0


def _shifts() -> tuple[Recipe, ...]:
    """Return three shifts: creek with channel a, ridge with both, hill with b."""
    return (
        night(orchard(), ("creek",), 2.6, ("a", 10.0, 1.5), run="run-1"),
        night(orchard(), ("ridge",), 1.8, ("a", 5.0, 1.0), ("b", 6.0, 1.0), run="run-2"),
        night(orchard(), ("hill",), 1.9, ("b", 4.0, 1.0), run="run-3"),
    )


def _begun(*changes: tuple[str, str], shifts: tuple[Recipe, ...] | None = None) -> Rig:
    rig = Rig(orchard(*changes))
    rig.watch = Watch(every=50)
    assert rig.start(*(shifts or _shifts())).accepted
    return rig


def _name(rig: Rig) -> str:
    assert rig.state.run is not None
    return rig.state.run.recipe.run


def _until_run(rig: Rig, run: str) -> None:
    rig.until(lambda state: state.run is not None and state.run.recipe.run == run)


def test_the_next_valve_opens_before_the_last_closes_and_the_pump_stays_on() -> None:
    """Guards the change of shift: one start for three shifts, valves overlap after the travel, water never stops."""
    rig = _begun()
    starts, was_on = 0, False
    changes: list[tuple[float, frozenset[str]]] = []
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        starts, was_on = starts + (rig.held.pump and not was_on), rig.held.pump
        if not changes or rig.held.blocks != changes[-1][1]:
            changes.append((rig.at_s, rig.held.blocks))
        assert rig.held.pump or not changes[1:] or not rig.state.queue, "the pump stopped between shifts"
    assert [sorted(blocks) for _, blocks in changes] == [
        ["creek"],
        ["creek", "ridge"],
        ["ridge"],
        ["hill", "ridge"],
        ["hill"],
        [],
    ]
    site = rig.plant.site
    for (opened_s, _), (closed_s, _), name in ((changes[1], changes[2], "ridge"), (changes[3], changes[4], "hill")):
        overlap_s = closed_s - opened_s - site.block[name].travel_s
        assert _OVERLAP_S <= overlap_s <= _OVERLAP_S + 1.0
    assert starts == 1 and rig.state.unit.procedure is ProcedureState.COMPLETE
    ended = of_kind(rig.rows, RunEnded)
    assert [(row.run, row.outcome) for row in ended] == [(f"run-{i}", "DELIVERED") for i in (1, 2, 3)]
    assert [row.run for row in of_kind(rig.rows, RunStarted)] == [row.run for row in ended]


def test_all_water_belongs_to_one_shift_or_the_other() -> None:
    """Guards invariant 7 over the night: what the shifts say they took is what passed the meter, overlaps included."""
    rig = _begun()
    rig.until_end()
    total_l = sum(row.water_ml for row in of_kind(rig.rows, RunEnded)) / 1000.0
    assert total_l == pytest.approx(rig.water_l, abs=10.0)
    rig.scans(30)
    assert rig.kinds()["Unscheduled"] == 0 and {row.code for row in of_kind(rig.rows, Event)} == {"counts"}


def test_each_shift_has_its_own_stock_and_none_of_the_last_ones() -> None:
    """Guards the account at a change of shift: its dose rows hold what went in during it, channel by channel."""
    rig = _begun()
    before = dict(rig.stock_l)
    for recipe in _shifts():
        assert _name(rig) == recipe.run
        while rig.scan().state.unit.procedure is ProcedureState.RUNNING and _name(rig) == recipe.run:
            pass
        rows = [row for row in metered(rig.rows) if row.run == recipe.run]
        assert {row.channel for row in rows} == {plan.channel for plan in recipe.channels}
        for channel, given_l in rig.stock_l.items():
            injected_mg = sum(row.injected_mg for row in rows if row.channel == channel)
            assert injected_mg == pytest.approx((given_l - before[channel]) * N_G_L * 1000.0, abs=2_000)
        before = dict(rig.stock_l)


def test_no_injector_opens_before_the_path_is_its_own_and_flushed() -> None:
    """Guards rule 14: with stock of an earlier run in the next shift's pipes, its pre-wet goes on until it is out."""
    rig = Rig(orchard())
    rig.watch = Watch(every=50)
    assert rig.start(night(orchard(), ("ridge",), 1.8, ("b", 6.0, 1.0), run="run-0")).accepted
    rig.until_injecting(30)
    rig.scan(Verb.STOP_EVERYTHING)
    rig.until_end()
    owed = {item.segment: item for item in rig.state.lines.owed}
    assert set(owed) == {"ridge", "main"}
    second = night(orchard(), ("ridge",), 1.75, ("a", 5.0, 1.0), run="run-2")
    assert rig.start(_shifts()[0], second).accepted
    _until_run(rig, "run-2")
    left_l = {item.segment: item.left_l for item in rig.state.lines.owed}
    assert left_l == {"ridge": owed["ridge"].left_l}, "the first shift flushed the main alone"
    rig.until_phase(Phase.PREWET)
    before_l = rig.water_l
    rig.until_phase(Phase.INJECT)
    assert rig.water_l - before_l >= left_l["ridge"] - 10.0 > second.prewet_l
    assert {item.run for item in rig.state.lines.owed} == {"run-2"}
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE


def test_a_shift_neither_pre_wets_nor_injects_while_the_last_ones_valves_are_open() -> None:
    """Guards rule 14: what both take together is not this shift's, even where the band is too wide to tell."""
    shifts = (
        night(orchard(), ("ridge",), 1.0, run="run-1"),
        night(orchard(), ("creek",), 2.1, ("a", 8.0, 1.0), run="run-2"),
    )
    changes = (("overlap_s = 10.0", "overlap_s = 120.0"), ("flow_band_pct = 20.0", "flow_band_pct = 50.0"))
    rig = _begun(*changes, shifts=shifts)
    rig.flow_m3_h["ridge"] *= 0.9  # so that even both together are within the band
    _until_run(rig, "run-2")
    while "ridge" in rig.scan().outputs.blocks:
        assert rig.state.unit.phase is Phase.FILL and not is_injecting(rig.state)
    rig.until_end()
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["COMPLETE"] * 2


@pytest.mark.parametrize(
    "blocks", [(("creek",), ("creek", "ridge"), ("ridge",)), (("creek", "ridge"), ("ridge", "hill"), ("creek",))]
)
def test_the_pump_stays_on_between_shifts_that_share_a_block(blocks: tuple[tuple[str, ...], ...]) -> None:
    """Guards the change of shift: a block that both shifts water stays open, and the pump has one start."""
    shifts = tuple(night(orchard(), names, 1.0, run=f"run-{i}") for i, names in enumerate(blocks))
    rig = _begun(shifts=shifts)
    rig.until(lambda state: state.outputs.pump)
    while rig.state.queue:
        assert rig.scan().outputs.pump
    rig.until_end()
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["COMPLETE"] * 3
    assert len(rig.state.water.starts_s) == 1


def test_a_pump_that_is_to_rest_between_shifts_does() -> None:
    """Guards `at_changeover = "restart"`: all shut between shifts, the pump's rest is kept, and no water is lost."""
    rig = _begun(_RESTART)
    off_s, rests, has_been_on = 0.0, [], False
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        if rig.held.pump:
            rests += [off_s] if has_been_on and off_s else []
            off_s, has_been_on = 0.0, True
        else:
            off_s += 1.0
        assert len(rig.held.blocks) <= 1, "no overlap without a running pump"
    assert len(rests) == 2 and min(rests) >= 20.0
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["COMPLETE"] * 3
    assert len(rig.state.water.starts_s) == 3


def test_a_shift_waits_for_a_start_and_its_fill_does_not_run_out_meanwhile() -> None:
    """Guards rule 13: the third start within the hour waits, for far longer than FILL may take, and then it comes."""
    rig = _begun(_TWO_STARTS)
    _until_run(rig, "run-3")
    waited = rig.steps
    assert rig.state.unit.phase is Phase.FILL
    rig.until(lambda state: state.outputs.pump, dt_s=5.0)
    assert (rig.steps - waited) * 5.0 > 10 * rig.plant.site.limits.fill_max_s
    assert len(rig.state.water.starts_s) <= 2
    rig.until_end()
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["COMPLETE"] * 3


@pytest.mark.parametrize("how", ["stop", "emergency", "burst"])
@pytest.mark.parametrize("during", ["run-1", "run-2"])
def test_a_shift_that_is_stopped_takes_the_rest_of_the_night_with_it(during: str, how: str) -> None:
    """Guards the queue: what does not run is in the record with its recipe and the reason, and nothing else starts."""
    rig = _begun()
    _until_run(rig, during)
    rig.until_injecting()
    if how == "stop":
        rig.scan(Verb.STOP_EVERYTHING)
    elif how == "emergency":
        rig.forced["emergency_stop"] = 0.0
    else:
        rig.pressure_kpa = 100.0
    why = {"stop": "stopped by an operator", "emergency": "emergency-stop", "burst": "pressure-stays-low"}[how]
    rig.until_end()
    ended = {row.run: row for row in of_kind(rig.rows, RunEnded)}
    left = [recipe.run for recipe in _shifts() if recipe.run > during]
    assert ended[during].state == ("ABORTED" if how == "emergency" else "STOPPED")
    for run in left:
        assert (ended[run].state, ended[run].outcome, ended[run].water_ml) == ("IDLE", "NOT_RUN", 0)
        assert why in ended[run].why
    assert [row.run for row in of_kind(rig.rows, RunStarted)] == ["run-1", "run-2", "run-3"]
    assert not rig.state.queue
    rig.scans(60)
    assert rig.state.outputs == SAFE and rig.kinds()["RunEnded"] == 3


def test_stopping_the_fertiliser_of_one_shift_leaves_the_next_one_its_own() -> None:
    """Guards losing no more than must be: Stop fertiliser is for this shift, and the next one injects its dose."""
    rig = _begun()
    rig.until_injecting()
    rig.scan(Verb.STOP_FERTILISER)
    rig.until_end()
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["SHORT", "DELIVERED", "DELIVERED"]


def test_the_second_shift_can_be_held_and_restarted() -> None:
    """Guards HOLD in a later shift: water of that shift goes on, a new intent comes, and the night is carried on."""
    rig = _begun()
    _until_run(rig, "run-2")
    rig.until_injecting()
    rig.scan(Verb.HOLD)
    rig.until(lambda state: state.unit.procedure is ProcedureState.HELD, most=5)
    rig.scans(20)
    assert rig.state.outputs.pump and rig.state.outputs.blocks == {"ridge"}
    assert len(rig.state.queue) == 1
    assert rig.scan(Verb.START).answers[0].accepted
    rig.until_end()
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"] * 3
    intents = [(row.run, row.channel) for row in of_kind(rig.rows, InjectionIntent)]
    assert intents == [("run-1", "a"), *[("run-2", "a"), ("run-2", "b")] * 2, ("run-3", "b")]


def _in_overlap() -> Rig:
    rig = _begun()
    rig.until(lambda state: len(state.outputs.blocks) == 2)
    rig.scans(3)
    return rig


def test_a_hold_in_an_overlap_finishes_the_change_of_shift() -> None:
    """Guards HOLD: it is wet, and a shift's water is its own; the last shift's valve closes all the same."""
    rig = _in_overlap()
    rig.scan(Verb.HOLD)
    rig.scans(30)
    assert rig.state.unit.procedure is ProcedureState.HELD
    assert rig.state.outputs.pump and rig.state.outputs.blocks == {"ridge"}
    assert rig.scan(Verb.START).answers[0].accepted
    rig.until_end()
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["COMPLETE"] * 3


def test_stop_everything_in_an_overlap_stops_the_pump_before_both_valves() -> None:
    """Guards invariant 11 and the output order: pump first, both shifts' valves open until it has run down."""
    rig = _in_overlap()
    assert not rig.scan(Verb.STOP_EVERYTHING).outputs.pump
    run_down_s = math.floor(rig.plant.site.pump.run_down_s) if rig.plant.site.pump is not None else 0
    for _ in range(run_down_s - 1):
        assert rig.scan().outputs.blocks == {"creek", "ridge"}
    rig.until_end()
    assert rig.state.outputs == SAFE and rig.state.unit.procedure is ProcedureState.STOPPED
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED", "NOT_RUN", "NOT_RUN"]
    assert not rig.state.lines.owed


def test_an_emergency_stop_in_an_overlap_shuts_everything_in_its_scan() -> None:
    """Guards stop category ZERO: pump and both shifts' valves at once."""
    rig = _in_overlap()
    rig.forced["emergency_stop"] = 0.0
    assert rig.scan().outputs == SAFE
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.ABORTED
