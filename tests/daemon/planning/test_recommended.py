"""Doses by a recommendation: what all stocks bring together is what is due, worked with a pocket calculator."""

import functools
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import Past, PastDose
from daemon.decisions.base import Decisions
from daemon.decisions.watering import BlockState, Program
from daemon.planning.checks import PlanError
from daemon.planning.lookup import find
from daemon.planning.night import Plan, plan_run
from daemon.planning.recommended import Pairs, _meet
from daemon.planning.stocks import draw_stocks
from tests.daemon.control.plant import demo_decisions, wide
from tests.daemon.decisions.tanks import NOW, tank_of
from tests.daemon.planning.crops import TODAY, cycle, recommended

_AREA_HA = 4.8
"""Creek's 3.2 and ridge's 1.6 ha, which take water in the same proportion."""


def _by_plan(nutrient: str, stock: str, inject_m3: float = 2.0) -> dict[str, Any]:
    return {"stock": stock, "nutrient": nutrient, "recommendation": "plan", "inject_m3": inject_m3}


_BOTH = (_by_plan("N", "calcium"), _by_plan("K", "potassium"))
"""Calcium's stock holds 31 g N/L; potassium's 31 g N and 46.4 g K/L."""


def _decisions(*injections: dict[str, Any]) -> Decisions:
    program = {"injections": list(injections), "water_m3": 12.0}
    return {**demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=program), **cycle()}


def _plan(decisions: Decisions, past: Past | None = None) -> Plan:
    return plan_run(wide(), decisions, "creek_night", "run-1", NOW, past or Past())


def _litres(plan: Plan) -> dict[str, float]:
    return {channel.channel: channel.stock_l for channel in plan.recipe.channels}


def _told(plan: Plan) -> list[str]:
    return [check.reason for check in plan.checks if check.warns and check.what != "line"]


def _refusal(decisions: Decisions) -> str:
    with pytest.raises(PlanError) as caught:
        _plan(decisions)
    assert [check.what for check in caught.value.checks] == ["recommended dose"]
    return str(caught.value)


_B_L = 0.09 * _AREA_HA / 46.4 * 1000.0
_A_L = (0.12 * _AREA_HA - _B_L * 31.0 / 1000.0) / 31.0 * 1000.0


def test_all_stocks_together_bring_what_is_due() -> None:
    """Guards the sum: of 0.12 kg N/ha (1.2 in 10 weekly events) potassium's nitrate brings half, calcium's the rest."""
    plan = _plan({**_decisions(*_BOTH), **recommended(N=1.2, K=0.9)})
    assert _litres(plan) == pytest.approx({"a": _A_L, "b": _B_L})
    brought_mg = sum(b.planned_mg[c].get("N", 0) for b in plan.recipe.blocks for c in ("a", "b"))
    assert brought_mg == pytest.approx(0.12 * _AREA_HA * 1e6, abs=4.0)
    assert _told(plan) == []
    reason = next(check.reason for check in plan.checks if check.what == "recommended dose")
    assert reason.startswith("0.12 kg N/ha by recommendation plan: block creek, stage fruit_set")


def test_what_a_given_quantity_brings_is_counted() -> None:
    """Guards the sum: the same night with potassium's litres given as kg/ha."""
    given_k = {"stock": "potassium", "nutrient": "K", "dose_kg_ha": 0.09, "inject_m3": 2.0}
    plan = _plan({**_decisions(_BOTH[0], given_k), **recommended(N=1.2)})
    assert _litres(plan) == pytest.approx({"a": _A_L, "b": _B_L})


def test_a_stock_is_left_out_where_the_others_bring_more() -> None:
    """Guards the crop: no stock is taken out again; 0.0601 kg N/ha come with the potassium and 0.05 are due."""
    plan = _plan({**_decisions(*_BOTH), **recommended(N=0.5, K=0.9)})
    assert _litres(plan) == pytest.approx({"b": _B_L})
    said = "the stocks bring 0.0601 kg N/ha together, and 0.05 is due: nothing of stock calcium is injected"
    assert _told(plan) == [said]


def test_a_stock_with_next_to_nothing_to_bring_is_left_out() -> None:
    """Guards the night: 3 % of the nitrogen is no reason for an injector to be asked for less than it can."""
    plan = _plan({**_decisions(*_BOTH), **recommended(N=0.62, K=0.9)})
    assert _litres(plan) == pytest.approx({"b": _B_L})
    said = "the stocks bring 0.0601 kg N/ha together, and 0.062 is due: nothing of stock calcium is injected"
    assert _told(plan) == [said]


