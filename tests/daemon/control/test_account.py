"""What a scan moved, and whose it is: the run's water and stock, or nobody's, by the state that it moved in."""

import json
import math
from collections.abc import Mapping
from typing import Any, Final

import pytest

from daemon.control.account import book
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.lines import MAIN, Lines, Owed, lay
from daemon.control.record import Recorder
from daemon.control.run import ChannelRun, Run, begin
from daemon.control.sense import Facts
from daemon.control.states import Phase, ProcedureState, Unit, UnitMode
from daemon.evidence import Event, Evidence, FlushCleared, FlushOwed, Unscheduled
from tests.daemon.control.plant import Rig, changed, of_kind
from tests.daemon.control.sites import night, orchard

_P = ProcedureState
_RECIPE = night(orchard(), ("creek", "hill"), 5.0, ("a", 8.0, 2.0))
_SITE = orchard().site
_OPEN = changed(SAFE, pump=True, blocks=frozenset({"creek", "hill"}))
_ON = ChannelOutput(valve=True, run=True, drive=0.5)
_WATER_L: Final = 20.0
_RESTS = "moved while nothing was running"
_HELD_DRY = "moved while the run was held with all outputs off"


def _facts(water_l: float = _WATER_L, stock_l: Mapping[str, float] | None = None, **more: Any) -> Facts:
    """Return the facts of a scan of two seconds in which the shift's own flow moved so much."""
    facts = Rig(orchard()).scan().facts
    channels = {
        name: channel._replace(moved_l=(stock_l or {}).get(name, 0.0), idle_l_h=more.pop(f"idle_{name}", 0.0))
        for name, channel in facts.channels.items()
    }
    own = {"flow_good": True, "flow_m3_h": _RECIPE.flow_m3_h, "dt_s": 2.0, "displaces": True, "water_good": True}
    return facts._replace(**{**own, "water_moved_l": water_l, "channels": channels, **more})


def _unit(procedure: ProcedureState = _P.RUNNING, phase: Phase | None = Phase.INJECT) -> Unit:
    return Unit(UnitMode.SEMI_AUTOMATIC, procedure, phase)


def _run(**changes: Any) -> Run:
    return begin(_RECIPE)._replace(**changes)


_FRESH: Final = _run()


class _Booked:
    """What came of one scan."""

    def __init__(
        self,
        facts: Facts,
        run: Run | None = _FRESH,
        unit: Unit | None = None,
        lines: Lines | None = None,
        last: Outputs = _OPEN,
        **how: bool,
    ) -> None:
        record = Recorder()
        laid = lay(_SITE, _RECIPE, lines if lines is not None else Lines())
        found, self.lines = book(_SITE, unit or _unit(), run, laid, last, facts, record, **how)
        self.rows: tuple[Evidence, ...] = record.rows()
        self.has_run = found is not None
        self.run = found if found is not None else _FRESH

    @property
    def nobodys_ml(self) -> dict[str, int]:
        """Litres that went into rows as nobody's, by what moved."""
        return {row.channel: row.volume_ml for row in of_kind(self.rows, Unscheduled)}


_MOVING = (
    *("run_s", "phase_s", "phase_water_l", "phase_stock_l", "water_l", "fill_l", "backwash_l"),
    *("since_injected_l", "held_s", "checkpoint_s"),
)


def _moved(before: Run, after: Run) -> dict[str, float]:
    """Return what of a run's litres and times moved."""
    found = {name: round(getattr(after, name) - getattr(before, name), 9) for name in _MOVING}
    return {name: value for name, value in found.items() if value}


_BEFORE: dict[str, Any] = {
    "run_s": 100.0,
    "phase_s": 50.0,
    "phase_water_l": 300.0,
    "phase_stock_l": 3.0,
    "water_l": 900.0,
    "fill_l": 200.0,
    "backwash_l": 40.0,
    "since_injected_l": 70.0,
    "held_s": 5.0,
    "checkpoint_s": 6.0,
    "has_injected": True,
}
_ALWAYS = {"run_s": 2.0, "checkpoint_s": 2.0}
_PASSED = {"phase_water_l": _WATER_L, "water_l": _WATER_L, "since_injected_l": _WATER_L}


