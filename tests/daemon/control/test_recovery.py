"""After a crash: the safe set first, the open run closed with estimates, what is owed and latched kept."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.control.decide import State
from daemon.control.image import SAFE
from daemon.control.interlocks import MATRIX
from daemon.control.lines import doses
from daemon.control.open_run import OpenRun, moved_since
from daemon.control.recovery import Count, Past, recover
from daemon.control.states import Phase, ProcedureState, UnitMode
from daemon.evidence import (
    AlarmRaised,
    Checkpoint,
    Dose,
    Event,
    Evidence,
    FlushCleared,
    FlushOwed,
    LeaseEnded,
    LeaseGranted,
    PhaseEnded,
    RunEnded,
    Unscheduled,
)
from daemon.messages import Verb
from daemon.recipe import Recipe
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import Rig, changed, of_kind, reached, short_recipe, small
from tests.daemon.control.sites import N_G_L, every, night, orchard
from tests.daemon.control.spec import Watch


def past_of(rig: Rig) -> Past:
    """Return what a ledger with every row of `rig` in it says of its past."""
    owed: dict[tuple[str, str, str], FlushOwed] = {}
    for row in rig.rows:
        if isinstance(row, FlushOwed):
            owed[row.segment, row.stock, row.run] = row
        elif isinstance(row, FlushCleared):
            owed = {key: item for key, item in owed.items() if key[:2] != (row.segment, row.stock)}
    ended = {row.run for row in of_kind(rig.rows, RunEnded)}
    recipe = rig.state.run.recipe if rig.state.run is not None and rig.state.run.recipe.run not in ended else None
    run = recipe.run if recipe is not None else ""
    open_run = (
        OpenRun(
            recipe,
            tuple(row for row in of_kind(rig.rows, PhaseEnded) if row.run == run),
            {row.channel: row for row in of_kind(rig.rows, Checkpoint) if row.run == run},
        )
        if recipe is not None
        else None
    )
    return Past(
        run=open_run,
        mode=rig.state.unit.mode,
        owed=tuple(owed.values()),
        latched=tuple(rig.state.guard.active),
    )


def crash(rig: Rig, down_s: float = 0.0) -> tuple[Rig, tuple[Evidence, ...]]:
    """Let the controller die and start again after `down_s` with the outputs dropped; return the new rig."""
    past = past_of(rig)
    after = Rig(rig.plant, at_s=40.0)
    after.water_counts, after.stock_counts = rig.water_counts, dict(rig.stock_counts)
    after.water_l, after.stock_l = rig.water_l, dict(rig.stock_l)
    after._move(down_s)
    after.state, rows = recover(rig.plant, past, after.see())
    return after, rows


@pytest.mark.parametrize("phase", list(Phase))
def test_a_run_that_was_under_way_is_closed_in_each_phase(phase: Phase) -> None:
    """Guards invariants 2, 6 and 7: one unclean end, estimated doses, the whole flush owed, everything off."""
    rig = reached(phase)
    rig.scans(3)
    after, rows = crash(rig)
    assert [row.code for row in of_kind(rows, Event)] == ["unclean-end", "counts"]
    ended = of_kind(rows, RunEnded)[0]
    assert (ended.run, ended.state) == ("run-1", "ABORTED")
    assert after.state.emitted == len(rows)
    has_injected = phase in (Phase.INJECT, Phase.FLUSH)
    # At the start of FLUSH the short pipes hold less than a tenth of the stock: as planned, by the band.
    assert ended.outcome == {Phase.INJECT: "SHORT", Phase.FLUSH: "DELIVERED"}.get(phase, "NOT_RUN")
    doses = of_kind(rows, Dose)
    assert {(dose.block, dose.nutrient, dose.basis) for dose in doses} == {
        ("creek", "N", "estimated"),
        ("creek", "Ca", "estimated"),
    }
    assert all(dose.injected_mg == dose.delivered_mg + dose.in_lines_mg for dose in doses)
    assert {o.segment for o in after.state.lines.owed} == ({"creek", "main"} if has_injected else set())
    assert all(o.left_l == o.full_l for o in after.state.lines.owed)
    assert after.state.run is None
    assert after.scan().outputs == SAFE


@pytest.mark.parametrize("scans_in_inject", [1, 12, 60, 140])
def test_the_estimate_is_what_the_meters_say(scans_in_inject: int) -> None:
    """Guards invariant 7: injected stock is the meter's difference, what moved after the last checkpoint included."""
    rig = reached(Phase.INJECT)
    rig.scans(scans_in_inject)
    _, rows = crash(rig, down_s=3.0)
    strength_g_l = short_recipe().channels[0].nutrients_g_l["N"]
    dose = next(dose for dose in of_kind(rows, Dose) if dose.nutrient == "N")
    metered_l = int(rig.stock_counts["a"]) * 0.01
    assert dose.injected_mg == pytest.approx(metered_l * strength_g_l * 1000.0, abs=0.011 * strength_g_l * 1000.0)
    run = rig.state.run
    assert run is not None
    known = next(row for row in doses(rig.plant.site, run, rig.state.lines) if row.nutrient == "N")
    one_count_l = 10.0 * short_recipe().channels[0].ratio  # stock in the water of one count of the main meter
    nearly_l = max(0.03 * metered_l, one_count_l)
    assert dose.delivered_mg == pytest.approx(known.delivered_mg, abs=nearly_l * strength_g_l * 1000.0)


