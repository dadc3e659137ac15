"""What a run's scans show of its stock beside the meter, and why a witness is silent, in the core's own plant."""

import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from daemon.control.states import Phase
from daemon.evidence import Dose, DoseReconciled, RunEnded
from daemon.recipe import ChannelPlan
from tests.daemon.control.plant import Rig, changed, is_injecting, of_kind, short_recipe, small


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
