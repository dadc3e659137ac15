"""What a run's witnesses come to: each estimate with all that it is unsure of, and the rows that tell of them."""

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from daemon.control.lines import Lines, flow_on, lay
from daemon.control.run import Run, begin
from daemon.control.testimony import told_of, witnesses_of
from daemon.dosing.draw_down import DrawDown
from daemon.dosing.pulse import Pulse
from daemon.equipment import DisplacementTank
from daemon.evidence import Dose
from daemon.recipe import ChannelPlan, Recipe
from daemon.site import Site
from tests.daemon.control.plant import Rig, short_recipe, small, wide, wide_recipe
from tests.daemon.control.sites import every


def _injected(run: Run, injected_l: float = 10.0) -> Run:
    """Return the run as if each channel had injected so much and its tank had been watched."""
    level = DrawDown(full_l=800.0, full_s=60.0, seen_s=60.0)
    channels = {name: channel._replace(injected_l=injected_l, level=level) for name, channel in run.channels.items()}
    return run._replace(channels=channels, has_injected=True, rise=run.rise._replace(before_ms_cm=0.0))


def test_water_that_the_meter_missed_silences_ec() -> None:
    """Guards the integral: EC over water that was not counted is no dose."""
    plant, recipe = small(), short_recipe()
    run = _injected(begin(recipe))._replace(pulses={frozenset("a"): Pulse(1000.0, 1000.0)})
    (plan,) = recipe.channels
    assert witnesses_of(plant.site, run, plan, is_blind=False).ec is not None
    assert witnesses_of(plant.site, run, plan, is_blind=True).ec_silent == "the main meter did not count all the water"


def test_stocks_that_were_ever_together_are_told_as_one() -> None:
    """Guards what EC cannot part: a's pulse, both's and b's are one sum, each less the other's meter."""
    plant, recipe = wide(), wide_recipe()
    one, two = recipe.channels
    per_l = {plan.channel: plan.ec_rise_ms_cm / plan.ratio for plan in recipe.channels}
    swollen = 1.0 + one.ratio + two.ratio
    whole = (10.0 * per_l["a"] + 10.0 * per_l["b"]) / swollen
    apart = {frozenset("a"): Pulse(0.2 * whole, 300.0), frozenset("b"): Pulse(0.3 * whole, 300.0)}
    run = _injected(begin(recipe))
    joined = run._replace(pulses={**apart, frozenset("ab"): Pulse(0.5 * whole, 400.0)})
    for plan, other in ((one, "b"), (two, "a")):
        found = witnesses_of(plant.site, joined, plan, is_blind=False)
        assert found.beside == (other,)
        assert found.ec is not None and found.ec.value == pytest.approx(10.0)
        alone = witnesses_of(plant.site, run._replace(pulses=apart), plan, is_blind=False)
        assert alone.beside == () and alone.ec is not None
        seen = (0.2 if other == "b" else 0.3) * whole * (1.0 + plan.ratio)
        assert alone.ec.value == pytest.approx(seen / per_l[plan.channel])


def test_blind_water_widens_the_band_and_too_much_of_it_says_nothing() -> None:
    """Guards the share that passed unseen: taken to be as the rest was, unsure by all of itself."""
    plant, recipe = small(), short_recipe()
    (plan,) = recipe.channels
    run = _injected(begin(recipe))
    found = {}
    for blind_l in (0.0, 100.0, 300.0):
        seen = run._replace(pulses={frozenset("a"): Pulse(1000.0, 1000.0, blind_l)})
        found[blind_l] = witnesses_of(plant.site, seen, plan, is_blind=False)
    whole, part = found[0.0].ec, found[100.0].ec
    assert whole is not None and part is not None
    assert part.value == pytest.approx(1.1 * whole.value)
    assert part.u == pytest.approx(math.hypot(whole.u, 0.1 * whole.value), rel=0.03)
    assert found[300.0].ec is None and found[300.0].ec_silent == "the line's EC could not be read"


