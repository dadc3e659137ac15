"""From decisions to a recipe: the numbers by hand, and every refusal with its reason."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from daemon.decisions.base import Decisions
from daemon.decisions.timetable import Timetable
from daemon.decisions.watering import BlockState
from daemon.hydraulics.pipes import shared_main_l
from daemon.planning.checks import PlanError
from daemon.planning.night import Plan, plan_run
from daemon.site import Plant
from tests.daemon.control.plant import (
    demo_decisions,
    injection,
    kestrel,
    make_plant,
    short_recipe,
    site_text,
    wide,
    wide_recipe,
)
from tests.daemon.decisions.tanks import NOW, tank_of


def _refusal(decisions: Decisions, plant: Plant | None = None, program: str = "creek_night") -> tuple[str, list[str]]:
    """Return the message of a refused plan and what its failed checks were for."""
    with pytest.raises(PlanError) as caught:
        plan_run(plant or kestrel(), decisions, program, "run-1", NOW)
    assert caught.value.code == "plan.refused"
    failed = [check for check in caught.value.checks if not check.passed]
    assert all(check.reason in str(caught.value) for check in failed)
    return str(caught.value), [check.what for check in failed]


def test_the_demo_program_by_hand() -> None:
    """Guards every number of the demo's recipe, worked from its decisions and the site with a pocket calculator."""
    recipe = plan_run(kestrel(), demo_decisions(), "creek_night", "run-7", NOW).recipe
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
    assert recipe.main_l == pytest.approx(3540.4, abs=0.1)  # all of it is the one block's
    planned_mg = {"N": 9_600_000, "Ca": 309.677 * 37.0 * 1000.0}
    assert block.planned_mg == {"a": pytest.approx(planned_mg, rel=1e-5)}
    assert (block.area_ha, block.share_accuracy_pct, block.drains) == (3.2, 0.0, False)
    assert channel.ec_rise_ms_cm == pytest.approx(200.0 * channel.ratio * 1.1 * 0.96)
    assert (channel.channel, channel.stock, channel.batch) == ("a", "calcium", "a_1")
    assert (channel.after, channel.rinse_l, channel.hose_l) == ("", 0.0, 0.0)


_I3_SITE = {
    "laterals = 106": "laterals = 125",  # 125 x 200 x 1.6 L/h = 40 m3/h
    "area_ha = 3.2": "area_ha = 4.0",
    "[1.0, 500.0]": "[1.0, 1000.0]",
}
_UREA = tank_of("urea", "a", {"N": 0.46 * 250.0}, product_g_l=250.0, ec_ms_cm_per_g_l=0.0)


def _urea(inject_m3: float) -> Plan:
    program = {"injections": [injection(20.0, inject_m3, "urea")], "water_m3": inject_m3 + 60.0}
    decisions = {**demo_decisions(program=program), **_UREA}
    return plan_run(make_plant(site_text(_I3_SITE)), decisions, "creek_night", "run-1", NOW)


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
    recipe = wide_recipe()
    creek, ridge = recipe.blocks
    assert creek.share == pytest.approx(33.92 / (33.92 + 16.96)) and creek.share + ridge.share == pytest.approx(1.0)
    assert recipe.flow_m3_h == pytest.approx(33.92 + 16.96)
    slowest_l = max(block.path.transit_l / block.share for block in recipe.blocks)
    assert recipe.flush_l == pytest.approx(1.5 * slowest_l)
    assert recipe.channels[0].stock_l == pytest.approx(0.1038 * (3.2 + 1.6) * 1000.0 / 31.0)
    total_mg = creek.planned_mg["a"]["N"] + ridge.planned_mg["a"]["N"]
    assert total_mg == pytest.approx(0.1038 * 4.8 * 1e6, abs=1.0)
    assert creek.planned_mg["b"]["K"] == pytest.approx(0.0519 * 4.8 / 31.0 * 46.4 * creek.share * 1e6, abs=1.0)


def test_blocks_share_the_main_by_their_flow() -> None:
    """Guards shared pipes: each block's part of the main is its share, and what it has of its own comes on top."""
    recipe = wide_recipe()
    creek, ridge = recipe.blocks
    main_l = shared_main_l(wide().site.main)
    assert recipe.main_l == main_l == pytest.approx(10.0 / 420.0 * 3540.4, abs=0.01)
    assert creek.path.main_l == pytest.approx(main_l * 2.0 / 3.0)
    assert ridge.path.main_l == pytest.approx(main_l / 3.0 + 4.0 / 420.0 * 3540.4, abs=0.01)