@pytest.mark.parametrize(
    ("procedure", "phase", "moved"),
    [
        (_P.RUNNING, Phase.PREWET, {**_PASSED, "phase_s": 2.0}),
        (_P.RUNNING, Phase.FLUSH, {**_PASSED, "phase_s": 2.0}),
        (_P.RUNNING, Phase.FILL, {"phase_s": 2.0, "phase_water_l": 20.0, "fill_l": 20.0}),
        (_P.HOLDING, Phase.INJECT, _PASSED),
        (_P.HELD, Phase.INJECT, {**_PASSED, "held_s": 2.0}),
        (_P.RESTARTING, Phase.INJECT, {**_PASSED, "held_s": 2.0}),
        (_P.STOPPING, None, _PASSED),
        (_P.ABORTING, None, _PASSED),
    ],
)
def test_a_runs_water_is_booked_where_it_passed(
    procedure: ProcedureState, phase: Phase | None, moved: dict[str, float]
) -> None:
    """Guards invariant 7: each litre once, as fill or as water of the phase; a phase's time runs while it runs."""
    before = _run(**_BEFORE)
    booked = _Booked(_facts(), before, _unit(procedure, phase))
    assert _moved(before, booked.run) == {**moved, **_ALWAYS}
    assert not booked.nobodys_ml
    own = booked.run.channels["a"]
    assert own.since_l == (0.0 if phase is Phase.FILL else pytest.approx(_WATER_L)) and own.injected_l == 0.0


@pytest.mark.parametrize("phase", [Phase.FILL, Phase.PREWET])
def test_what_a_drain_took_is_the_runs_and_displaces_nothing(phase: Phase) -> None:
    """Guards rule 17: metered while the filter washes, it is told at the end and moves no phase on."""
    before = _run(**_BEFORE)
    booked = _Booked(_facts(displaces=False), before, _unit(phase=phase))
    drained = {"fill_l": 20.0, "phase_water_l": 20.0} if phase is Phase.FILL else {"backwash_l": 20.0}
    assert _moved(before, booked.run) == {**drained, **_ALWAYS, "phase_s": 2.0}


@pytest.mark.parametrize(("blocks", "share"), [(("creek", "hill", "ridge"), 53.12 / 70.08), (("creek",), 1.0)])
def test_what_a_forced_valve_takes_is_not_the_shifts_water(blocks: tuple[str, ...], share: float) -> None:
    """Guards the dose: with another block open the shift has its part, and with one shut no more than all."""
    before = _run(**_BEFORE)
    after = _Booked(_facts(), before, last=changed(_OPEN, blocks=frozenset(blocks))).run
    assert after.water_l - before.water_l == pytest.approx(_WATER_L * share)
    assert after.backwash_l - before.backwash_l == pytest.approx(_WATER_L * (1.0 - share))


@pytest.mark.parametrize(
    ("last", "is_forced", "is_timed"),
    [
        (_OPEN, False, True),
        (changed(_OPEN, pump=False), False, False),
        (changed(_OPEN, blocks=frozenset({"creek"})), False, False),
        (SAFE, True, True),
    ],
)
def test_a_fill_is_timed_while_its_water_is_on_its_way(last: Outputs, is_forced: bool, is_timed: bool) -> None:
    """Guards water-did-not-start: a pump that rests is not waited for, a force that holds the water off is."""
    before = _run(**_BEFORE)
    after = _Booked(_facts(), before, _unit(phase=Phase.FILL), last=last, is_forced=is_forced).run
    assert after.phase_s - before.phase_s == (2.0 if is_timed else 0.0)
    later = _Booked(_facts(), before, _unit(phase=Phase.PREWET), last=last, is_forced=is_forced).run
    assert later.phase_s - before.phase_s == 2.0, "a phase after it is timed whatever is open"


def test_stock_is_booked_as_its_meter_counts_it() -> None:
    """Guards invariant 7: all of it counts, and water since the last of it begins anew."""
    before = _run(**_BEFORE)._replace(channels={"a": ChannelRun(injected_l=2.0, since_l=55.0)})
    booked = _Booked(_facts(1.0, {"a": 0.4}), before)
    assert booked.run.channels["a"].injected_l == pytest.approx(2.4) and booked.run.channels["a"].since_l == 0.0
    assert booked.run.phase_stock_l == pytest.approx(3.4) and booked.run.since_injected_l == 0.0
    pipe = booked.lines.pipes["a", "creek"]
    share = next(block.share for block in _RECIPE.blocks if block.block == "creek")
    assert (pipe.water_l, pipe.stock_l) == pytest.approx((share, 0.4 * share)), "waits to be moved on"
    first = _Booked(_facts(stock_l={"a": 0.4}), _run())
    assert first.run.channels["a"].injected_l == pytest.approx(0.4), "whatever the run was told so far"


