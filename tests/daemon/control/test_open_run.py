"""A run that is closed after a crash: its litres by the meters, and its stock followed from where it must have been."""

import math
from dataclasses import replace

import pytest

from daemon.control.image import Image
from daemon.control.lines import MAIN, Lines, lay
from daemon.control.open_run import Closed, OpenRun, close
from daemon.dosing.estimates import k2_of_class_pct
from daemon.evidence import Checkpoint, Dose, Event, PhaseEnded, RunEnded
from daemon.hydraulics.transport import displace
from daemon.recipe import ChannelPlan, Recipe
from daemon.site import Plant
from tests.daemon.control.plant import Rig, changed, of_kind
from tests.daemon.control.sites import every, night, orchard

_RECIPE = night(orchard(), ("ridge", "hill"), 5.0, ("a", 8.0, 1.5))
_PLAN = _RECIPE.channels[0]
_BEFORE_L = 400.0
"""Water of PREWET."""


def _phase(name: str, water_l: float, duration_s: float = 10.0) -> PhaseEnded:
    return PhaseEnded(_RECIPE.run, name, round(1000.0 * duration_s), round(1000.0 * water_l), 0, "over")


def _checkpoint(channel: str, water_l: float, stock_l: float = 0.0, **counts: int) -> Checkpoint:
    made = {"water_count_ml": 0, "stock_count_ml": 0, **counts}
    return Checkpoint(_RECIPE.run, channel, "INJECT", round(1000.0 * water_l), round(1000.0 * stock_l), **made)


def _image(plant: Plant, water_l: float = 0.0, **stock_l: float) -> Image:
    """Return an image whose totalisers show this, or nothing at all."""
    rig = Rig(plant)
    image = rig.see()
    channels = {
        name: changed(channel, stock_l=changed(channel.stock_l, value=stock_l.get(name, 0.0)))
        for name, channel in image.channels.items()
    }
    return changed(image, water_l=changed(image.water_l, value=water_l), channels=channels)


_PREWET = (_phase("FILL", 900.0), _phase("PREWET", _BEFORE_L))


def _closed(
    *rows: Checkpoint,
    phases: tuple[PhaseEnded, ...] = _PREWET,
    unbooked_l: float | None = None,
    recipe: Recipe = _RECIPE,
    plant: Plant | None = None,
    image: Image | None = None,
) -> Closed:
    plant = plant or orchard()
    open_run = OpenRun(recipe, phases, {row.channel: row for row in rows})
    return close(plant, open_run, image or _image(plant), unbooked_l)


def _ended(closed: Closed) -> RunEnded:
    (row,) = of_kind(closed.rows, RunEnded)
    return row


def test_what_the_meters_moved_since_the_last_checkpoint_is_the_runs() -> None:
    """Guards invariant 7: water and stock by the counts, on top of what the checkpoint had."""
    row = _checkpoint("a", 700.0, 2.0, water_count_ml=50_000, stock_count_ml=1_000)
    closed = _closed(row, image=_image(orchard(), 80.0, a=1.4))
    assert closed.injected_l == {"a": pytest.approx(2.4)} and closed.astray_l == {"a": 0.0}
    assert closed.water_l == pytest.approx(730.0) and _ended(closed).water_ml == 730_000


def test_a_run_has_the_most_water_that_any_of_its_checkpoints_tells() -> None:
    """Guards the run's water: channels and main are told at other times, and each goes on to the counts of now."""
    image = _image(orchard(), 80.0)
    main = _checkpoint(MAIN, 900.0, water_count_ml=60_000)
    early = _checkpoint("a", 700.0, 2.0, water_count_ml=50_000)
    assert _closed(main, early, image=image).water_l == pytest.approx(920.0)
    late = _checkpoint("a", 960.0, 2.0, water_count_ml=50_000)
    assert _closed(main, late, image=image).water_l == pytest.approx(990.0)
    assert _closed(main, late, image=image, unbooked_l=955.0).water_l == 955.0, "never more than is in no row yet"
    assert _closed(main, late, image=image, unbooked_l=2000.0).water_l == pytest.approx(990.0)
    assert _closed(early, image=image).water_l == pytest.approx(730.0)