def test_the_split_between_blocks_by_hand() -> None:
    """Guards k = 2 of a share: 10 % for either flow of two to one give 4.7 and 9.4 %, and 10 % is the least it can be.

    With shares 2/3 and 1/3, creek's changes by (1 - 2/3) x 10 % and -1/3 x 10 %: hypot(3.33, 3.33) = 4.71.
    """
    assert [block.share_accuracy_pct for block in wide_recipe().blocks] == [10.0, 10.0]
    site = wide().site
    vague = {name: block.model_copy(update={"flow_accuracy_pct": 30.0}) for name, block in site.block.items()}
    plant = replace(wide(), site=site.model_copy(update={"block": vague}))
    recipe = plan_run(plant, _two_blocks(), "creek_night", "run-1", NOW).recipe
    assert recipe.blocks[0].share_accuracy_pct == pytest.approx(14.142, abs=0.001)  # hypot(1/3, 1/3) x 30
    assert recipe.blocks[1].share_accuracy_pct == pytest.approx(28.284, abs=0.001)  # hypot(2/3, 2/3) x 30


def _two_blocks(order: str = "together", **block: Mapping[str, object]) -> Decisions:
    """Return a night of both blocks with two channels, and the state of some blocks."""
    program = {
        "water_m3": 10.0,
        "injections": [injection(0.12, 2.0), injection(0.09, 1.5, "potassium")],
        "order": order,
    }
    states = {("block", name): BlockState.model_validate({"why": "a test", **body}) for name, body in block.items()}
    return {**demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=program), **states}


def test_together_or_in_turn() -> None:
    """Guards rule 15: in turn the second channel waits for the first one and a transit of clear water after it."""
    together = plan_run(wide(), _two_blocks(), "creek_night", "run-1", NOW).recipe
    assert together.inject_l == 2000.0 and [channel.after for channel in together.channels] == ["", ""]
    in_turn = plan_run(wide(), _two_blocks("in_turn"), "creek_night", "run-1", NOW).recipe
    first, second = in_turn.channels
    transit_l = max(block.path.transit_l / block.share for block in in_turn.blocks)
    assert (first.after, first.rinse_l, second.after) == ("", 0.0, "a")
    assert second.rinse_l == pytest.approx(transit_l)
    assert in_turn.inject_l == pytest.approx(2000.0 + transit_l + 1500.0)
    assert (first.stock_l, first.ratio) == (together.channels[0].stock_l, together.channels[0].ratio)
    for recipe in (together, in_turn):
        assert recipe.prewet_l == pytest.approx((recipe.water_l - recipe.inject_l) / 2.0), "in the middle of the shift"


def test_contacts_of_the_timetable_keep_it_from_beginning() -> None:
    """Guards rain and wind: the run knows the contacts of the timetable that names its program, and of no other."""
    body = {"programs": ["creek_night"], "starts": ["22:00"], "inhibited_by": ["rain", "wind"]}
    decisions = {**demo_decisions(), ("timetable", "nights"): Timetable.model_validate(body)}
    other = Timetable.model_validate({**body, "programs": ["other"]})
    for named, found in ((decisions, ("rain", "wind")), ({**demo_decisions(), ("timetable", "nights"): other}, ())):
        assert plan_run(kestrel(), named, "creek_night", "run-1", NOW).recipe.inhibited_by == found


def test_water_alone() -> None:
    """Guards a program without injections: all of its water is pre-wet, nothing is flushed."""
    decisions = demo_decisions(program={"injections": [], "water_m3": 5.0})
    recipe = plan_run(kestrel(), decisions, "creek_night", "run-1", NOW).recipe
    assert (recipe.prewet_l, recipe.inject_l, recipe.flush_l, recipe.channels) == (5000.0, 0.0, 0.0, ())
    assert recipe.blocks[0].planned_mg == {}


def test_the_area_in_use_takes_the_dose() -> None:
    """Guards a block's state: half of the area in use takes half of the stock, and flow and shares stay."""
    whole = plan_run(wide(), _two_blocks(), "creek_night", "run-1", NOW).recipe
    part = plan_run(wide(), _two_blocks(creek={"area_ha": 1.6}), "creek_night", "run-1", NOW).recipe
    assert [block.area_ha for block in part.blocks] == [1.6, 1.6]
    assert part.channels[0].stock_l == pytest.approx(whole.channels[0].stock_l * 3.2 / 4.8)
    assert part.flow_m3_h == whole.flow_m3_h and part.blocks[0].share == whole.blocks[0].share


@pytest.mark.parametrize(("days", "blocks"), [(-1, ["creek", "ridge"]), (0, ["creek", "ridge"]), (1, ["ridge"])])
def test_a_closed_block_is_left_out_until_its_day(days: int, blocks: list[str]) -> None:
    """Guards closing: closed_until is the first day on which the block is watered again."""
    decisions = _two_blocks(creek={"closed_until": NOW.date() + timedelta(days)})
    recipe = plan_run(wide(), decisions, "creek_night", "run-1", NOW).recipe
    assert [block.block for block in recipe.blocks] == blocks
    assert sum(block.share for block in recipe.blocks) == pytest.approx(1.0)