def test_what_moved_while_nobody_watched_is_in_the_estimate() -> None:
    """Guards invariant 7: litres that the meters counted during the outage belong to the run that was open."""
    rig = reached(Phase.INJECT)
    rig.scans(40)
    quiet = crash(rig)[1]
    rig.stock_counts["a"] += 200.0
    rig.water_counts += 30.0
    moved = crash(rig)[1]
    nutrient_g_l = short_recipe().channels[0].nutrients_g_l["N"]
    before, after = (next(d for d in of_kind(rows, Dose) if d.nutrient == "N") for rows in (quiet, moved))
    assert after.injected_mg - before.injected_mg == pytest.approx(2.0 * nutrient_g_l * 1000.0, abs=2.0)
    ends = [of_kind(rows, RunEnded)[0].water_ml for rows in (quiet, moved)]
    assert ends[1] - ends[0] == 300_000


def _begun(*recipes: Recipe) -> Rig:
    """Return a rig of the orchard that has begun to inject."""
    rig = Rig(orchard())
    assert rig.start(*recipes).accepted
    rig.until_injecting(40)
    return rig


def test_a_block_that_drains_lost_what_was_in_its_pipes() -> None:
    """Guards mass balance over an unclean end: the low block ran empty, the other still holds its stock."""
    rig = _begun(night(orchard(), ("ridge", "hill"), 4.0, ("a", 8.0, 1.5)))
    after, rows = crash(rig, down_s=3.0)
    ridge, hill = (next(dose for dose in of_kind(rows, Dose) if dose.block == block) for block in ("ridge", "hill"))
    assert ridge.in_lines_mg > 0 and ridge.lost_mg == 0
    assert hill.lost_mg > 0 and hill.in_lines_mg < ridge.in_lines_mg, "before its valve the main stays full"
    assert hill.u_delivered_mg >= hill.lost_mg, "where it went is not known"
    for dose in (ridge, hill):
        assert dose.injected_mg == dose.delivered_mg + dose.in_lines_mg + dose.lost_mg
    metered_mg = int(rig.stock_counts["a"]) * 0.01 * N_G_L * 1000.0
    assert ridge.injected_mg + hill.injected_mg == pytest.approx(metered_mg, abs=0.011 * N_G_L * 1000.0)
    assert {item.segment for item in after.state.lines.owed} == {"ridge", "hill", "main"}


