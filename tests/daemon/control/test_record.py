"""What a scan says for the record: checkpoints in time, each of what is going on."""

import json

import pytest

from daemon.control.states import Phase, ProcedureState
from daemon.evidence import Checkpoint, Event, InjectionIntent, PhaseEnded, RunEnded
from tests.daemon.control.plant import Rig, of_kind, reached, short_recipe


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