@pytest.mark.parametrize(
    ("how", "is_loading"),
    [
        ({}, False),
        ({"stock_l": {"a": 0.1}}, True),
        ({"last": changed(_OPEN, channels={"a": _ON})}, True),
        ({"last": changed(_OPEN, channels={"a": ChannelOutput(valve=True)})}, False),
        ({"run": {"intents": {"a": 4}}}, True),
        ({"run": {"intents": {"a": 4}, "channels": {"a": ChannelRun(done=True, since_l=55.0)}}}, False),
        ({"run": {"loaded": frozenset("a")}}, True),
    ],
)
def test_stock_enters_from_the_intent_to_the_last_count(how: dict[str, Any], is_loading: bool) -> None:
    """Guards invariant 2: all that time the flush is owed whole, and the water since the last stock stands at zero."""
    before = _run(**_BEFORE, **{"channels": {"a": ChannelRun(since_l=55.0)}, **how.get("run", {})})
    debt = Owed(MAIN, _RECIPE.channels[0].stock, "run-1", 1000.0, 400.0)
    booked = _Booked(_facts(stock_l=how.get("stock_l")), before, lines=Lines(owed=(debt,)), last=how.get("last", _OPEN))
    assert booked.run.since_injected_l == (0.0 if is_loading else 90.0)
    assert booked.run.channels["a"].since_l == (0.0 if is_loading else 75.0)
    assert booked.lines.owed[0].left_l == (1000.0 if is_loading else 380.0)
    assert booked.run.loaded == frozenset(), "the totaliser was read"


def test_what_entered_while_the_totaliser_was_away_is_remembered() -> None:
    """Guards invariant 2 over a gap: the water that it then shows did not all follow the stock."""
    first = _Booked(_facts(0.0, {"a": 0.1}, water_good=False), _run(**_BEFORE))
    assert first.run.loaded == {"a"}
    second = _Booked(_facts(0.0, water_good=False), first.run)
    assert second.run.loaded == {"a"}
    back = _Booked(_facts(), second.run)
    assert back.run.loaded == frozenset() and back.run.since_injected_l == 0.0
    assert _Booked(_facts(), back.run).run.since_injected_l == _WATER_L


def test_a_debt_is_paid_by_the_runs_water() -> None:
    """Guards invariant 2: what is paid is told in the scan that pays it; a fill pays nothing."""
    debt = Owed(MAIN, "old", "run-0", 1000.0, 15.0)
    paid = _Booked(_facts(), unit=_unit(phase=Phase.PREWET), lines=Lines(owed=(debt,)))
    assert not paid.lines.owed and [row.stock for row in of_kind(paid.rows, FlushCleared)] == ["old"]
    filled = _Booked(_facts(), unit=_unit(phase=Phase.FILL), lines=Lines(owed=(debt,)))
    assert filled.lines.owed == (debt._replace(age_s=2.0),) and not filled.rows
    wide = _Booked(_facts(flow_m3_h=2.0 * _RECIPE.flow_m3_h), unit=_unit(phase=Phase.PREWET), lines=Lines(owed=(debt,)))
    assert wide.lines.owed[0].left_l == pytest.approx(5.0), "half of twice the flow may have gone another way"
    forced = changed(_OPEN, blocks=frozenset({"creek", "ridge"}))
    other = _Booked(_facts(), unit=_unit(phase=Phase.PREWET), lines=Lines(owed=(debt,)), last=forced)
    assert other.lines.owed[0].left_l == 15.0, "what goes where is not known"


def test_a_fill_after_a_dry_hold_may_have_moved_what_lay_in_the_pipes() -> None:
    """Guards the band of a dose: stock of before the hold may be further on, and nothing is delivered for sure."""
    plain = _Booked(_facts(2000.0), _run(), _unit(phase=Phase.FILL))
    assert all(pipe.frozen_l == 0.0 for pipe in plain.lines.pipes.values())
    loaded = _Booked(_facts(1.0), _run(has_injected=True), _unit(phase=Phase.FILL))
    assert loaded.lines.pipes["a", "creek"].frozen_l > 0.0 and loaded.lines.pipes["a", "creek"].water_l == 0.0