def test_a_probe_that_drifted_is_put_right_once_the_stock_is_gone() -> None:
    """Guards the background around the pulse: half of what is left at the end of the flush was in all the water."""
    plant, recipe = small(), short_recipe()
    (plan,) = recipe.channels
    run = _injected(begin(recipe))._replace(pulses={frozenset("a"): Pulse(1100.0, 1000.0)})
    after = run._replace(rise=run.rise._replace(ms_cm=0.2, seen_s=100.0), since_injected_l=recipe.flush_l)
    early = after._replace(since_injected_l=0.4 * recipe.flush_l)
    beside = run._replace(since_injected_l=0.4 * recipe.flush_l)
    plain, put_right, too_early = (
        witnesses_of(plant.site, one, plan, is_blind=False).ec for one in (beside, after, early)
    )
    assert plain is not None and put_right is not None and too_early is not None
    assert put_right.value / plain.value == pytest.approx(1000.0 / 1100.0)
    assert too_early == plain and put_right.u > plain.u


def test_a_run_that_was_cut_short_is_not_taken_for_a_weak_mix() -> None:
    """Guards EC's band: what had not come to the probe as the water stopped is unsure, and is nothing after a flush."""
    plant, recipe = small(), short_recipe()
    (plan,) = recipe.channels
    run = _injected(begin(recipe))._replace(pulses={frozenset("a"): Pulse(1000.0, 1000.0)})
    at_once, flushed = (
        witnesses_of(plant.site, run._replace(since_injected_l=passed_l), plan, is_blind=False).ec
        for passed_l in (0.0, recipe.flush_l)
    )
    assert at_once is not None and flushed is not None and at_once.value == flushed.value
    unseen_l = recipe.flow_m3_h / 3.6 * 15.0 * plan.ratio
    assert at_once.u == pytest.approx(math.hypot(flushed.u, unseen_l))


def test_tanks_that_tell_nothing_of_one_channel() -> None:
    """Guards the tank's silence: one without a level, and one that two channels draw from."""
    site, recipe = wide().site, wide_recipe()
    run = _injected(begin(recipe))
    both = site.injector["b"].model_copy(update={"tank": site.injector["a"].tank})
    shared = site.model_copy(update={"injector": {**site.injector, "b": both}})
    blank = site.tank["a"].model_copy(update={"content": None})
    without = site.model_copy(update={"tank": {**site.tank, "a": blank}})
    for one, why in ((shared, "the tank feeds another channel as well"), (without, "the tank has no level")):
        assert witnesses_of(one, run, recipe.channels[0], is_blind=False).tank_silent == why


@pytest.mark.parametrize(("share", "is_told"), [(0.97, False), (0.985, True)])
def test_a_displacement_tank_tells_its_load_once_it_is_washed_out(share: float, is_told: bool) -> None:
    """Guards the mass that was loaded: after some four volumes (domain sheet, T1) it is in."""
    site, recipe = every().site, wide_recipe()
    (name,) = (name for name, injector in site.injector.items() if isinstance(injector, DisplacementTank))
    volume_l = site.tank[site.injector[name].tank].volume_l
    plan = replace(recipe.channels[0], channel=name)
    run = begin(replace(recipe, channels=(plan,)))
    run = _injected(run, injected_l=share * volume_l)
    found = witnesses_of(site, run, plan, is_blind=False)
    if is_told:
        assert found.tank is not None and found.tank.value == pytest.approx(0.99 * volume_l)
        assert found.tank.u == pytest.approx(0.02 * volume_l)
    else:
        assert found.tank is None and found.tank_silent.startswith("a displacement tank tells its load")