def test_channels_in_turn_are_closed_each_by_its_own_meter() -> None:
    """Guards invariant 7 with the first channel done and the second not begun: one dose is whole, the other nothing."""
    rig = _begun(night(orchard(), ("ridge", "hill"), 5.0, ("a", 5.0, 1.0), ("b", 5.0, 1.0), order="in_turn"))
    rig.until(lambda state: state.run is not None and state.run.channels["a"].done)
    rig.scans(12)
    after, rows = crash(rig)
    given_mg = {name: sum(d.injected_mg for d in of_kind(rows, Dose) if d.channel == name) for name in ("a", "b")}
    assert given_mg == {"a": pytest.approx(5.0 * N_G_L * 1000.0, rel=0.02), "b": 0}
    assert {(item.segment, item.stock) for item in after.state.lines.owed} == {
        (segment, "stock_a") for segment in ("ridge", "hill", "main")
    }


@pytest.mark.parametrize("start_l", [0.0, 900.0])
def test_a_channel_that_began_late_is_closed_as_late(start_l: float) -> None:
    """Guards the estimate: clear water of INJECT before the channel's turn follows none of its stock."""
    recipe = night(orchard(), ("ridge", "hill"), 5.0, ("a", 8.0, 1.5))
    late = changed(recipe, channels=tuple(changed(plan, start_l=start_l) for plan in recipe.channels))
    rig = Rig(orchard())
    assert rig.start(changed(late, inject_l=recipe.inject_l + start_l, water_l=recipe.water_l + start_l)).accepted
    rig.until_phase(Phase.FLUSH)
    assert rig.state.run is not None
    seen = {dose.block: dose.delivered_mg for dose in doses(rig.plant.site, rig.state.run, rig.state.lines)}
    for dose in of_kind(crash(rig)[1], Dose):
        assert abs(dose.delivered_mg - seen[dose.block]) <= dose.u_delivered_mg
        assert dose.delivered_mg == pytest.approx(seen[dose.block], rel=0.03)


def test_the_shifts_that_were_to_come_do_not_begin_by_themselves() -> None:
    """Guards the start after a crash: the queue is gone with the run, everything is off and nothing begins."""
    hill = night(orchard(), ("hill",), 2.0, run="run-2")
    rig = _begun(night(orchard(), ("creek",), 3.0, ("a", 10.0, 1.5)), hill)
    assert rig.state.queue == (hill,)
    after, rows = crash(rig)
    assert [row.run for row in of_kind(rows, RunEnded)] == ["run-1"]
    assert all(after.scan().outputs == SAFE for _ in range(40))
    assert after.state.run is None and after.state.queue == ()


def test_a_crash_after_a_change_of_shift_closes_the_shift_that_ran() -> None:
    """Guards recovery in a queue: the first shift's end stands, and only the second one's stock is estimated."""
    ridge = night(orchard(), ("ridge",), 3.0, ("b", 6.0, 1.2), run="run-2")
    rig = _begun(night(orchard(), ("creek",), 3.0, ("a", 10.0, 1.5)), ridge)
    rig.until(lambda state: state.queue == ())
    rig.until_injecting(30)
    after, rows = crash(rig)
    assert [(row.run, row.state) for row in of_kind(rows, RunEnded)] == [("run-2", "ABORTED")]
    assert {(dose.run, dose.block, dose.channel) for dose in of_kind(rows, Dose)} == {("run-2", "ridge", "b")}
    assert {(item.run, item.segment) for item in after.state.lines.owed} == {("run-2", "ridge"), ("run-2", "main")}


def test_a_totaliser_that_cannot_be_read_leaves_its_part_out() -> None:
    """Guards recovery with a dead meter: the last checkpoint stands, nothing is invented."""
    rig = reached(Phase.INJECT)
    rig.scans(30)
    checkpoints = of_kind(rig.rows, Checkpoint)
    last = [row for row in checkpoints if row.channel == "a"][-1]
    image = rig.see()
    bad = Rig(small())
    bad.bad.update({"water", "stock.a"})
    _, rows = recover(rig.plant, past_of(rig), changed(image, channels=bad.see().channels, water_l=bad.see().water_l))
    dose = next(dose for dose in of_kind(rows, Dose) if dose.nutrient == "N")
    assert dose.injected_mg == round(last.stock_ml * short_recipe().channels[0].nutrients_g_l["N"])
    assert of_kind(rows, RunEnded)[0].water_ml == max(row.water_ml for row in checkpoints)


