"""Blocks that share stock by their flow: whose need is met, what each gets, and what would match better, by hand."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import Past
from daemon.decisions.base import Decisions
from daemon.decisions.crops import OtherSource
from daemon.decisions.watering import BlockState, Program, Shift
from daemon.planning.checks import PlanError
from daemon.planning.field import Field
from daemon.planning.lookup import find
from daemon.planning.matching import alike, met_kg, misses, open_parts
from daemon.planning.mismatch import check_mismatch
from daemon.planning.night import Plan, plan_run
from daemon.planning.stocks import draw_stocks
from tests.daemon.control.plant import demo_decisions, injection, wide
from tests.daemon.decisions.tanks import NOW
from tests.daemon.planning.crops import TODAY, cycle, recommended

_BLOCKS = st.dictionaries(
    st.sampled_from("abcdefgh"), st.tuples(st.floats(0.01, 500.0), st.floats(0.05, 100.0)), min_size=1, max_size=8
)
"""Kilograms due and flow by block."""


def _split(blocks: dict[str, tuple[float, float]]) -> tuple[dict[str, float], dict[str, float]]:
    """Return what is due and the shares of the flow."""
    whole_m3_h = math.fsum(flow for _, flow in blocks.values())
    return {b: kg for b, (kg, _) in blocks.items()}, {b: flow / whole_m3_h for b, (_, flow) in blocks.items()}


def test_one_concentration_over_two_ways_to_water() -> None:
    """Guards practice's rule 1: 4 ha of 2.0 mm/h beside 3 ha of 4.5 mm/h at 8 kg/ha get 5.2 and 11.7 kg/ha."""
    due_kg, shares = _split({"drip": (32.0, 80.0), "sprinkler": (24.0, 135.0)})
    got_kg_ha = {"drip": 56.0 * shares["drip"] / 4.0, "sprinkler": 56.0 * shares["sprinkler"] / 3.0}
    assert met_kg(due_kg, shares, "mean") == 56.0
    assert got_kg_ha == {"drip": pytest.approx(5.21, abs=0.005), "sprinkler": pytest.approx(11.72, abs=0.005)}
    found = misses(56.0, due_kg, shares)
    assert found == {
        "drip": pytest.approx(5.2093 / 8.0 - 1.0, abs=1e-4),
        "sprinkler": pytest.approx(11.7209 / 8.0 - 1.0, abs=1e-4),
    }
    assert (
        met_kg(due_kg, shares, "lowest") == met_kg(due_kg, shares, "sprinkler") == pytest.approx(24.0 / 135.0 * 215.0)
    )
    assert open_parts(due_kg, shares) == {"sprinkler": pytest.approx(24.0 / 135.0 / (32.0 / 80.0))}


@given(_BLOCKS)
def test_the_lowest_gives_no_block_more_than_its_due(blocks: dict[str, tuple[float, float]]) -> None:
    """Guards the fruit: whatever blocks share the stock, none has more than its own and one has just that."""
    due_kg, shares = _split(blocks)
    found = misses(met_kg(due_kg, shares, "lowest"), due_kg, shares)
    assert max(found.values()) == pytest.approx(0.0, abs=1e-12)
    assert met_kg({**due_kg, "none": 0.0}, {**shares, "none": 0.1}, "lowest") == 0.0


@given(_BLOCKS)
def test_a_block_that_is_followed_gets_its_due_and_the_mean_is_all_that_is_due(
    blocks: dict[str, tuple[float, float]],
) -> None:
    """Guards the operator's choice: the block named is right to rounding, and the mean neither adds nor loses."""
    due_kg, shares = _split(blocks)
    for block in blocks:
        assert misses(met_kg(due_kg, shares, block), due_kg, shares)[block] == pytest.approx(0.0, abs=1e-12)
    whole_kg = met_kg(due_kg, shares, "mean")
    assert math.fsum(whole_kg * share for share in shares.values()) == pytest.approx(math.fsum(due_kg.values()))