def test_the_end_of_a_gauges_span_is_as_bent_as_its_middle() -> None:
    """Guards the level's band: from half of the span on a difference is wrong by all of the bend, and by no more."""
    plant, recipe = small(), short_recipe()
    (plan,) = recipe.channels
    gauge = plant.site.tank["a"].content
    assert gauge is not None
    u_l = []
    for part in (0.1, 0.5, 0.8):
        run = _injected(begin(recipe), injected_l=part * gauge.span)
        tank = witnesses_of(plant.site, run, plan, is_blind=False).tank
        assert tank is not None
        u_l.append(tank.u)
    assert u_l[0] < u_l[1] == pytest.approx(u_l[2])
    bend_l = 2.0 / math.sqrt(3.0) * gauge.accuracy_pct_of_span / 100.0 * gauge.span / 2.0
    assert u_l[1] == pytest.approx(math.hypot(math.sqrt(2.0) * bend_l, math.sqrt(2.0) * 0.5))


def test_a_run_that_injected_nothing_has_nothing_to_reconcile() -> None:
    """Guards the record: no row without stock, neither before INJECT nor for a channel whose turn did not come."""
    plant, recipe = small(), short_recipe()
    assert told_of(plant.site, begin(recipe), Lines()) == ((), ())
    entered = begin(recipe)._replace(has_injected=True)
    assert told_of(plant.site, entered, Lines()) == ((), ())


def test_a_calibration_narrows_what_it_is_of() -> None:
    """Guards evidence in the band: meter, probe and main meter by their calibrations, each in its own estimate."""
    plant, recipe = small(), short_recipe()
    (plan,) = recipe.channels
    run = _injected(begin(recipe))._replace(pulses={frozenset("a"): Pulse(1000.0, 1000.0)})
    plain = witnesses_of(plant.site, run, plan, is_blind=False)
    better = replace(recipe, calibrated_pct={"injector.a": 0.3})
    meter = witnesses_of(plant.site, run._replace(recipe=better), plan, is_blind=False)
    assert meter.meter.u == pytest.approx(math.hypot(0.003 * 10.0, 0.01)) and meter.meter.u < plain.meter.u
    assert meter.tank == plain.tank and meter.ec == plain.ec
    better = replace(recipe, calibrated_pct={"main.line_ec": 0.3, "main.water": 0.3})
    probe = witnesses_of(plant.site, run._replace(recipe=better), plan, is_blind=False)
    assert probe.ec is not None and plain.ec is not None and probe.ec.u < plain.ec.u
    assert probe.meter == plain.meter


def _class_pct(accuracy_pct: float) -> float:
    """Return the k = 2 of an accuracy class, as a rectangular distribution has it (GUM, JCGM 100:2008, 4.3.7)."""
    return 2.0 * accuracy_pct / math.sqrt(3.0)


def _probed(**plan: Any) -> tuple[Site, Recipe, ChannelPlan]:
    """Return the small site and recipe, with classes of its meters that are easy to reckon with."""
    site, recipe = small().site, short_recipe()
    assert site.main.line_ec is not None
    made: dict[str, Any] = {"ec_rise_ms_cm": 0.8, "ratio": 0.004, "ec_accuracy_pct": 6.0, "strength_accuracy_pct": 5.0}
    (first,) = recipe.channels
    changed_plan = replace(first, **{**made, **plan})
    return site, replace(recipe, channels=(changed_plan,), ec_seen_ms_cm=0.2, calibrated_pct={}), changed_plan


