"""What a scan says for the record: checkpoints in time, each of what is going on."""

import json
import math
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import pytest

from daemon.control.guard import Verdict
from daemon.control.interlocks import BY_CODE
from daemon.control.lines import MAIN, Lines, lay
from daemon.control.record import Recorder, canonical, counted
from daemon.control.run import ChannelRun, Run, begin
from daemon.control.sense import ChannelSense, Sense
from daemon.control.sense_water import WaterSense
from daemon.control.states import Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.dosing.breakthrough import Front
from daemon.evidence import (
    AlarmCleared,
    AlarmRaised,
    Checkpoint,
    Event,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from tests.daemon.control.plant import Rig, of_kind, reached, short_recipe, small, wide, wide_recipe


def _told(rig: Rig, scans: int) -> list[tuple[str, str]]:
    """Return (channel, phase) of each checkpoint of the next scans."""
    before = len(rig.rows)
    rig.scans(scans)
    return [(row.channel, row.phase) for row in of_kind(rig.rows[before:], Checkpoint)]


def test_an_injection_is_told_every_ten_seconds_and_water_alone_every_minute() -> None:
    """Guards a crash's loss: stock by channel while it may flow, water by the main's meter else, and never both."""
    rig = reached(Phase.INJECT)
    assert _told(rig, 60) == [("a", "INJECT")] * 6
    rig = reached(Phase.FLUSH)
    rig.scans(3)
    assert set(_told(rig, 70)) == {("main", "FLUSH")}
    rig = reached(Phase.INJECT)
    rig.scans(12)
    rig.pressure_kpa = 120.0
    rig.scans(2)
    assert rig.state.run is not None and not rig.state.run.intents
    told = _told(rig, 36)
    assert set(told) <= {("main", "INJECT")}, "paused: no stock may flow"


def test_a_checkpoint_is_what_the_run_has_had() -> None:
    """Guards what a boot goes by: the run's litres and both totalisers' counts at that moment."""
    rig = reached(Phase.INJECT)
    rig.scans(30)
    row = of_kind(rig.rows, Checkpoint)[-1]
    run = rig.state.run
    assert run is not None
    assert 0 < row.stock_ml <= 1000.0 * run.injected_l and row.stock_ml > 1000.0 * (
        run.injected_l - 10.0 * 250.0 / 3600.0
    )
    assert run.water_l - 110.0 < row.water_ml / 1000.0 <= run.water_l, "what ten seconds bring, and a count"
    assert row.stock_count_ml <= 10.0 * int(rig.stock_counts["a"]) < row.stock_count_ml + 1000
    assert row.water_count_ml <= 10_000.0 * int(rig.water_counts)


def test_an_intent_says_what_is_about_to_be_injected() -> None:
    """Guards rule 1: the batch, what is reserved, the flush, and the strength in micrograms a millilitre."""
    rig = reached(Phase.INJECT)
    (row,) = of_kind(rig.rows, InjectionIntent)
    recipe = short_recipe()
    (plan,) = recipe.channels
    assert (row.run, row.channel, row.stock, row.batch) == ("run-1", "a", plan.stock, plan.batch)
    assert row.reserved_ml == round(1000.0 * plan.stock_l) and row.owed_ml == round(1000.0 * recipe.flush_l)
    assert json.loads(row.nutrients_ug_ml) == {name: round(1000.0 * g_l) for name, g_l in plan.nutrients_g_l.items()}
    rig.scans(40)
    rig.pressure_kpa = 120.0
    rig.scans(3)
    rig.pressure_kpa = 300.0
    rig.until_injecting(2)
    again = of_kind(rig.rows, InjectionIntent)[-1]
    assert again.reserved_ml < row.reserved_ml, "what is in already is not reserved again"


def test_each_phase_says_how_it_ended() -> None:
    """Guards the morning's why: litres, time and reason of every phase, and of the run."""
    rig = reached(Phase.FLUSH)
    rig.until_end()
    told = {row.phase: row for row in of_kind(rig.rows, PhaseEnded)}
    assert [told[phase.value].why for phase in Phase] == [
        "flow and pressure steady",
        "pre-wet volume passed",
        "planned stock is in",
        told["FLUSH"].why,
    ]
    assert told["FLUSH"].why.startswith("flush and planned water passed")
    recipe = short_recipe()
    assert told["PREWET"].water_ml == pytest.approx(1000.0 * recipe.prewet_l, abs=30_000)
    assert told["INJECT"].stock_ml == pytest.approx(1000.0 * recipe.channels[0].stock_l, rel=0.02)
    (ended,) = of_kind(rig.rows, RunEnded)
    assert ended.water_ml == pytest.approx(1000.0 * rig.water_l, abs=20_000)
    assert ended.duration_ms > 1000 * 300 and ended.state == ProcedureState.COMPLETE.value
    counts = json.loads(next(row.detail for row in of_kind(rig.rows, Event) if row.code == "counts"))
    assert counts["main"] == {"count_ml": 10_000 * int(rig.water_counts), "open_ml": counts["main"]["open_ml"]}


def test_an_injection_that_was_given_up_says_why_at_the_end_of_its_phase() -> None:
    """Guards the why of INJECT: not that the planned stock is in."""
    rig = reached(Phase.INJECT)
    rig.silent.add("a")
    rig.until_phase(Phase.FLUSH)
    row = next(row for row in of_kind(rig.rows, PhaseEnded) if row.phase == "INJECT")
    assert "airlock" in row.why and "planned" not in row.why


def test_a_counter_that_begins_anew_in_a_run_tells_what_is_in_no_row_yet() -> None:
    """Guards a boot after it: counts as they stand now, with all that the run has had since it began left open."""
    rig = reached(Phase.INJECT)
    rig.scans(30)
    rig.stock_counts["a"] = 7.0
    rig.scan()
    run, rows = rig.state.run, [row for row in of_kind(rig.rows, Event) if row.code == "counts"]
    told = json.loads(rows[-1].detail)
    assert run is not None and run.injected_l > 1.0
    assert told["a"]["count_ml"] == 10 * int(rig.stock_counts["a"]) < 200
    assert told["a"]["open_ml"] == pytest.approx(1000.0 * run.injected_l, abs=1.0)
    assert told["main"]["open_ml"] == pytest.approx(1000.0 * (run.water_l + run.fill_l), abs=1.0)


_SENSES = Sense(
    WaterSense(count_l=5000.0), channels={"a": ChannelSense(count_l=70.0), "b": ChannelSense(count_l=math.nan)}
)


def _wide_run(**changes: Any) -> Run:
    channels = {"a": ChannelRun(injected_l=3.0), "b": ChannelRun(injected_l=1.5)}
    return begin(wide_recipe())._replace(**{"channels": channels, "water_l": 700.0, **changes})


def _told_by(run: Run, phase: Phase | None = Phase.INJECT) -> tuple[Run, list[tuple[str, int, int, int, int]]]:
    """Return the run after its checkpoints, and each as channel, water, stock and both counts in mL."""
    record = Recorder()
    unit = Unit(UnitMode.SEMI_AUTOMATIC, ProcedureState.RUNNING, phase)
    after = record.checkpoint(wide().site, unit, run, _SENSES)
    rows = of_kind(record.rows(), Checkpoint)
    assert all((row.run, row.phase) == ("run-1", phase and phase.value) for row in rows)
    return after, [(r.channel, r.water_ml, r.stock_ml, r.water_count_ml, r.stock_count_ml) for r in rows]


_A = ("a", 700_000, 3_000, 5_000_000, 70_000)
_B = ("b", 700_000, 1_500, 5_000_000, 0)
_MAIN = (MAIN, 765_000, 0, 5_000_000, 0)


@pytest.mark.parametrize(
    ("phase", "run", "told"),
    [
        (Phase.INJECT, {"intents": {"a": 1, "b": 2}, "checkpoint_s": 9.9}, []),
        (Phase.INJECT, {"intents": {"a": 1, "b": 2}, "checkpoint_s": 10.0}, [_A, _B]),
        (Phase.INJECT, {"intents": {"b": 2}, "checkpoint_s": 10.0}, [_B]),
        (Phase.INJECT, {"checkpoint_s": 59.9}, []),
        (Phase.INJECT, {"checkpoint_s": 60.0}, [_MAIN]),
        (Phase.INJECT, {"is_dry": True, "checkpoint_s": math.inf}, [_A, _B, _MAIN]),
        (Phase.FLUSH, {"is_dry": True, "checkpoint_s": math.inf}, [_MAIN]),
        (Phase.FLUSH, {"intents": {"a": 1}, "checkpoint_s": 59.9}, []),
        (Phase.FLUSH, {"intents": {"a": 1}, "checkpoint_s": 60.0}, [_MAIN]),
        (None, {"checkpoint_s": math.inf}, []),
    ],
)
def test_a_checkpoint_comes_in_time_and_tells_of_what_may_flow(
    phase: Phase | None, run: dict[str, Any], told: list[tuple[str, int, int, int, int]]
) -> None:
    """Guards a crash's loss: stock of open channels by the site's seconds, else the run's water once a minute."""
    assert wide().site.site.checkpoint_s == 10.0
    before = _wide_run(fill_l=60.0, backwash_l=5.0, **run)
    after, rows = _told_by(before, phase)
    assert rows == told
    assert after == (before._replace(checkpoint_s=0.0) if told else before)


def test_counts_tell_what_is_in_no_row_yet() -> None:
    """Guards invariant 7 for a boot: what is nobody's and waits, and all that the run has had; NaN is left out."""
    lines = Lines(unscheduled_l={MAIN: 20.0, "a": 0.05})
    for run, open_ml in ((None, (20_000, 50)), (_wide_run(fill_l=60.0, backwash_l=5.0), (785_000, 3_050))):
        record = Recorder()
        record.counts(_SENSES, lines, run)
        (event,) = of_kind(record.rows(), Event)
        assert event.code == "counts" and json.loads(event.detail) == {
            MAIN: {"count_ml": 5_000_000, "open_ml": open_ml[0]},
            "a": {"count_ml": 70_000, "open_ml": open_ml[1]},
        }
    alone = json.loads(counted({"a": 1.0}, {}).detail)
    assert alone == {"a": {"count_ml": 1000, "open_ml": 0}}
    record = Recorder()
    record.counts(_SENSES, Lines(), _wide_run())
    (event,) = of_kind(record.rows(), Event)
    assert json.loads(event.detail)["a"]["open_ml"] == 3_000 and json.loads(event.detail)[MAIN]["open_ml"] == 700_000


def test_an_intent_reserves_what_is_left_of_each_channel_that_opens() -> None:
    """Guards rule 1 with several channels: those that open and no other, and never less than nothing."""
    record, recipe = Recorder(), wide_recipe()
    one, two = recipe.channels
    channels = {"a": ChannelRun(injected_l=one.stock_l - 1.25), "b": ChannelRun(injected_l=two.stock_l + 1.0)}
    record.intent(begin(recipe)._replace(channels=channels), frozenset("a"), [AlarmCleared("first")])
    first, row = record.rows()
    assert first == AlarmCleared("first") and isinstance(row, InjectionIntent)
    assert (row.channel, row.reserved_ml) == ("a", 1250)
    record.intent(begin(recipe)._replace(channels=channels), frozenset("ab"), [])
    assert [(r.channel, r.reserved_ml) for r in of_kind(record.rows()[2:], InjectionIntent)] == [("a", 1250), ("b", 0)]
    assert record.count == 4


def test_causes_are_told_as_they_come_and_go() -> None:
    """Guards the record of alarms: effect and latch of each, those that came before those that went."""
    record = Recorder()
    record.alarms(Verdict(Effect.ZERO, ("burst",), raised=("burst", "pressure-low"), cleared=("no-flow",)))
    assert record.rows() == (
        AlarmRaised("burst", "ZERO", True),
        AlarmRaised("pressure-low", "PAUSE", BY_CODE["pressure-low"].latched),
        AlarmCleared("no-flow"),
    )


def test_a_run_is_told_with_its_whole_recipe() -> None:
    """Guards what a boot and a reader go by: the recipe as canonical JSON, and the site it was planned for."""
    record, recipe = Recorder(), short_recipe()
    record.began(small(), begin(recipe))
    assert record.rows() == (RunStarted("run-1", recipe.shift, small().digest, canonical(asdict(recipe))),)
    record.dropped(small(), recipe, "it rains")
    assert record.rows()[1:] == (record.rows()[0], RunEnded("run-1", "IDLE", "NOT_RUN", "it rains", 0, 0))
    assert canonical({"b": 1, "a": [1, "µ"]}) == '{"a":[1,"µ"],"b":1}'


def test_a_phase_is_told_in_small_units() -> None:
    """Guards the record's units: ms and mL."""
    record = Recorder()
    run = begin(short_recipe())._replace(phase_s=12.5, phase_water_l=300.25, phase_stock_l=1.5)
    record.phase_ended(Phase.INJECT, run, "planned stock is in")
    assert record.rows() == (PhaseEnded("run-1", "INJECT", 12_500, 300_250, 1_500, "planned stock is in"),)


def test_a_flush_that_is_not_clear_is_told_with_its_figures() -> None:
    """Guards the morning's look at a flush: EC now, before and as it should be, in µS/cm; its water."""
    recipe, record = short_recipe(), Recorder()
    run = begin(recipe)._replace(since_injected_l=412.5)
    record.unclear(run._replace(rise=run.rise._replace(ms_cm=0.25, before_ms_cm=0.05)))
    record.unclear(run._replace(rise=run.rise._replace(ms_cm=0.25)))
    told = [json.loads(event.detail) for event in of_kind(record.rows(), Event)]
    figures = {"rise_us_cm": 250, "within_us_cm": round(1000.0 * recipe.flush_ec_ms_cm), "water_ml": 412_500}
    assert told == [{"run": "run-1", **figures, "before_us_cm": before} for before in (50, 0)]
    record = Recorder()
    record.unread(recipe, ["rain", "wind"])
    assert [(event.code, json.loads(event.detail)) for event in of_kind(record.rows(), Event)] == [
        ("weather-unread", {"run": "run-1", "contact": name}) for name in ("rain", "wind")
    ]


@pytest.mark.parametrize(("given_up", "why"), [("", "flush and planned water passed"), ("an airlock", "an airlock")])
@pytest.mark.parametrize("is_blind", [False, True])
def test_the_end_of_a_run_tells_all_of_it(given_up: str, why: str, is_blind: bool) -> None:
    """Guards the record of a run: all its water, how long it was, and why; a front where the water was counted."""
    site, recipe = small().site, short_recipe()
    block = recipe.blocks[0]
    run = begin(recipe)._replace(
        end="flush and planned water passed",
        given_up=given_up,
        water_l=700.0,
        fill_l=60.0,
        backwash_l=5.0,
        run_s=80.5,
        fronts={block.block: Front(arrived_l=block.path.transit_l + 10.0, step_l=2.0)},
    )
    record = Recorder()
    lines = lay(site, recipe, Lines())._replace(is_blind=is_blind)
    record.ended(site, Unit(UnitMode.SEMI_AUTOMATIC, ProcedureState.COMPLETE, None), run, lines)
    (row,) = of_kind(record.rows(), RunEnded)
    assert (row.run, row.state, row.why) == ("run-1", "COMPLETE", why)
    assert (row.water_ml, row.duration_ms) == (765_000, 80_500)
    events = of_kind(record.rows(), Event)
    assert len(events) == (0 if is_blind else 1)
    for event in events:
        detail: Mapping[str, Any] = json.loads(event.detail)
        assert event.code == "breakthrough" and (detail["run"], detail["block"]) == ("run-1", block.block)
        planned_ml = round(1000.0 * block.path.transit_l)
        assert (detail["seen_ml"], detail["planned_ml"]) == (planned_ml + 10_000, planned_ml)
        en = 10_000.0 / math.hypot(detail["u_seen_ml"], detail["u_planned_ml"])
        assert detail["en_thousandths"] == pytest.approx(1000.0 * en, abs=1.0) and en > 0.0
        u_planned_ml = 10.0 * block.path.accuracy_pct * block.path.transit_l
        assert detail["u_planned_ml"] == pytest.approx(u_planned_ml, abs=1.0)