@pytest.mark.parametrize(("minutes", "blocks"), [(-1, ["creek", "ridge"]), (0, ["creek", "ridge"]), (1, ["ridge"])])
def test_a_block_is_closed_until_a_moment(minutes: int, blocks: list[str]) -> None:
    """Guards pickers and spraying: to the minute, in whatever zone the moment was written."""
    decisions = _two_blocks(creek={"closed_until": (NOW + timedelta(minutes=minutes)).astimezone(UTC)})
    recipe = plan_run(wide(), decisions, "creek_night", "run-1", NOW).recipe
    assert [block.block for block in recipe.blocks] == blocks


def test_a_shift_that_is_closed_altogether_is_refused() -> None:
    """Guards closing: no block is no run."""
    tomorrow = {"closed_until": NOW.date() + timedelta(1)}
    message, failed = _refusal(_two_blocks(creek=tomorrow, ridge=tomorrow), wide())
    assert failed == ["blocks"] and "every block of shift creek is closed today" in message


@pytest.mark.parametrize("nutrient", ["N", "Ca"])
def test_any_nutrient_of_the_stock_may_be_dosed_by(nutrient: str) -> None:
    """Guards the dose: it is met exactly in the nutrient that the program names, and the others follow."""
    decisions = demo_decisions(program={"injections": [{**injection(3.0, 42.0), "nutrient": nutrient}]})
    recipe = plan_run(kestrel(), decisions, "creek_night", "run-1", NOW).recipe
    assert recipe.blocks[0].planned_mg["a"][nutrient] == pytest.approx(3.0 * 3.2 * 1e6, abs=1.0)


@pytest.mark.parametrize(
    ("changes", "what", "words"),
    [
        (
            {"program": {"water_m3": 61.0}},
            "shortest shift",
            ("at least 61.3 m3 of water (109 min)", "outermost emitter", "21.0 m3 to inject in", "has 61.0 m3"),
        ),
        (
            {"program": {"injections": [injection(0.3, 42.0)]}},
            "injector range",
            ("25 L/h", "50 to 500 L/h", "over 21.0 m3 of water or less", "200 % of the dose"),
        ),
        (
            {"program": {"injections": [injection(9.0, 42.0)]}},
            "injector range",
            ("750 L/h", "50 to 500 L/h", "over 63.1 m3 of water or more", "66.6 % of the dose"),
        ),
        ({"program": {"injections": [injection(1.5, 42.0)] * 2}}, "injector", ("twice with injector a",)),
        ({"product": {"analysis_pct": {"P": 10.0}}}, "nutrient", ("holds no N", "it holds P")),
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
    changes = {"water_m3": 30.0, "injections": [injection(7.0, 42.0)]}
    message, failed = _refusal(demo_decisions(program=changes))
    assert failed == ["shortest shift", "injector range"]
    assert "outermost emitter" in message and "L/h" in message


def test_a_shift_that_the_pump_cannot_feed_is_refused() -> None:
    """Guards the pump: both blocks together take more than it gives, and without a pump nothing bounds them."""
    site = wide().site
    assert site.pump is not None
    weak = site.model_copy(update={"pump": site.pump.model_copy(update={"capacity_m3_h": 50.8})})
    message, failed = _refusal(_two_blocks(), replace(wide(), site=weak))
    assert failed == ["pump capacity"] and "takes 50.9 m3/h and the pump gives at most 50.8 m3/h" in message
    none = replace(wide(), site=site.model_copy(update={"pump": None}))
    checks = plan_run(none, _two_blocks(), "creek_night", "run-1", NOW).checks
    assert "pump capacity" not in [check.what for check in checks]


@pytest.mark.parametrize(
    ("lacking", "program", "said"),
    [
        (("program", "creek_night"), "creek_night", "no program named 'creek_night'; known: none yet"),
        (("program", "none"), "creek_day", "no program named 'creek_day'; known: creek_night"),
        (("shift", "creek"), "creek_night", "no shift named 'creek'; known: none yet"),
        (("stock", "calcium"), "creek_night", "no stock named 'calcium'; known: potassium"),
    ],
)
def test_a_decision_that_is_not_there_is_named_with_those_that_are(
    lacking: tuple[str, str], program: str, said: str
) -> None:
    """Guards missing decisions: the kind, the name that was asked for, and the names that are known."""
    decisions = {name: decision for name, decision in demo_decisions().items() if name != lacking}
    assert _refusal(decisions, program=program) == (said, [lacking[0]])


def test_the_small_plants_night_is_what_the_other_tests_take_it_for() -> None:
    """Guards the tests of the core: the small plant's pipes hold some 400 L to the outermost emitter."""
    assert short_recipe().blocks[0].path.transit_l == pytest.approx(404.0, abs=1.0)
