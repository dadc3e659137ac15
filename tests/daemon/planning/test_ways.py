"""The water's way to the blocks of a shift: what was measured, what runs empty, pressure, and how long it takes."""

from dataclasses import replace
from typing import Any

import pytest

from daemon.decisions.measured import Transit
from daemon.equipment import Filter
from daemon.hydraulics.cut import received
from daemon.hydraulics.pipes import fill_l, shared_main_l
from daemon.hydraulics.pressure import last_emitter_kpa
from daemon.planning.duration import duration_s
from daemon.planning.night import Plan, plan_run
from daemon.site import Plant
from tests.daemon.control.plant import demo_decisions, injection, kestrel, wide
from tests.daemon.control.sites import OURS, filtered, night, orchard
from tests.daemon.decisions.tanks import MIXED_AT, NOW


def _transit(block: str, litres: float) -> dict[tuple[str, str], Transit]:
    body = {"litres": litres, "accuracy_pct": 4.0, "at": MIXED_AT, "by": "Theo", "how": "EC at the last emitter"}
    return {("transit", block): Transit.model_validate(body)}


def _told(plan: Plan, what: str) -> list[str]:
    return [check.reason for check in plan.checks if check.what == what]


def test_a_measured_transit_holds_and_the_computed_one_is_kept() -> None:
    """Guards the flush: 1.5 times the computed transit, 1.2 times the measured one, and the check says both."""
    computed = plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW)
    path = computed.recipe.blocks[0].path
    assert not path.is_measured and computed.recipe.flush_l == pytest.approx(1.5 * path.transit_l)
    (said,) = _told(computed, "transit")
    assert f"{path.transit_l:.0f} L" in said and "runs in layers" in said
    measured = plan_run(kestrel(), {**demo_decisions(), **_transit("creek", 14_000.0)}, "creek_night", "run-1", NOW)
    path = measured.recipe.blocks[0].path
    assert (path.transit_l, path.is_measured) == (14_000.0, True)
    assert path.computed_l == pytest.approx(computed.recipe.blocks[0].path.transit_l)
    assert measured.recipe.flush_l == pytest.approx(1.2 * 14_000.0)
    (said,) = _told(measured, "transit")
    assert f"{path.computed_l:.0f} L" in said and "14000 L (25 min) were measured, and hold" in said


def test_the_flush_is_the_slowest_blocks_by_its_own_factor() -> None:
    """Guards two blocks: one measured at 1.2 and one computed at 1.5 are compared after their factors."""
    decisions = demo_decisions(
        shift={"blocks": ["creek", "ridge"]}, program={"water_m3": 12.0, "injections": [injection(0.1038, 2.0)]}
    )
    recipe = plan_run(wide(), {**decisions, **_transit("creek", 500.0)}, "creek_night", "run-1", NOW).recipe
    creek, ridge = recipe.blocks
    assert 500.0 / creek.share > ridge.path.transit_l / ridge.share
    assert recipe.flush_l == pytest.approx(max(1.2 * 500.0 / creek.share, 1.5 * ridge.path.transit_l / ridge.share))


def test_what_runs_empty_is_filled_before_the_pre_wet_counts() -> None:
    """Guards the fill: of creek, ridge and hill the hill alone drains; its own pipes come on top of the transit."""
    plant = orchard()
    recipe = night(plant, ("creek", "hill"), 4.4, ("a", 10.0, 2.4))
    transit_l = max(block.path.transit_l / block.share for block in recipe.blocks)
    assert recipe.prewet_l >= transit_l + fill_l(plant.site.block["hill"]) - 1e-6
    dry = night(plant, ("creek", "ridge"), 4.4, ("a", 10.0, 2.4))
    assert duration_s(plant.site, recipe) == pytest.approx(
        plant.site.limits.settle_s + (4400.0 + fill_l(plant.site.block["hill"])) / recipe.flow_m3_h * 3.6
    )
    assert duration_s(plant.site, dry) == pytest.approx(plant.site.limits.settle_s + 4400.0 / dry.flow_m3_h * 3.6)


def test_a_flush_cut_half_way() -> None:
    """Guards what is told: what the hydraulics say that the slowest block would have got, with half of the flush."""
    plan = plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW)
    block, main = kestrel().site.block["creek"], kestrel().site.main
    got = received(block, 1.0, shared_main_l(main), 42_000.0, plan.recipe.flush_l / 2.0)
    assert 0.5 < got.last < 1.0
    (said,) = _told(plan, "flush")
    assert f"{100.0 * got.mean:.1f} % of its dose, and its outermost emitter {100.0 * got.last:.0f} %" in said


def _pressed(**changes: Any) -> Plant:
    plant = kestrel()
    main = plant.site.main.model_copy(update={"working_kpa": changes.get("working_kpa")})
    creek = plant.site.block["creek"].model_copy(update={"emitter_min_kpa": changes.get("emitter_min_kpa")})
    return replace(plant, site=plant.site.model_copy(update={"main": main, "block": {"creek": creek}}))


def test_the_pressure_at_the_last_emitter() -> None:
    """Guards the warning: under what the emitters need it warns, and where nobody said either it is left out."""
    left_kpa = last_emitter_kpa(_pressed(working_kpa=250.0).site.main, kestrel().site.block["creek"], 33.92)
    for need_kpa, warns in ((left_kpa - 1.0, False), (left_kpa + 1.0, True)):
        plant = _pressed(working_kpa=250.0, emitter_min_kpa=need_kpa)
        checks = plan_run(plant, demo_decisions(), "creek_night", "run-1", NOW).checks
        assert [check.warns for check in checks if check.what == "pressure"] == [warns]
    for plant in (_pressed(working_kpa=250.0), _pressed(emitter_min_kpa=100.0)):
        assert not _told(plan_run(plant, demo_decisions(), "creek_night", "run-1", NOW), "pressure")


def test_backwashes_only_take_time() -> None:
    """Guards the allowance: litres that go to the drain displace nothing, so a wash in each m3 adds time, not water."""
    plant = filtered(OURS, "meter filter injection")
    sheet = plant.site.filter
    assert isinstance(sheet, Filter)
    often = plant.site.model_copy(update={"filter": sheet.model_copy(update={"wash_every_m3": 1.0})})
    recipe = night(plant, ("creek",), 3.5, ("a", 10.0, 1.5))
    assert night(replace(plant, site=often), ("creek",), 3.5, ("a", 10.0, 1.5)).water_l == recipe.water_l
    assert duration_s(often, recipe) - duration_s(plant.site, recipe) == pytest.approx(3.0 * (20.0 + 10.0))


def test_a_band_that_a_sound_flow_may_leave_is_told() -> None:
    """Guards quiet nights: three sigma of the shift's flow and the meter's class must lie within the band."""
    plant = kestrel()  # creek alone: 10 % at k = 2, and a meter of 1 %
    for band_pct, is_told in ((15.9, True), (16.1, False)):
        main = plant.site.main.model_copy(update={"flow_band_pct": band_pct})
        site = plant.site.model_copy(update={"main": main})
        plan = plan_run(replace(plant, site=site), demo_decisions(), "creek_night", "run-1", NOW)
        said = _told(plan, "flow band")
        assert bool(said) is is_told
        assert not said or ("15.9 %" in said[0] and "16.0 %" in said[0] and "flow of creek" in said[0])