@pytest.mark.parametrize("changes", [{"nitrogen_until": TODAY - timedelta(days=1)}, {"ends": TODAY - timedelta(1)}])
def test_nothing_due_is_nothing_injected_and_the_water_goes_on(changes: dict[str, Any]) -> None:
    """Guards zero in, zero out: after nitrogen's last day, or the cycle's, the night is water alone, and says so."""
    plan = _plan({**_decisions(_BOTH[0]), **recommended(N=1.2), **cycle(**changes)})
    assert plan.recipe.channels == () and (plan.recipe.inject_l, plan.recipe.flush_l) == (0.0, 0.0)
    assert plan.recipe.prewet_l == 12_000.0 and all(not block.planned_mg for block in plan.recipe.blocks)
    (said,) = _told(plan)
    assert said.startswith("0 kg N/ha by recommendation plan: ")


def test_late_nitrogen_that_comes_along_is_told() -> None:
    """Guards the fruit: after nitrogen's last day the potassium is given, and its nitrate is said."""
    until = TODAY - timedelta(days=1)
    plan = _plan({**_decisions(*_BOTH), **recommended(N=1.2, K=0.9), **cycle(nitrogen_until=until)})
    assert _litres(plan) == pytest.approx({"b": _B_L})
    assert [said for said in _told(plan) if "block ridge" in said] == [
        f"the stocks bring block ridge 0.0601 kg N/ha, and its crop, mandarins, is given nitrogen until {until}"
    ]


def test_what_the_recommendation_warns_of_is_told() -> None:
    """Guards the gap of 14 days in a growing stage, and an event that comes too early."""
    (long_gap,) = _told(_plan({**_decisions(_BOTH[0]), **recommended(every_days=21, N=0.48)}))
    assert long_gap.startswith("21 days between two events of N in growing stage fruit_set; more than 14")
    yesterday = PastDose("run-0", "creek", "N", NOW - timedelta(days=1), 0.1, 0.1, 0.1, 0.01, False, False)
    told = _told(_plan({**_decisions(_BOTH[0]), **recommended(N=1.2)}, Past(doses=(yesterday,))))
    assert any(said.startswith("not due until 2026-10-19") for said in told)


def test_a_block_that_gets_another_dose_by_its_flow_is_told() -> None:
    """Guards practice's rule 1: half of creek in use takes all of its water; 0.12 x 3.2 x 2/3 / 1.6 = 0.16 kg/ha."""
    half = {("block", "creek"): BlockState(area_ha=1.6, why="a test")}
    plan = _plan({**_decisions(_BOTH[0]), **recommended(N=1.2), **half})
    said = "blocks share the N by their flow, in kg/ha: creek gets 0.16 of 0.12 (+33 %), "
    said += "ridge gets 0.08 of 0.12 (-33 %)"
    assert _told(plan) == [f"{said}. Blocks of one need belong in one shift"]


def test_recommendations_that_cannot_be_followed() -> None:
    """Guards refusals: no such one, a block outside its cycle, one nutrient twice, and stocks that are one."""
    assert "no recommendation named 'plan'; known: none yet" in _refusal(_decisions(_BOTH[0]))
    elsewhere = {**_decisions(_BOTH[0]), **recommended(N=1.2), **cycle(blocks=["creek"])}
    assert "got ridge besides" in _refusal(elsewhere)
    twice = {**_decisions(_BOTH[0], _by_plan("N", "potassium")), **recommended(N=1.2)}
    assert "two injections are to bring the N that is recommended" in _refusal(twice)
    same = tank_of("calcium", "a", {"N": 15.5, "K": 23.2}, product_g_l=62.5, ec_ms_cm_per_g_l=1.2)
    assert "stocks calcium and potassium hold the same nutrients in the same proportion" in _refusal(
        {**_decisions(*_BOTH), **recommended(N=1.2, K=0.9), **same}
    )


@functools.cache
def _pairs() -> Pairs:
    """Return the two injections with their stocks, and calcium's a second time for the litres that are given."""
    decisions = _decisions(*_BOTH)
    program = find(decisions, Program, "creek_night")
    pairs = list(zip(program.injections, draw_stocks(wide().site, decisions, program.injections, NOW), strict=True))
    return [*pairs, pairs[0]]


@given(n_kg_ha=st.floats(0.0, 0.3), k_kg_ha=st.floats(0.0, 0.2), given_l=st.floats(0.0, 5.0))
def test_no_stock_is_negative_and_nothing_due_is_short(n_kg_ha: float, k_kg_ha: float, given_l: float) -> None:
    """Guards the joint dose: litres are 0 or more, each nutrient is met to 5 %, and nothing due is nothing."""
    litres = _meet(_pairs(), {2: given_l}, {0: n_kg_ha * _AREA_HA, 1: k_kg_ha * _AREA_HA})
    assert min(litres.values()) >= 0.0
    assert (sum(litres.values()) + given_l) * 31.0 / 1000.0 >= 0.95 * n_kg_ha * _AREA_HA - 1e-9
    assert litres[1] * 46.4 / 1000.0 == pytest.approx(k_kg_ha * _AREA_HA)
    assert (litres[0] == 0.0 or n_kg_ha > 0.0) and (litres[1] == 0.0 or k_kg_ha > 0.0)
