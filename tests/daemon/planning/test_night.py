"""From decisions to a recipe: the numbers by hand, and every refusal with its reason."""

from collections.abc import Mapping

import pytest

from daemon.decisions import Program, Shift, Stock
from daemon.planning.night import Decisions, Plan, PlanError, plan_run
from daemon.site import Plant
from tests.daemon.control.plant import demo_decisions, kestrel, make_plant, site_text, small, wide


def _refusal(decisions: Decisions, plant: Plant | None = None, program: str = "creek_night") -> tuple[str, list[str]]:
    """Return the message of a refused plan and what its failed checks were for."""
    with pytest.raises(PlanError) as caught:
        plan_run(plant or kestrel(), decisions, program, "run-1")
    assert caught.value.code == "plan.refused"
    failed = [check for check in caught.value.checks if not check.passed]
    assert all(check.reason in str(caught.value) for check in failed)
    return str(caught.value), [check.what for check in failed]


def test_the_demo_program_by_hand() -> None:
    """Guards every number of the demo's recipe, worked from its decisions and the site with a pocket calculator."""
    recipe = plan_run(kestrel(), demo_decisions(), "creek_night", "run-7").recipe
    block, channel = recipe.blocks[0], recipe.channels[0]
    assert (recipe.run, recipe.shift, block.block, block.share) == ("run-7", "creek", "creek", 1.0)
    assert recipe.flow_m3_h == pytest.approx(33.92)  # 106 laterals x 200 emitters x 1.6 L/h
    assert channel.stock_l == pytest.approx(309.677, abs=1e-3)  # 3.0 kg/ha x 3.2 ha / 31 g/L
    assert (recipe.water_l, recipe.inject_l) == (84_000.0, 42_000.0)
    assert recipe.flush_l == pytest.approx(1.5 * block.path.transit_l)
    assert recipe.prewet_l == pytest.approx(84_000.0 - 42_000.0 - recipe.flush_l)
    assert block.path.main_l == pytest.approx(3540.4, abs=0.1)  # 420 m of 103.6 mm
    assert block.path.lateral_l == pytest.approx(106 * 14.527, abs=0.5)
    assert channel.ratio == pytest.approx(309.677 / 42_000.0, rel=1e-5)
    assert block.planned_mg == {"N": 9_600_000, "Ca": pytest.approx(309.677 * 37.0 * 1000.0, rel=1e-5)}
    assert channel.ec_rise_ms_cm == pytest.approx(200.0 * channel.ratio * 1.1 * 0.96)
    assert (channel.channel, channel.stock, channel.batch) == ("a", "calcium", "A-2026-10-13")


_I3_SITE = {
    "laterals = 106": "laterals = 125",  # 125 x 200 x 1.6 L/h = 40 m3/h
    "area_ha = 3.2": "area_ha = 4.0",
    "[1.0, 500.0]": "[1.0, 1000.0]",
}
_I3_STOCK: Mapping[str, object] = {
    "product": "urea, 46 % N",
    "product_g_l": 250.0,
    "nutrients_g_l": {"N": 0.46 * 250.0},
    "ec_ms_cm_per_g_l": 0.0,
}


def _urea(inject_m3: float) -> Plan:
    program = {"dose_kg_ha": 20.0, "inject_m3": inject_m3, "water_m3": inject_m3 + 60.0}
    return plan_run(
        make_plant(site_text(_I3_SITE)), demo_decisions(stock=_I3_STOCK, program=program), "creek_night", "run-1"
    )


def test_the_check_values_of_proportional_injection() -> None:
    """Guards I3 of the domain sheet: 20 kg/ha, 4 ha, 46 % N, 250 g/L, 60 min, 40 m3/h: 695.65 L, 1:57.5, 4.35 g/L."""
    recipe = _urea(inject_m3=40.0).recipe
    channel = recipe.channels[0]
    assert recipe.flow_m3_h == pytest.approx(40.0)
    assert channel.stock_l == pytest.approx(695.65, abs=0.01)
    assert channel.stock_l * 250.0 / 1000.0 == pytest.approx(173.913, abs=0.001)
    assert 1.0 / channel.ratio == pytest.approx(57.5, abs=0.001)
    assert channel.ratio * recipe.flow_m3_h * 1000.0 == pytest.approx(695.65, abs=0.01)
    assert channel.ratio * 115.0 * 1e3 == pytest.approx(2000.0)  # mg/L of N in the line
    assert channel.ec_rise_ms_cm == 0.0


def test_the_same_over_three_hours() -> None:
    """Guards the domain sheet's I3 over three hours: 231.88 L/h, 1.449 g/L of product, 666.7 mg/L of N."""
    plan = _urea(inject_m3=120.0)
    channel = plan.recipe.channels[0]
    assert channel.ratio * 40_000.0 == pytest.approx(231.88, abs=0.01)
    assert channel.ratio * 250.0 == pytest.approx(1.449, abs=0.001)
    assert channel.ratio * 115.0 * 1e3 == pytest.approx(666.7, abs=0.1)
    assert not any("strong" in check.reason for check in plan.checks)


def test_a_strong_line_warns_and_passes() -> None:
    """Guards a warning that is no refusal: more than 2 g/L of product in the line."""
    strength = next(check for check in _urea(inject_m3=40.0).checks if check.what == "line strength")
    assert strength.passed and "4.35 g" in strength.reason and "strong" in strength.reason