@pytest.mark.parametrize(("unbooked_l", "water_l"), [(None, 0.0), (120.0, 120.0)])
def test_a_run_without_a_checkpoint_has_what_is_in_no_row(unbooked_l: float | None, water_l: float) -> None:
    """Guards invariant 7 in a run's first seconds: its water is what the record does not have; stock it had none."""
    closed = _closed(phases=(), unbooked_l=unbooked_l)
    assert closed.water_l == water_l and closed.injected_l == {"a": 0.0} and closed.astray_l == {}
    assert all(dose.injected_mg == dose.delivered_mg == 0 for dose in of_kind(closed.rows, Dose))
    (event,) = of_kind(closed.rows, Event)
    assert (event.code, event.detail) == ("unclean-end", '{"after_phase":"none"}')


@pytest.mark.parametrize(("times", "is_believed"), [(1.9, True), (2.1, False)])
def test_more_than_twice_a_runs_water_is_another_meters(times: float, is_believed: bool) -> None:
    """Guards against a meter that was exchanged: such a leap adds nothing."""
    moved_l = 10.0 * math.floor(times * _RECIPE.water_l / 10.0)
    closed = _closed(_checkpoint("a", 700.0, 2.0), image=_image(orchard(), moved_l))
    assert closed.water_l == pytest.approx(700.0 + (moved_l if is_believed else 0.0))


@pytest.mark.parametrize(("moved_l", "is_believed"), [(999.0, True), (1001.0, False)])
def test_more_than_a_tank_holds_is_another_meters(moved_l: float, is_believed: bool) -> None:
    """Guards the same for stock: beyond the tank's volume of 1000 L nothing of it is booked."""
    assert orchard().site.tank["a"].volume_l == 1000.0
    closed = _closed(_checkpoint("a", 700.0, 2.0), image=_image(orchard(), a=moved_l))
    assert closed.injected_l["a"] == pytest.approx(2.0 + (moved_l if is_believed else 0.0))


@pytest.mark.parametrize("per_count", [0.01, None])
def test_stock_beyond_what_the_injector_could_give_went_astray(per_count: float | None) -> None:
    """Guards invariant 2: the outputs drop by the module's time-out, so what came after it siphoned somewhere.

    A tenth more than 500 L/h over the ten seconds of a checkpoint and the ten of the time-out, and a count.
    """
    site = orchard().site
    assert (site.injector["a"].highest_l_h, site.site.checkpoint_s, site.safety.max_watchdog_s) == (500.0, 10.0, 10.0)
    meter = site.injector["a"].meter.model_copy(update={"per_count": per_count})
    injector = site.injector["a"].model_copy(update={"meter": meter})
    plant = changed(orchard(), site=site.model_copy(update={"injector": {**site.injector, "a": injector}}))
    could_l = 1.1 * 500.0 / 3600.0 * 20.0 + (per_count or 0.0)
    for moved_l, astray_l in ((3.0, 0.0), (8.0, 8.0 - could_l)):
        closed = _closed(_checkpoint("a", 700.0, 2.0), plant=plant, image=_image(plant, a=moved_l))
        assert closed.astray_l["a"] == pytest.approx(astray_l)
        assert closed.injected_l["a"] == pytest.approx(2.0 + moved_l), "the run has it all the same"


def test_a_displacement_tanks_meter_counts_the_water_that_washes_it_out() -> None:
    """Guards the domain sheet's T1 over a crash: of what is left in the tank, 1 - exp(-v/V) leaves with v litres."""
    plant = every()
    volume_l = plant.site.tank[plant.site.injector["e"].tank].volume_l
    recipe = night(plant, ("terrace", "flat"), 8.0, ("e", 9.8, 4.0))
    row = replace(_checkpoint("e", 700.0, 4.0), run=recipe.run)
    closed = _closed(row, recipe=recipe, plant=plant, image=_image(plant, e=5.0))
    assert closed.injected_l["e"] == pytest.approx(4.0 + (volume_l - 4.0) * (1.0 - math.exp(-5.0 / volume_l)))