@pytest.mark.parametrize(
    ("procedure", "phase", "settled_s"),
    [
        (_P.RUNNING, Phase.FILL, 5.0),
        (_P.RESTARTING, Phase.INJECT, 5.0),
        (_P.RUNNING, Phase.INJECT, 3.0),
        (_P.HELD, Phase.INJECT, 3.0),
    ],
)
def test_steady_water_is_timed_where_it_is_waited_for(
    procedure: ProcedureState, phase: Phase, settled_s: float
) -> None:
    """Guards rule 12: as the pipes fill and as a hold ends; what they settled at stands meanwhile."""
    facts = _facts(flow_proven=True, pressure_good=True, pressure_kpa=300.0)
    before = _run(settled_s=3.0, settled_kpa=298.0)
    after = _Booked(facts, before, _unit(procedure, phase)).run
    assert (after.settled_s, after.settled_kpa) == (settled_s, 298.0)


def test_a_siphon_in_a_run_owes_its_flush() -> None:
    """Guards invariant 2: stock that nobody let in is the run's dose, and its pipes are flushed of it."""
    limit = _SITE.limits.siphon_l_h
    flowing = _Booked(_facts(stock_l={"a": 0.4}, idle_a=limit + 0.1))
    owed = {(row.segment, row.stock) for row in of_kind(flowing.rows, FlushOwed)}
    assert owed == {(segment, _RECIPE.channels[0].stock) for segment in (MAIN, "creek", "hill")}
    assert flowing.run.injected_l == pytest.approx(0.4) and not flowing.nobodys_ml
    assert not _Booked(_facts(stock_l={"a": 0.4}, idle_a=limit)).rows, "at the limit it is a drop"
    assert not _Booked(_facts(stock_l={"a": 0.0}, idle_a=limit + 0.1)).rows, "nothing has come of it yet"


def test_stock_by_a_channel_that_is_not_the_runs_is_nobodys_and_owes_the_path() -> None:
    """Guards rule 14: it is told as nobody's, and main and open blocks are flushed of it; the run has none of it."""
    booked = _Booked(_facts(stock_l={"b": 0.7}))
    (row,) = of_kind(booked.rows, Unscheduled)
    assert (row.channel, row.volume_ml, row.why) == ("b", 700, "moved while another channel's run was under way")
    assert {(item.segment, item.stock, item.run) for item in of_kind(booked.rows, FlushOwed)} == {
        (segment, "injector b", "run-1") for segment in (MAIN, "creek", "hill")
    }
    assert booked.run.injected_l == booked.run.phase_stock_l == 0.0


@pytest.mark.parametrize("run", [None, _run(end="over")])
@pytest.mark.parametrize("procedure", [_P.IDLE, _P.STOPPED, _P.ABORTED, _P.COMPLETE])
def test_what_moves_at_rest_is_nobodys(run: Run | None, procedure: ProcedureState) -> None:
    """Guards invariant 7: the last run is over and has none of it; stock owes the flush of what stands open."""
    facts = _facts(150.0, {"a": 0.6}, selector_auto=True)
    booked = _Booked(facts, run, _unit(procedure, None), last=changed(_OPEN, blocks=frozenset({"ridge"})))
    assert booked.has_run is (run is not None) and (run is None or booked.run is run)
    assert booked.nobodys_ml == {MAIN: 150_000, "a": 600}
    assert {row.why for row in of_kind(booked.rows, Unscheduled)} == {_RESTS}
    assert {row.segment for row in of_kind(booked.rows, FlushOwed)} == {MAIN, "ridge"}


def test_a_run_that_is_no_more_active_has_nothing_of_what_moves() -> None:
    """Guards invariant 7 against a unit that is active without a run, and a run without an active unit."""
    facts = _facts(150.0)
    assert _Booked(facts, None, _unit(_P.RUNNING)).nobodys_ml == {MAIN: 150_000}
    after = _Booked(facts, _run(**_BEFORE), _unit(_P.COMPLETE, None))
    assert after.run == _run(**_BEFORE) and after.nobodys_ml == {MAIN: 150_000}


@pytest.mark.parametrize(("selector", "is_everywhere"), [(True, False), (None, False), (False, True)])
def test_what_a_hand_lets_in_may_be_anywhere(selector: bool | None, is_everywhere: bool) -> None:
    """Guards rule 7: with the selector out of Auto the outputs say nothing of what is open."""
    facts = _facts(0.0, {"a": 0.6}, selector_auto=selector)
    booked = _Booked(facts, None, _unit(_P.IDLE, None), last=changed(SAFE, blocks=frozenset({"hill"})))
    segments = {row.segment for row in of_kind(booked.rows, FlushOwed)}
    assert segments == ({MAIN, "creek", "ridge", "hill"} if is_everywhere else {MAIN, "hill"})