def test_a_shift_of_two_blocks_shares_by_flow() -> None:
    """Guards blocks fed in proportion to their flow: shares sum to 1, the slower path rules the flush, areas add."""
    decisions = demo_decisions(
        shift={"blocks": ["creek", "ridge"]}, program={"dose_kg_ha": 0.1, "water_m3": 6.0, "inject_m3": 2.0}
    )
    recipe = plan_run(wide(), decisions, "creek_night", "run-1").recipe
    creek, ridge = recipe.blocks
    assert creek.share == pytest.approx(33.92 / (33.92 + 16.96)) and creek.share + ridge.share == pytest.approx(1.0)
    assert recipe.flow_m3_h == pytest.approx(33.92 + 16.96)
    slowest_l = max(block.path.transit_l / block.share for block in recipe.blocks)
    assert recipe.flush_l == pytest.approx(1.5 * slowest_l)
    assert recipe.channels[0].stock_l == pytest.approx(0.1 * (3.2 + 1.6) * 1000.0 / 31.0)
    total_mg = creek.planned_mg["N"] + ridge.planned_mg["N"]
    assert total_mg == pytest.approx(0.1 * 4.8 * 1e6, abs=1.0)


@pytest.mark.parametrize("nutrient", ["N", "Ca"])
def test_any_nutrient_of_the_stock_may_be_dosed_by(nutrient: str) -> None:
    """Guards the dose: it is met exactly in the nutrient that the program names, and the others follow."""
    recipe = plan_run(kestrel(), demo_decisions(program={"nutrient": nutrient}), "creek_night", "run-1").recipe
    assert recipe.blocks[0].planned_mg[nutrient] == pytest.approx(3.0 * 3.2 * 1e6, abs=1.0)


@pytest.mark.parametrize(
    ("changes", "what", "words"),
    [
        ({"program": {"water_m3": 80.0, "inject_m3": 42.0}}, "pre-wet", ("at least 82.3 m3", "outermost emitter")),
        ({"program": {"water_m3": 30.0, "inject_m3": 42.0}}, "pre-wet", ("pre-wet -36.",)),
        ({"program": {"dose_kg_ha": 0.3}}, "injector range", ("25 L/h", "50 to 500 L/h")),
        ({"program": {"dose_kg_ha": 9.0}}, "injector range", ("750 L/h", "50 to 500 L/h")),
        ({"stock": {"nutrients_g_l": {"P": 20.0}}}, "nutrient", ("holds no N", "it holds P")),
        ({"shift": {"blocks": ["creek", "river"]}}, "blocks", ("river", "the site lacks")),
        ({"shift": {"blocks": ["creek", "creek"]}}, "blocks", ("creek", "twice")),
        ({"stock": {"tank": "b"}}, "injector", ("no injector draws from tank b",)),
    ],
)
def test_a_plan_that_cannot_be_run_is_refused_with_its_reason(
    changes: dict[str, Mapping[str, object]], what: str, words: tuple[str, ...]
) -> None:
    """Guards refusals: each names what was checked, what was got and what would do."""
    message, failed = _refusal(demo_decisions(**changes))
    assert what in failed
    assert all(word in message for word in words)


def test_a_tank_too_small_for_the_stock_is_refused() -> None:
    """Guards the tank: the planned stock and the low level must fit in it."""
    plant = make_plant(site_text({"volume_l = 1000.0": "volume_l = 340.0"}))
    message, failed = _refusal(demo_decisions(), plant)
    assert failed == ["tank size"] and "310 L of stock" in message


def test_all_failed_checks_are_told_at_once() -> None:
    """Guards all reasons at once: too little water and too fast an injector are both in the message."""
    message, failed = _refusal(demo_decisions(program={"water_m3": 30.0, "dose_kg_ha": 9.0}))
    assert failed == ["pre-wet", "injector range"]
    assert "outermost emitter" in message and "L/h" in message


@pytest.mark.parametrize(
    ("kind", "key", "known"),
    [
        (Program, "creek_day", "creek_night"),
        (Shift, "creek_night", "none yet"),
        (Stock, "creek_night", "none yet"),
    ],
)
def test_a_decision_that_is_not_there_is_named_with_those_that_are(
    kind: type[Program | Shift | Stock], key: str, known: str
) -> None:
    """Guards missing decisions: the kind, the name that was asked for, and the names that are known."""
    decisions = (
        demo_decisions()
        if kind is Program
        else {name: decision for name, decision in demo_decisions().items() if name[0] != kind.kind}
    )
    message, failed = _refusal(decisions, program=key)
    assert failed == [kind.kind]
    assert f"no {kind.kind} named" in message and f"known: {known}" in message


def test_the_small_plants_night_is_what_the_other_tests_take_it_for() -> None:
    """Guards the tests of the core: the small plant's pipes hold some 400 L to the outermost emitter."""
    recipe = plan_run(
        small(),
        demo_decisions(program={"dose_kg_ha": 0.1038, "water_m3": 3.0, "inject_m3": 1.5}),
        "creek_night",
        "run-1",
    ).recipe
    assert recipe.blocks[0].path.transit_l == pytest.approx(404.0, abs=1.0)