def test_the_end_of_a_run_that_was_cut_says_so() -> None:
    """Guards the record: its state, why, how long its phases were, and the phase after which it was cut."""
    phases = (*_PREWET, _phase("INJECT", 800.0, 33.5))
    row = _ended(closed := _closed(_checkpoint("a", 1300.0, 8.0), phases=phases))
    assert (row.run, row.state, row.why) == (_RECIPE.run, "ABORTED", "the controller stopped during the run")
    assert row.duration_ms == 53_500
    assert of_kind(closed.rows, Event)[0].detail == '{"after_phase":"INJECT"}'
    assert isinstance(closed.rows[0], Event) and isinstance(closed.rows[-1], RunEnded)


def test_a_phase_that_a_dry_hold_cut_counts_with_all_its_parts() -> None:
    """Guards the estimate over a hold: the water of each part of INJECT is INJECT's."""
    phases = (*_PREWET, _phase("INJECT", 300.0), _phase("FILL", 800.0), _phase("INJECT", 200.0))
    run = OpenRun(_RECIPE, phases)
    assert run.water_l("INJECT") == 500.0 and run.water_l("FILL") == 1700.0 and run.water_l("FLUSH") == 0.0


def _delivered_mg(
    plan: ChannelPlan, block: str, injected_l: float, own_l: float, after_l: float, recipe: Recipe = _RECIPE
) -> float:
    """Return what a block must have had of a stock that came evenly in `own_l` of water and was followed by `after_l`.

    In a thousand steps each, where the core takes fifty.
    """
    share = next(one.share for one in recipe.blocks if one.block == block)
    line = lay(orchard().site, recipe, Lines()).pipes[plan.channel, block].way.line
    for _ in range(1000):
        line = displace(line, own_l * share / 1000.0, injected_l * share / 1000.0)
    for _ in range(1000):
        line = displace(line, after_l * share / 1000.0, 0.0)
    return line.delivered_l * plan.nutrients_g_l["N"] * 1000.0


def _assert_estimated(
    closed: Closed, plan: ChannelPlan, injected_l: float, own_l: float, after_l: float, recipe: Recipe = _RECIPE
) -> None:
    doses = [row for row in of_kind(closed.rows, Dose) if row.channel == plan.channel]
    assert {row.block for row in doses} == {"ridge", "hill"}
    for row in doses:
        share = next(one.share for one in recipe.blocks if one.block == row.block)
        assert row.injected_mg == pytest.approx(injected_l * share * plan.nutrients_g_l["N"] * 1000.0, abs=1.0)
        expected_mg = _delivered_mg(plan, row.block, injected_l, own_l, after_l, recipe)
        assert row.delivered_mg == pytest.approx(expected_mg, rel=0.02, abs=0.002 * row.injected_mg)
        assert (row.basis, row.estimate) == ("estimated", "METER")


_TRANSIT_L = max(block.path.transit_l / block.share for block in _RECIPE.blocks)
_OWN_L = 4.0 / _PLAN.ratio
"""Water that 4 L of stock take."""


def test_stock_that_was_being_injected_came_in_the_last_water() -> None:
    """Guards the estimate in INJECT: evenly in as much water as it takes at its ratio, up to now; none followed it."""
    water_l = _BEFORE_L + 100.0 + _OWN_L
    closed = _closed(_checkpoint("a", water_l, 4.0))
    _assert_estimated(closed, _PLAN, 4.0, _OWN_L, 0.0)
    short = _closed(_checkpoint("a", _BEFORE_L + 0.5 * _OWN_L, 4.0))
    _assert_estimated(short, _PLAN, 4.0, 0.5 * _OWN_L, 0.0)