@pytest.mark.parametrize(
    ("left_ms_cm", "before_ms_cm", "seen_s", "flushed", "drift_ms_cm"),
    [
        (0.0, 0.0, 0.0, 1.0, 0.0),
        (0.1, 0.0, 60.0, 0.5, 0.1),
        (0.1, 0.04, 60.0, 1.0, 0.06),
        (0.1, 0.04, 59.9, 1.0, 0.0),
        (0.1, 0.04, 60.0, 0.49, 0.0),
    ],
    ids=["not seen", "at the least of both", "from what it was", "too short", "too little water"],
)
def test_the_band_of_ec_holds_all_that_is_unsure_of_it(
    left_ms_cm: float, before_ms_cm: float, seen_s: float, flushed: float, drift_ms_cm: float
) -> None:
    """Guards EC's estimate, reckoned by hand: probe, main meter, blind water, zero, drift, tail and the stock's slope.

    They are of different origin and add in quadrature (GUM, JCGM 100:2008, 5.1.2).
    """
    site, recipe, plan = _probed()
    assert site.main.line_ec is not None
    rise = begin(recipe).rise._replace(ms_cm=left_ms_cm, before_ms_cm=before_ms_cm, seen_s=seen_s)
    run = _injected(begin(recipe))._replace(
        pulses={frozenset("a"): Pulse(2000.0, 2500.0, 250.0)}, rise=rise, since_injected_l=flushed * recipe.flush_l
    )
    found = witnesses_of(site, run, plan, is_blind=False).ec
    assert found is not None
    seen = (2000.0 - 0.5 * drift_ms_cm * 2500.0) * 1.004  # the stock itself passes the probe as well
    blind = seen * 0.1
    tail_l = max(0.0, recipe.flow_m3_h / 3.6 * 15.0 - flushed * recipe.flush_l)
    parts = (
        _class_pct(site.main.line_ec.accuracy_pct_of_reading) / 100.0 * seen,
        _class_pct(site.main.water.accuracy_pct_of_reading) / 100.0 * seen,
        blind,
        (0.05 * 0.2 + 0.5 * drift_ms_cm) * 2500.0,
        0.8 * tail_l,
        0.06 * 10.0 * 200.0,
    )
    assert found.value == pytest.approx((seen + blind) / 200.0)
    assert found.u == pytest.approx(math.hypot(*parts) / 200.0)


def test_ec_knows_a_stock_beside_it_by_that_ones_meter() -> None:
    """Guards what EC cannot part: the other channel's litres are taken off, with their band and its strength's."""
    site, recipe = wide().site, replace(wide_recipe(), calibrated_pct={})
    made: dict[str, Any] = {"ec_rise_ms_cm": 0.8, "ratio": 0.004, "ec_accuracy_pct": 6.0}
    one = replace(recipe.channels[0], strength_accuracy_pct=5.0, **made)
    two = replace(recipe.channels[1], strength_accuracy_pct=7.0, **made)
    recipe = replace(recipe, channels=(one, two), ec_seen_ms_cm=0.2)
    assert site.main.line_ec is not None
    run = _injected(begin(recipe))._replace(
        pulses={frozenset("ab"): Pulse(4000.0, 2500.0)}, since_injected_l=recipe.flush_l
    )
    found = witnesses_of(site, run, one, is_blind=False).ec
    assert found is not None
    seen = 4000.0 * 1.008
    meter_l = math.hypot(_class_pct(site.injector["b"].meter.accuracy_pct_of_reading) / 100.0 * 10.0, 0.01)
    parts = (
        _class_pct(site.main.line_ec.accuracy_pct_of_reading) / 100.0 * seen,
        _class_pct(site.main.water.accuracy_pct_of_reading) / 100.0 * seen,
        0.05 * 0.2 * 2500.0,
        0.06 * 2000.0,
        0.06 * 2000.0,
        200.0 * math.hypot(meter_l, 0.07 * 10.0),
    )
    assert found.value == pytest.approx((seen - 2000.0) / 200.0)
    assert found.u == pytest.approx(math.hypot(*parts) / 200.0)


def test_the_water_of_a_displacement_tank_was_metered_before_the_probe() -> None:
    """Guards what swells the pulse: a pump adds its stock to the metered water, a displacement tank only diverts it."""
    site, recipe = every().site, wide_recipe()
    (name,) = (name for name, injector in site.injector.items() if isinstance(injector, DisplacementTank))
    found = {}
    for channel in ("a", name):
        plan = replace(recipe.channels[0], channel=channel, ratio=0.004, ec_rise_ms_cm=0.8)
        run = _injected(begin(replace(recipe, channels=(plan,), ec_seen_ms_cm=0.2)))
        run = run._replace(pulses={frozenset([channel]): Pulse(2000.0, 2500.0)})
        witnesses = witnesses_of(site, run, plan, is_blind=False)
        assert witnesses.ec is not None, witnesses.ec_silent
        found[channel] = witnesses.ec.value
    assert found[name] == pytest.approx(10.0) and found["a"] == pytest.approx(10.04)