def test_latched_alarms_survive_and_others_do_not() -> None:
    """Guards invariant 3 over a restart: a latch is kept until its reset; what was not latched is judged anew."""
    codes = tuple(row.code for row in MATRIX)
    state, rows = recover(small(), Past(latched=(*codes, "a row of another release")), Rig(small()).see())
    assert state.guard.active == {row.code for row in MATRIX if row.latched}
    assert [row.code for row in of_kind(rows, Event)] == ["counts"] and state.emitted == len(rows) == 1
    rig = Rig(small(), state)
    rig.watch = Watch(every=10_000)
    assert not rig.start(short_recipe()).accepted
    assert {"emergency-stop", "siphon"} <= rig.state.guard.active and not rig.state.outputs.blocks
    rig.press_reset()
    assert rig.start(short_recipe()).accepted


def test_what_was_owed_is_flushed_before_the_next_injection() -> None:
    """Guards invariant 2 over a restart: the next run pays the whole flush in PREWET before it injects."""
    rig = reached(Phase.INJECT)
    after, _ = crash(rig)
    owed_l = max(item.full_l for item in after.state.lines.owed)
    assert after.start(short_recipe("run-2")).accepted
    after.until_phase(Phase.PREWET)
    before_l = after.water_l
    after.until_phase(Phase.INJECT)
    assert after.water_l - before_l >= owed_l
    after.until_end()
    assert after.state.unit.procedure is ProcedureState.COMPLETE and not after.state.lines.owed


def test_a_clean_past_leaves_a_clean_start() -> None:
    """Guards recovery of nothing: no rows, fresh state, the pump's rest begins anew."""
    rig = reached(Phase.FLUSH)
    rig.until_end()
    after, rows = crash(rig)
    assert [row.code for row in of_kind(rows, Event)] == ["counts"] and len(rows) == 1
    assert after.state == State(emitted=1)


@settings(derandomize=True, database=None, deadline=None, max_examples=40)
@given(
    scans=st.integers(0, 380),
    verb=st.sampled_from([None, Verb.HOLD, Verb.STOP_EVERYTHING, Verb.STOP_FERTILISER]),
    down_s=st.sampled_from([0.0, 2.0, 43_200.0]),
)
def test_after_any_crash_the_first_outputs_are_the_safe_set(scans: int, verb: Verb | None, down_s: float) -> None:
    """Guards invariant 6 at any scan of a night, with or without a command just before."""
    rig = Rig(small())
    rig.start(short_recipe())
    for _ in range(scans):
        rig.scan()
    if verb is not None:
        rig.scan(verb)
    has_stock = bool(rig.state.lines.owed)
    after, rows = crash(rig, down_s)
    assert bool(after.state.lines.owed) is has_stock
    assert len(of_kind(rows, RunEnded)) <= 1
    for _ in range(3):
        assert after.scan().outputs == SAFE


def test_what_moved_between_runs_and_a_start_is_nobodys_and_owes_every_pipe() -> None:
    """Guards invariants 2 and 7: no litre that a totaliser counted while nobody watched is left out of the record."""
    rig, past = _at_rest()
    rig.water_counts += 50.0
    rig.stock_counts["a"] += 300.0
    state, rows = recover(rig.plant, past, rig.see())
    assert {(row.channel, row.volume_ml, row.basis) for row in of_kind(rows, Unscheduled)} == {
        ("main", 500_000, "estimated"),
        ("a", 3000, "estimated"),
    }
    assert {item.segment for item in state.lines.owed} == {"main", "creek"}
    assert {row.stock for row in of_kind(rows, FlushOwed)} == {"injector a"}


def _counts(rig: Rig) -> dict[str, Count]:
    """Return what a record that is up to date has of the totalisers."""
    image = rig.see()
    shown = {"main": image.water_l, "a": image.channels["a"].stock_l}
    return {name: Count(round(reading.value * 1000.0)) for name, reading in shown.items()}


def _at_rest() -> tuple[Rig, Past]:
    """Return a rig after a whole run, and what a record that is up to date says of it."""
    rig = reached(Phase.FLUSH)
    rig.until_end()
    return rig, Past(counts=_counts(rig))