@pytest.mark.parametrize("rest_l", [0.0, 0.5 * _TRANSIT_L, 2.0 * _TRANSIT_L])
def test_stock_that_was_all_in_was_followed_by_the_rest_of_the_water(rest_l: float) -> None:
    """Guards the estimate of a channel that is done while INJECT goes on: it began as planned; water followed."""
    plan = replace(_PLAN, stock_l=4.0, start_l=0.0)
    recipe = replace(_RECIPE, channels=(plan,))
    closed = _closed(_checkpoint("a", _BEFORE_L + _OWN_L + rest_l, 4.0), recipe=recipe)
    _assert_estimated(closed, plan, 4.0, _OWN_L, rest_l, recipe)


@pytest.mark.parametrize("flushed_l", [0.0, 0.5 * _TRANSIT_L, 3.0 * _TRANSIT_L])
def test_stock_of_an_inject_that_is_over_was_followed_by_the_flush(flushed_l: float) -> None:
    """Guards the estimate in FLUSH: INJECT's own water is known by then, and all after it followed the stock."""
    plan = replace(_PLAN, start_l=50.0)
    recipe = replace(_RECIPE, channels=(plan,))
    phases = (*_PREWET, _phase("INJECT", 50.0 + _OWN_L + 30.0))
    water_l = _BEFORE_L + 50.0 + _OWN_L + 30.0 + flushed_l
    closed = _closed(_checkpoint("a", water_l, 4.0), phases=phases, recipe=recipe)
    _assert_estimated(closed, plan, 4.0, _OWN_L, 30.0 + flushed_l, recipe)


@pytest.mark.parametrize(("start_l", "is_late"), [(0.0, False), (5000.0, True)])
def test_a_channel_in_turn_began_behind_the_one_before_it_and_its_rinse(start_l: float, is_late: bool) -> None:
    """Guards the estimate of the second channel: the first one's water, the rinse, or its own later start."""
    first = replace(_PLAN, stock_l=3.0, start_l=20.0)
    second = replace(_PLAN, channel="b", after="a", rinse_l=60.0, stock_l=4.0, start_l=start_l)
    blocks = tuple(
        replace(block, planned_mg={**block.planned_mg, "b": block.planned_mg["a"]}) for block in _RECIPE.blocks
    )
    recipe = replace(_RECIPE, channels=(first, second), blocks=blocks)
    turn_l = 20.0 + 3.0 / _PLAN.ratio + 60.0
    begins_l = start_l if is_late else turn_l
    inject_l = begins_l + _OWN_L + 0.5 * _TRANSIT_L
    rows = (
        _checkpoint("a", _BEFORE_L + inject_l, 3.0),
        _checkpoint("b", _BEFORE_L + inject_l, 4.0),
    )
    phases = (*_PREWET, _phase("INJECT", inject_l))
    _assert_estimated(_closed(*rows, phases=phases, recipe=recipe), second, 4.0, _OWN_L, 0.5 * _TRANSIT_L, recipe)


def test_what_is_unsure_of_an_estimate_is_its_meter_and_its_hose() -> None:
    """Guards the band: meter, strength, the block's share, and a hose that may have held another batch."""
    plan = replace(_PLAN, hose_l=1.0, strength_accuracy_pct=5.0)
    recipe = replace(_RECIPE, channels=(plan,), calibrated_pct={})
    doses = of_kind(_closed(_checkpoint("a", _BEFORE_L + _OWN_L, 4.0), recipe=recipe).rows, Dose)
    meter_pct = k2_of_class_pct(orchard().site.injector["a"].meter.accuracy_pct_of_reading)
    for row in doses:
        share_pct = next(one.share_accuracy_pct for one in recipe.blocks if one.block == row.block)
        pct = math.hypot(meter_pct, 5.0, 25.0, share_pct)
        assert row.u_injected_mg == pytest.approx(row.injected_mg * pct / 100.0, rel=1e-3)
        drains = next(one.drains for one in recipe.blocks if one.block == row.block)
        assert (row.lost_mg > 0) is drains, "its pipes are empty by now"