@given(_BLOCKS, st.randoms())
def test_the_order_of_blocks_changes_nothing(blocks: dict[str, tuple[float, float]], random: Any) -> None:
    """Guards the list: blocks are named in whatever order somebody typed them."""
    names = list(blocks)
    random.shuffle(names)
    (due_kg, shares), (due_2_kg, shares_2) = _split(blocks), _split({name: blocks[name] for name in names})
    for meet in ("mean", "lowest", names[0]):
        assert met_kg(due_kg, shares, meet) == met_kg(due_2_kg, shares_2, meet)
    assert open_parts(due_kg, shares) == open_parts(due_2_kg, shares_2)
    assert alike(due_kg) == alike(due_2_kg)


@given(_BLOCKS)
def test_open_for_part_of_inject_each_block_gets_its_own(blocks: dict[str, tuple[float, float]]) -> None:
    """Guards the proposal by following the flow: stock goes by flow and time, and nobody is 15 % off."""
    due_kg, shares = _split(blocks)
    parts = open_parts(due_kg, shares)
    assert all(0.0 < part < 1.0 for part in parts.values())
    passed = {block: share * parts.get(block, 1.0) for block, share in shares.items()}
    whole = math.fsum(passed.values())
    for block, kg in due_kg.items():
        got_kg = math.fsum(due_kg.values()) * passed[block] / whole
        assert got_kg == pytest.approx(kg, rel=1e-9 if block in parts else 0.150001)


@given(_BLOCKS)
def test_groups_of_like_need_hold_each_block_once(blocks: dict[str, tuple[float, float]]) -> None:
    """Guards the proposal: no block is lost, and within a group none needs more than 15 % more than another."""
    needs = {block: kg / flow for block, (kg, flow) in blocks.items()}
    groups = alike(needs)
    assert sorted(block for group in groups for block in group) == sorted(blocks)
    assert all(max(needs[b] for b in group) <= 1.1500001 * min(needs[b] for b in group) for group in groups)


# What a plan says of it: creek and ridge take water by their whole areas, 3.2 and 1.6 ha.

_HALF = {("block", "creek"): BlockState(area_ha=1.6, why="a test")}
"""Half of creek in use takes all of its water: two thirds of the flow for half of the area."""


def _night(*injections: dict[str, object], **program: Any) -> Decisions:
    body = {"injections": list(injections), "water_m3": 12.0, **program}
    return {**demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=body), **cycle()}


def _plan(decisions: Decisions) -> Plan:
    return plan_run(wide(), decisions, "creek_night", "run-1", NOW)


def _gets_kg_ha(plan: Plan) -> dict[str, float]:
    return {b.block: sum(m.get("N", 0) for m in b.planned_mg.values()) / 1e6 / b.area_ha for b in plan.recipe.blocks}


def _said(plan: Plan, what: str) -> list[str]:
    return [check.reason for check in plan.checks if check.what == what]


_WAYS: dict[str, dict[str, object]] = {
    "kg": injection(0.12, 2.0),
    "plant": {"stock": "calcium", "nutrient": "N", "dose_g_plant": 0.24, "inject_m3": 2.0},
    "plan": {"stock": "calcium", "nutrient": "N", "recommendation": "plan", "inject_m3": 2.0},
}


@pytest.mark.parametrize("way", _WAYS)
@pytest.mark.parametrize(
    ("meet", "creek", "ridge"),
    [("mean", 0.16, 0.08), ("lowest", 0.12, 0.06), ("creek", 0.12, 0.06), ("ridge", 0.24, 0.12)],
)
def test_the_operator_picks_whose_dose_is_right(way: str, meet: str, creek: float, ridge: float) -> None:
    """Guards each way to prescribe to the hectare: 0.12 kg N/ha, and creek's half gets twice what the ridge gets."""
    plan = _plan({**_night(_WAYS[way], meet=meet), **recommended(N=1.2), **_HALF})
    assert _gets_kg_ha(plan) == {"creek": pytest.approx(creek, abs=1e-5), "ridge": pytest.approx(ridge, abs=1e-5)}


def test_blocks_that_match_are_shown_without_a_warning() -> None:
    """Guards the display: with two blocks what each gets stands in every plan; for one block there is no such thing."""
    plan = _plan(_night(_WAYS["kg"]))
    said = "blocks share the N by their flow, in kg/ha: creek gets 0.12 of 0.12 (+0 %), ridge gets 0.12 of 0.12 (+0 %)"
    assert _said(plan, "block match") == [said]
    assert not _said(plan, "part of INJECT") and not _said(plan, "regrouping")
    alone = demo_decisions(program={"injections": [_WAYS["kg"]], "water_m3": 12.0})
    assert not _said(_plan(alone), "block match")