def test_a_meter_that_cannot_be_read_is_left_to_the_next_start() -> None:
    """Guards recovery: of a totaliser that is BAD nothing is known, and so nothing is written."""
    rig, past = _at_rest()
    rig.water_counts += 50.0
    rig.stock_counts["a"] += 30.0
    rig.bad.update({"water", "stock.a"})
    state, rows = recover(rig.plant, past, rig.see())
    assert not of_kind(rows, Unscheduled) and not state.lines.owed


def test_a_run_that_died_before_its_first_checkpoint_has_all_that_is_in_no_row() -> None:
    """Guards invariant 7 in the first seconds of a run: its water is what the totaliser counted since the last row."""
    rig = reached(Phase.FILL)
    counts = _counts(rig)
    past = past_of(rig)
    assert past.run is not None
    past = changed(past, counts=counts, run=changed(past.run, checkpoints={}))
    rig.water_counts += 12.0
    _, rows = recover(rig.plant, past, rig.see())
    assert of_kind(rows, RunEnded)[0].water_ml == 120_000
    assert not of_kind(rows, Unscheduled), "the run has it"


def test_a_run_never_has_more_water_than_is_in_no_row_yet() -> None:
    """Guards invariant 7 against counting twice: what other rows have already is not the run's as well."""
    rig = reached(Phase.INJECT)
    rig.scans(7)
    past = past_of(rig)
    image = rig.see()
    whole = of_kind(recover(rig.plant, past, image)[1], RunEnded)[0].water_ml
    newest = max(row.water_ml for row in of_kind(rig.rows, Checkpoint))
    assert newest < whole
    booked = changed(past, counts={"main": Count(round(image.water_l.value * 1000.0), open_ml=newest)})
    assert of_kind(recover(rig.plant, booked, image)[1], RunEnded)[0].water_ml == newest


def test_a_memory_that_is_lost_owes_every_pipe_and_latches() -> None:
    """Guards rule 20: nobody knows what a real plant was left in, so all of it is flushed, and a person looks first."""
    state, rows = recover(orchard(), Past(is_lost=True), Rig(orchard()).see())
    assert {(item.segment, item.stock) for item in state.lines.owed} == {
        (segment, f"injector {channel}") for segment in ("main", "creek", "ridge", "hill") for channel in "ab"
    }
    assert state.guard.active == {"memory-lost"}
    assert [row.code for row in of_kind(rows, AlarmRaised)] == ["memory-lost"]


@pytest.mark.parametrize(
    ("boots", "mode", "is_refused"),
    [
        (2, UnitMode.AUTOMATIC, False),
        (3, UnitMode.AUTOMATIC, True),
        (3, UnitMode.MANUAL, True),
    ],
)
def test_after_three_unclean_starts_nothing_starts_by_itself(boots: int, mode: UnitMode, is_refused: bool) -> None:
    """Guards rule 13: a controller that keeps dying is not left to start runs on its own."""
    state, rows = recover(small(), Past(mode=mode, unclean_boots=boots), Rig(small()).see())
    assert ("unclean-boots" in state.guard.active) is is_refused
    is_changed = is_refused and mode is UnitMode.AUTOMATIC
    assert state.unit.mode is (UnitMode.SEMI_AUTOMATIC if is_changed else mode)
    assert ("mode" in [row.code for row in of_kind(rows, Event)]) is is_changed


def test_leases_end_with_the_controller_that_granted_them() -> None:
    """Guards invariant 9: no force outlives a start, and the record says so."""
    granted = LeaseGranted("l1", "force", "valve.creek", True, 600, "Mira", "a look")
    state, rows = recover(small(), Past(leases=(granted,)), Rig(small()).see())
    assert not state.leases
    assert [(row.lease, row.why) for row in of_kind(rows, LeaseEnded)] == [("l1", "the controller started")]