def test_a_meter_that_shows_litres_is_read_to_a_millilitre() -> None:
    """Guards the meter's own band: its class, and one count; without counts what it can be written down to."""
    site, recipe, plan = _probed()
    meter = site.injector["a"].meter
    for per_count, least_l in ((0.25, 0.25), (None, 0.001)):
        other = site.injector["a"].model_copy(update={"meter": meter.model_copy(update={"per_count": per_count})})
        one = site.model_copy(update={"injector": {"a": other}})
        found = witnesses_of(one, _injected(begin(recipe), 0.2), plan, is_blind=False).meter
        u_l = math.hypot(_class_pct(meter.accuracy_pct_of_reading) / 100.0 * 0.2, least_l)
        assert found.value == 0.2 and found.u == pytest.approx(u_l)


@pytest.mark.parametrize(("of_span", "of_reading"), [(0.5, 0.0), (0.0, 2.0), (0.5, 2.0)])
@pytest.mark.parametrize("drawn_l", [150.0, 600.0, 900.0])
def test_a_levels_difference_is_unsure_by_its_bend_and_by_its_gain(
    of_span: float, of_reading: float, drawn_l: float
) -> None:
    """Guards the tank's estimate, reckoned by hand: the level's fall, by a gauge of 1200 L and waves at both ends."""
    site, recipe, plan = _probed()
    gauge = site.tank["a"].content
    assert gauge is not None and gauge.span == 1200.0
    gauge = gauge.model_copy(update={"accuracy_pct_of_span": of_span, "accuracy_pct_of_reading": of_reading})
    site = site.model_copy(update={"tank": {"a": site.tank["a"].model_copy(update={"content": gauge})}})
    run = _injected(begin(recipe), drawn_l - 3.0)
    level = run.channels["a"].level._replace(more_l=3.0)
    run = run._replace(channels={"a": run.channels["a"]._replace(level=level)})
    found = witnesses_of(site, run, plan, is_blind=False).tank
    assert found is not None and found.value == drawn_l
    bend_l = math.sqrt(2.0) * _class_pct(of_span) / 100.0 * 600.0 * (1.0 if drawn_l >= 600.0 else math.sin(math.pi / 8))
    gain_l = _class_pct(of_reading) / 100.0 * drawn_l
    assert found.u == pytest.approx(math.hypot(bend_l, gain_l, math.sqrt(2.0) * 0.5))


def test_a_tank_that_falls_at_rest_is_told_with_its_level() -> None:
    """Guards the leak's witness: how far and for how long it fell with nothing drawn, where its level speaks at all."""
    site, recipe, plan = _probed()
    run = _injected(begin(recipe))
    level = run.channels["a"].level._replace(more_l=5.0, settled_l=2.0, rests_s=1180.0)
    for is_lost, idle_l in ((False, 3.0), (True, 0.0)):
        channel = run.channels["a"]._replace(level=level._replace(is_lost=is_lost))
        found = witnesses_of(site, run._replace(channels={"a": channel}), plan, is_blind=False)
        assert (found.idle_l, found.idle_s) == (idle_l, 1000.0)
    assert not witnesses_of(site, run, plan, is_blind=False).is_by_bucket
    _, _, tested = _probed(is_ec_measured=True)
    assert witnesses_of(site, run, tested, is_blind=False).is_by_bucket


def _told(strength_accuracy_pct: float = 5.0, **how: Any) -> tuple[tuple[Dose, ...], Any]:
    """Return the doses and the row of a run of 10 L, of which the tank says 11 L and EC half as much as the meter."""
    site, recipe, _ = _probed(strength_accuracy_pct=strength_accuracy_pct, **how.pop("plan", {}))
    run = _injected(begin(recipe))
    channel = run.channels["a"]
    run = run._replace(
        channels={"a": channel._replace(level=channel.level._replace(more_l=how.pop("more_l", 1.0)))},
        pulses={frozenset("a"): Pulse(1000.0 / 1.004, 2500.0)},
        since_injected_l=recipe.flush_l,
        **how,
    )
    facts = Rig(small()).scan().facts._replace(water_moved_l=500.0, displaces=True)
    lines = flow_on(lay(site, recipe, Lines()), facts, {"a": 10.0}, 1.0)
    doses, (row,) = told_of(site, run, lines)
    return doses, row