@pytest.mark.parametrize("facts", [{}, {"counter_resets": ("b", MAIN)}])
def test_a_counter_that_begins_anew_is_told(facts: dict[str, Any]) -> None:
    """Guards invariant 7: each one, by name, whatever is going on."""
    for run, unit in ((_FRESH, _unit()), (None, _unit(_P.IDLE, None))):
        rows = _Booked(_facts(0.0, **facts), run, unit).rows
        told = [json.loads(row.detail)["counter"] for row in of_kind(rows, Event) if row.code == "counter-reset"]
        assert told == list(facts.get("counter_resets", ()))


@pytest.mark.parametrize("procedure", [_P.IDLE, _P.HELD, _P.RUNNING])
def test_debts_grow_older_whatever_is_going_on(procedure: ProcedureState) -> None:
    """Guards flush-owed-long: at rest, in a dry hold, and in a run that does not pay them."""
    debt = Owed("ridge", "old", "run-0", 1000.0, 400.0, age_s=10.0)
    run = None if procedure is _P.IDLE else _run(is_dry=procedure is _P.HELD)
    booked = _Booked(_facts(0.0), run, _unit(procedure), lines=Lines(owed=(debt,)))
    assert booked.lines.owed == (debt._replace(age_s=12.0),)


def _in_dry_hold(facts: Facts, **run: Any) -> _Booked:
    return _Booked(facts, _run(**{**_BEFORE, "is_dry": True, **run}), _unit(_P.HELD), last=SAFE)


def test_a_dry_hold_is_of_the_runs_time_and_none_of_its_litres() -> None:
    """Guards rule 7: what moves is nobody's; stock that moves may be anywhere, and ends the run's own."""
    before = _run(**_BEFORE, is_dry=True)
    still = _in_dry_hold(_facts(0.0))
    assert _moved(before, still.run) == {**_ALWAYS, "held_s": 2.0} and not still.rows and not still.run.given_up
    water = _in_dry_hold(_facts(150.0))
    assert _moved(before, water.run) == {**_ALWAYS, "held_s": 2.0} and not water.run.given_up
    assert water.nobodys_ml == {MAIN: 150_000} and of_kind(water.rows, Unscheduled)[0].why == _HELD_DRY
    stock = _in_dry_hold(_facts(0.0, {"a": 0.6}))
    assert _moved(before, stock.run) == {**_ALWAYS, "held_s": 2.0, "since_injected_l": -70.0}
    assert stock.nobodys_ml == {"a": 600} and stock.run.given_up == f"stock {_HELD_DRY}"
    assert {row.segment for row in of_kind(stock.rows, FlushOwed)} == {MAIN, "creek", "ridge", "hill"}
    over = _in_dry_hold(_facts(0.0, {"a": 0.6}), channels={"a": ChannelRun(done=True)})
    assert not over.run.given_up, "all of its stock was in"


@pytest.mark.parametrize("has_injected", [True, False])
def test_water_of_a_dry_hold_may_have_moved_the_stock_in_the_pipes(has_injected: bool) -> None:
    """Guards the band of a dose: what a hand lets through may be the shift's or not; clean pipes stay clean."""
    booked = _in_dry_hold(_facts(1.0), has_injected=has_injected)
    frozen_l = [pipe.frozen_l for pipe in booked.lines.pipes.values()]
    assert any(frozen_l) is has_injected and all(pipe.stock_l == 0.0 for pipe in booked.lines.pipes.values())


@pytest.mark.parametrize(("ec_seen_ms_cm", "is_followed"), [(0.15, True), (0.0, False)])
def test_the_lines_ec_is_followed_where_its_probes_can_tell(ec_seen_ms_cm: float, is_followed: bool) -> None:
    """Guards the flush by EC: without probes, or with a rise that they cannot tell, there is nothing to follow."""
    run = begin(changed(_RECIPE, ec_seen_ms_cm=ec_seen_ms_cm))
    booked = _Booked(_facts(ec_rise_ms_cm=0.2), run, _unit(phase=Phase.PREWET))
    assert (booked.run.rise.seen_s > 0.0) is is_followed
    assert math.isclose(booked.run.rise.ms_cm, 0.2 if is_followed else 0.0)