def test_a_channel_in_turn_is_followed_from_where_its_turn_was() -> None:
    """Guards the estimate of the second channel: its stock came after the first one's water and the rinse."""
    recipe = night(orchard(), ("ridge", "hill"), 5.0, ("a", 5.0, 1.0), ("b", 5.0, 1.0), order="in_turn")
    assert any(plan.after for plan in recipe.channels)
    rig = Rig(orchard())
    assert rig.start(recipe).accepted
    rig.until_phase(Phase.FLUSH)
    assert rig.state.run is not None
    seen = {(d.block, d.channel): d.delivered_mg for d in doses(rig.plant.site, rig.state.run, rig.state.lines)}
    found = [dose for dose in of_kind(crash(rig)[1], Dose) if dose.nutrient == "N"]
    assert {dose.channel for dose in found} == {"a", "b"}
    for dose in found:
        assert abs(dose.delivered_mg - seen[dose.block, dose.channel]) <= dose.u_delivered_mg
        assert dose.delivered_mg == pytest.approx(seen[dose.block, dose.channel], rel=0.06)


@pytest.mark.parametrize(("days", "is_booked"), [(29.0, True), (31.0, False)])
def test_a_totaliser_that_moved_more_than_a_month_can_is_another_meter(days: float, is_booked: bool) -> None:
    """Guards recovery against an exchanged meter: beyond 30 days of the highest flow nothing is booked."""
    rig, past = _at_rest()
    rig.water_counts += 60.0 / 3.6 / 10.0 * days * 86_400.0
    _, rows = recover(rig.plant, past, rig.see())
    assert bool(of_kind(rows, Unscheduled)) is is_booked


@pytest.mark.parametrize(("litres", "is_booked"), [(4.9, False), (5.1, True)])
def test_half_a_count_is_no_water(litres: float, is_booked: bool) -> None:
    """Guards recovery against rounding: what rows have is to the millilitre, and the meter counts tens of litres."""
    rig = reached(Phase.FLUSH)
    rig.until_end()
    count = _counts(rig)["main"]
    past = Past(counts={"main": changed(count, open_ml=round(litres * 1000.0))})
    _, rows = recover(rig.plant, past, rig.see())
    assert bool(of_kind(rows, Unscheduled)) is is_booked


def test_a_flush_that_was_owed_is_as_old_as_it_was() -> None:
    """Guards flush-owed-long over a start: the record's age goes on; where the clock was not trusted it begins anew."""
    owed = (FlushOwed("main", "calcium", "run-0", 400_000), FlushOwed("creek", "calcium", "run-0", 300_000))
    past = Past(owed=owed, owed_s={("main", "calcium"): 7000.0})
    state, _ = recover(small(), past, Rig(small()).see())
    assert [(item.segment, item.left_l, item.full_l, item.age_s) for item in state.lines.owed] == [
        ("main", 400.0, 400.0, 7000.0),
        ("creek", 300.0, 300.0, 0.0),
    ]


@pytest.mark.parametrize(("before", "now", "moved"), [(10, 5, 0), (2**32 - 5, 5, 10), (10, 2**31 + 9, 2**31 - 1)])
def test_half_of_a_counters_range_is_the_most_that_it_can_have_moved(before: int, now: int, moved: int) -> None:
    """Guards recovery: beyond that nobody can tell a wrap from a counter that went back; a wrap itself is counted."""
    site = small().site
    reading = Reading(10.0 * now, Quality.GOOD, 0.0)
    found_l = moved_since(small(), site.main.water, before * 10_000, reading, 1e12)
    assert found_l == 10.0 * moved


def test_the_water_that_washes_a_tank_out_is_no_stock_of_nobodys() -> None:
    """Guards recovery of a displacement tank: its meter counts water, of which the run has the stock alone."""
    rig = Rig(every())
    assert rig.start(night(every(), ("terrace", "flat"), 8.0, ("e", 9.8, 4.0))).accepted
    rig.until_injecting(60)
    past = changed(past_of(rig), counts={"e": Count(0)})
    rows = recover(rig.plant, past, rig.see())[1]
    assert rig.stock_l["e"] > 1.0 and of_kind(rows, Dose)
    assert not of_kind(rows, Unscheduled)
