"""What a run's scans show of its stock beside the meter, and why a witness is silent, in the core's own plant."""

import json
import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from daemon.control.lines import Lines
from daemon.control.run import Run, begin
from daemon.control.states import Phase
from daemon.control.testimony import told_of, witnesses_of
from daemon.dosing.draw_down import DrawDown
from daemon.dosing.pulse import Pulse
from daemon.equipment import DisplacementTank
from daemon.evidence import Dose, DoseReconciled, RunEnded
from daemon.recipe import ChannelPlan
from tests.daemon.control.plant import (
    Rig,
    changed,
    is_injecting,
    of_kind,
    short_recipe,
    small,
    wide,
    wide_recipe,
)
from tests.daemon.control.sites import every


def _run(rig: Rig, **changes: object) -> DoseReconciled:
    assert rig.start(changed(short_recipe(), **changes)).accepted
    rig.until_end()
    (row,) = of_kind(rig.rows, DoseReconciled)
    return row


def _reached(phase: Phase) -> Callable[[Rig], None]:
    def run(rig: Rig) -> None:
        rig.until(lambda state: state.unit.phase is phase)

    return run


def test_meter_tank_and_ec_agree_in_a_plant_without_errors() -> None:
    """Guards all three estimates against one truth: within a hundredth of what the injector really gave."""
    rig = Rig(small())
    row = _run(rig)
    assert (row.tank_silent, row.ec_silent, json.loads(row.causes)) == ("", "", [])
    given_ml = 1000.0 * rig.stock_l["a"]
    for said_ml in (row.meter_ml, row.tank_ml, row.ec_ml, row.dose_ml):
        assert said_ml == pytest.approx(given_ml, rel=0.01)
    assert 0 < row.u_dose_ml <= min(row.u_meter_ml, row.u_tank_ml)
    assert of_kind(rig.rows, RunEnded)[0].outcome == "DELIVERED"


def test_each_estimate_that_speaks_has_its_dose_rows() -> None:
    """Guards the record: a row for each nutrient by each estimate, each adding up, in the same proportion."""
    rig = Rig(small())
    row = _run(rig)
    doses = of_kind(rig.rows, Dose)
    assert [dose.estimate for dose in doses] == ["METER", "METER", "TANK", "TANK", "EC", "EC"]
    by = {(dose.estimate, dose.nutrient): dose for dose in doses}
    for name, ml in (("TANK", row.tank_ml), ("EC", row.ec_ml)):
        for nutrient in ("N", "Ca"):
            dose, metered = by[name, nutrient], by["METER", nutrient]
            assert dose.injected_mg / metered.injected_mg == pytest.approx(ml / row.meter_ml, rel=1e-3)
            assert dose.injected_mg == dose.delivered_mg + dose.in_lines_mg + dose.lost_mg
            assert dose.planned_mg == metered.planned_mg and dose.u_delivered_mg > 0


@pytest.mark.parametrize("offset_ms_cm", [-0.1, 0.2])
def test_probes_that_differ_before_the_injection_are_compared_with_that(offset_ms_cm: float) -> None:
    """Guards the rise: what two probes differ by in the water alone is none of it."""
    rig = Rig(small())
    rig.line_ec_ms_cm += offset_ms_cm
    row = _run(rig)
    assert row.ec_ml == pytest.approx(1000.0 * rig.stock_l["a"], rel=0.01) and not row.ec_silent


def test_a_weak_stock_is_seen_by_ec_alone() -> None:
    """Guards what is independent: meter and tank agree on the litres of a stock of half its strength."""
    rig = Rig(small())
    rig.strength = 0.5
    row = _run(rig)
    assert row.meter_ml == pytest.approx(row.tank_ml, rel=0.01)
    assert row.ec_ml == pytest.approx(0.5 * row.meter_ml, rel=0.02)
    assert json.loads(row.causes) == ["mix-weak", "after-the-meter", "probe"]
    assert row.u_dose_ml >= row.meter_ml - row.ec_ml - abs(row.dose_ml - row.meter_ml)  # the wider band is carried


def _bad(*names: str) -> Callable[[Rig], None]:
    return lambda rig: rig.bad.update(names)


def _jump(rig: Rig) -> None:
    rig.content_l["a"] += 50.0


_Step = Callable[[Rig], None]


def _good(rig: Rig) -> None:
    rig.bad.clear()


@pytest.mark.parametrize(
    ("steps", "tank", "ec"),
    [
        ((_bad("line_ec"),), "", "the line's EC could not be read before the injection"),
        ((_reached(Phase.INJECT), _bad("background_ec")), "", "the line's EC could not be read"),
        (
            (_bad("content.a"), _reached(Phase.INJECT), _good),
            "the tank's level could not be read",
            "",
        ),
        ((_reached(Phase.INJECT), lambda rig: rig.scan(), _jump), "the tank's level jumped", ""),
    ],
    ids=["EC before", "EC meanwhile", "level before", "level jumps"],
)
def test_a_witness_that_could_not_see_is_silent_and_says_why(steps: tuple[_Step, ...], tank: str, ec: str) -> None:
    """Guards honesty: an estimate without its readings is none, and the record tells what was missing."""
    rig = Rig(small())
    assert rig.start(short_recipe()).accepted
    for step in steps:
        step(rig)
        if step is _jump:
            rig.until(is_injecting)
    rig.until_end()
    (row,) = of_kind(rig.rows, DoseReconciled)
    assert (row.tank_silent, row.ec_silent) == (tank, ec)
    assert (row.tank_ml == 0) is bool(tank) and (row.ec_ml == 0) is bool(ec)


def _plan(**changes: object) -> tuple[ChannelPlan, ...]:
    (plan,) = short_recipe().channels
    return (replace(plan, **changes),)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"ec_seen_ms_cm": 0.0}, "no EC probes before and behind the injection"),
        ({"channels": _plan(ec_rise_ms_cm=0.0)}, "EC cannot see this product"),
        ({"channels": _plan(ec_rise_ms_cm=0.01)}, "the rise is less than the probes can tell"),
    ],
    ids=["no probes", "urea", "thin"],
)
def test_what_ec_cannot_see_is_said(changes: dict[str, object], why: str) -> None:
    """Guards the products that EC is blind to: its silence is not agreement."""
    row = _run(Rig(small()), **changes)
    assert (row.ec_silent, row.ec_ml, row.strength_en_thousandths) == (why, 0, 0)
    assert row.tank_silent == ""


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