def test_a_row_tells_each_estimate_with_its_band() -> None:
    """Guards the record: millilitres and thousandths, the bands with the strength, and what the estimates differ by."""
    _, row = _told()
    site, recipe, _ = _probed()
    assert (row.run, row.channel, row.meter_ml, row.tank_ml, row.ec_ml) == (recipe.run, "a", 10_000, 11_000, 5_000)
    meter_pct = _class_pct(site.injector["a"].meter.accuracy_pct_of_reading)
    meter_u = math.hypot(meter_pct / 100.0 * 10.0, 0.01)
    assert row.u_meter_ml == round(1000.0 * math.hypot(meter_u, 0.5))
    assert row.u_tank_ml > 550 and row.u_ec_ml > 300, "5 % of it are its strength's"
    assert row.volume_en_thousandths < 0 and row.strength_en_thousandths < -1500
    assert json.loads(row.causes)[0] == "mix-weak" and row.beside == "[]" and row.tank_silent == row.ec_silent == ""
    assert min(row.ec_ml, row.meter_ml) <= row.dose_ml <= row.tank_ml and row.u_dose_ml > 0
    alike = _told(more_l=0.0)[1]
    assert (alike.tank_ml, alike.volume_en_thousandths) == (10_000, 0)


def test_a_bucket_test_leaves_ec_the_strength_that_was_written_down() -> None:
    """Guards what EC knows: with a slope of this very stock its band has the strength's in it, else none of it."""
    own = {pct: _told(pct)[1].u_ec_ml for pct in (1.0, 20.0)}
    shared = {pct: _told(pct, plan={"is_ec_measured": True})[1].u_ec_ml for pct in (1.0, 20.0)}
    assert own[1.0] == own[20.0]
    assert shared[20.0] == pytest.approx(math.hypot(own[20.0], 1000.0), rel=1e-3), "20 % of 5 L"


def test_a_silent_witness_has_no_dose_and_zeros_in_the_row() -> None:
    """Guards honesty: nothing stands for what was not seen."""
    doses, row = _told(rise=begin(short_recipe()).rise)
    assert (row.ec_ml, row.u_ec_ml, row.strength_en_thousandths) == (0, 0, 0) and row.ec_silent
    assert {dose.estimate for dose in doses} == {"TANK"}


@pytest.mark.parametrize("name", ["TANK", "EC"])
def test_doses_by_other_witnesses_are_spread_as_the_meters(name: str) -> None:
    """Guards each estimate's doses: its own litres, spread in the pipes as the metered stock is, with its own band."""
    found, row = _told()
    _, recipe, plan = _probed()
    assert {dose.estimate for dose in found} == {"TANK", "EC"}
    litres, u_ml = {"TANK": (11.0, row.u_tank_ml), "EC": (5.0, row.u_ec_ml)}[name]
    (block,) = recipe.blocks
    for dose in found:
        if dose.estimate != name:
            continue
        whole_mg = litres * 1000.0 * plan.nutrients_g_l[dose.nutrient]
        assert dose.injected_mg == pytest.approx(whole_mg, abs=1.0) and dose.basis == "measured"
        pct = math.hypot(100.0 * u_ml / 1000.0 / litres, block.share_accuracy_pct)
        assert dose.u_injected_mg == pytest.approx(whole_mg * pct / 100.0, rel=2e-3)
        assert dose.injected_mg == dose.delivered_mg + dose.in_lines_mg + dose.lost_mg
    shares = {dose.delivered_mg / dose.injected_mg for dose in found}
    assert max(shares) == pytest.approx(min(shares), rel=1e-4) and 0.0 < min(shares) < 1.0