def test_what_would_match_is_proposed_with_figures() -> None:
    """Guards the way out: creek's half needs 0.192 kg of 0.384, for two thirds of the flow: half of INJECT's time."""
    plan = _plan({**_night(_WAYS["kg"]), **_HALF})
    (opened,), (regrouped,) = _said(plan, "part of INJECT"), _said(plan, "regrouping")
    assert "each block gets its own with 0.384 kg N in all, ridge open for the whole time of INJECT and creek" in opened
    assert "creek for the first 50 %; before a valve closes injection waits for clear water" in opened
    assert "a block takes its own flow whichever others are open" in opened
    flow_m3_h = {name: block.flow_m3_h for name, block in wide().site.block.items()}
    needs = {name: 0.192 / flow for name, flow in flow_m3_h.items()}
    assert regrouped.endswith(f"creek ({needs['creek']:.3g}); ridge ({needs['ridge']:.3g})")
    assert not any(check.warns for check in plan.checks if check.what in ("part of INJECT", "regrouping"))


def test_blocks_of_other_shifts_that_need_alike_are_named() -> None:
    """Guards regrouping: per m3/h the ridge needs 0.12, the north 0.13 and the south, of another crop, is not asked."""
    shifts = {("shift", "other"): Shift(blocks=("north", "south")), **cycle(blocks=["creek", "ridge", "north"])}
    decisions = {**_night(_WAYS["kg"]), **shifts}
    program = find(decisions, Program, "creek_night")
    (stock,) = draw_stocks(wide().site, decisions, program.injections, NOW)
    field = Field(
        areas_ha={"creek": 1.0, "ridge": 1.0},
        shares={"creek": 2.0 / 3.0, "ridge": 1.0 / 3.0},
        farm_ha={"creek": 1.0, "ridge": 1.0, "north": 1.3, "south": 1.0},
        farm_m3_h={"creek": 2.0, "ridge": 1.0, "north": 1.2, "south": 1.0},
        now=NOW,
        past=Past(),
    )
    due_kg = {"creek": 0.12, "ridge": 0.12}
    said = [check.reason for check in check_mismatch(decisions, program.injections[0], stock, 0.24, due_kg, field)]
    assert said[-1].endswith("(kg to each m3/h): creek (0.06); ridge, north (0.12)")


def test_a_block_with_nothing_due_leaves_nothing_for_the_lowest() -> None:
    """Guards nobody's overdose: the ridge had all of its nitrogen, so by the lowest need the night is water."""
    had = _spread("ridge", 1.2)
    plan = _plan({**_night(_WAYS["plan"], meet="lowest"), **recommended(N=1.2), **had})
    assert plan.recipe.channels == () and plan.recipe.water_l == 12_000.0
    assert any("ridge is due no N and shares it with the others by flow" in said for said in _said(plan, "block match"))
    followed = _plan({**_night(_WAYS["plan"], meet="creek"), **recommended(N=1.2), **had})
    assert _gets_kg_ha(followed)["creek"] == pytest.approx(0.12, abs=1e-5)
    assert "creek open for the whole time of INJECT and ridge not at all" in _said(followed, "part of INJECT")[0]


def _spread(block: str, kg_ha: float) -> Decisions:
    source = OtherSource(blocks=(block,), on=TODAY, what="spread", kg_ha={"N": kg_ha}, by="Theo")
    return {("other_source", "spread"): source}


def test_a_block_that_is_not_there_is_refused_and_one_that_is_closed_is_told() -> None:
    """Guards the name: a wrong one names the blocks; where it is closed no block gets more than its own."""
    with pytest.raises(PlanError, match=r"right on block hill, and shift \w+ has creek, ridge\. Name one of them"):
        _plan(_night(_WAYS["kg"], meet="hill"))
    shut = {("block", "creek"): BlockState(closed_until=TODAY.replace(year=TODAY.year + 1), why="spraying")}
    plan = _plan({**_night(_WAYS["kg"], meet="creek"), **shut})
    assert _gets_kg_ha(plan) == {"ridge": pytest.approx(0.12, abs=1e-5)}
    assert _said(plan, "block match") == [
        "block creek, whose dose is to be met, is closed: no block gets more than its own"
    ]
