"""Each way to prescribe, to litres of stock by hand; what it rests on must be decided; and how doses scale."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import Past
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Cap
from daemon.decisions.tanks import Mix, Product, Stock
from daemon.decisions.watering import Program
from daemon.equipment import DisplacementTank, FixedRatePump
from daemon.planning.checks import PlanError
from daemon.planning.doses import prescribe
from daemon.planning.field import Field
from daemon.planning.lookup import find
from daemon.planning.night import plan_run
from daemon.planning.stocks import draw_stocks
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.plant import demo_decisions, kestrel, wide
from tests.daemon.decisions.tanks import MIXED_AT, NOW, tank_of
from tests.daemon.planning.crops import TODAY, WATER, cycle, recommended, rise_in_creek

_AREA_HA = 3.2


def _program(*injections: dict[str, Any], **program: Any) -> Decisions:
    """Return the demo's decisions with these injections of calcium (31 g/L of N, 200 g/L of product) over 42 m3."""
    full = [{"stock": "calcium", "nutrient": "N", "inject_m3": 42.0, **one} for one in injections]
    return {**demo_decisions(program={"injections": full, **program}), ("water", "creek"): WATER}


def _plan(decisions: Decisions) -> Recipe:
    return plan_run(kestrel(), decisions, "creek_night", "run-1", NOW).recipe


def _stock_l(decisions: Decisions) -> float:
    (channel,) = _plan(decisions).channels
    return channel.stock_l


def _refusal(decisions: Decisions) -> str:
    with pytest.raises(PlanError) as caught:
        _plan(decisions)
    return str(caught.value)


@pytest.mark.parametrize(
    ("dose", "stock_l"),
    [
        ({"dose_kg_ha": 2.0}, 2.0 * _AREA_HA * 1000.0 / 31.0),
        ({"dose_g_plant": 4.0}, 4.0 * 500.0 * _AREA_HA / 31.0),  # 2 kg/ha again
        ({"stock_l_m3": 5.0}, 210.0),
        ({"nutrient_g_m3": 155.0}, 210.0),  # 5 L/m3 of 31 g/L
        ({"line_ec_ms_cm": 0.4 + rise_in_creek(demo_decisions(), "a", 1.0)}, 210.0),  # 1 g/L over water of 0.4
    ],
)
def test_each_way_to_prescribe_by_hand(dose: dict[str, Any], stock_l: float) -> None:
    """Guards the arithmetic from what the agronomist wrote to litres of stock, for 3.2 ha and 42 m3."""
    assert _stock_l({**_program(dose, source="creek"), **cycle()}) == pytest.approx(stock_l)


def _liquid(*others: str) -> Decisions:
    """Return tank a with 500 g/L of a liquid of 1.25 kg/L (10 % N), and 50 g/L of each other product."""
    label: dict[str, Any] = {"title": "made up", "basis": "w/w", "figures": "elemental", "ec_ms_cm_per_g_l": 1.0}
    label |= {"analysis_pct": {"N_urea": 10.0}}
    drum = Product.model_validate({**label, "form": "liquid", "density_kg_l": 1.25})
    products_g_l = {"drum": 500.0, **dict.fromkeys(others, 50.0)}
    mix: dict[str, Any] = {
        "tank": "a",
        "did": "filled",
        "at": MIXED_AT,
        "by": "Mina",
        "heel_l": 0.0,
        "stock": "calcium",
    }
    mix |= {"portions": [{"product": name, "kg": 0.8 * g_l} for name, g_l in products_g_l.items()]}
    return {
        ("product", "drum"): drum,
        ("product", "other_drum"): drum,
        ("product", "bag"): Product.model_validate({**label, "form": "solid"}),
        ("stock", "calcium"): Stock(tank="a", products_g_l=products_g_l, coldest_c=9.0, strength_accuracy_pct=2.0),
        ("mix", "a_1"): Mix.model_validate({**mix, "filled_to_l": 800.0}),
    }


def test_litres_of_a_liquid_to_the_hectare() -> None:
    """Guards the drum: 20 L/ha x 3.2 ha are 64 L; of it the stock holds 500/1250 = 0.4 L in a litre: 160 L of stock."""
    program = _program({"product_l_ha": 20.0})
    assert _stock_l({**program, **_liquid("bag")}) == pytest.approx(160.0)
    said = "needs a stock with one liquid, and calcium holds "
    assert f"{said}drum, other_drum. Prescribe kg" in _refusal({**program, **_liquid("other_drum")})
    assert f"{said}none. Prescribe kg" in _refusal(program)


def test_a_dose_by_the_plant_needs_the_plants() -> None:
    """Guards the count: no cycle, a cycle of another block or of another year, and one without a count are told."""
    program = _program({"dose_g_plant": 4.0})
    no_cycle = "block creek has no crop cycle today"
    ended = cycle(ends=TODAY - timedelta(days=1))  # yesterday, its first day
    assert no_cycle in _refusal(program)
    assert no_cycle in _refusal({**program, **cycle(blocks=["ridge"])})
    assert no_cycle in _refusal({**program, **ended})
    assert "a crop cycle without plants_per_ha today" in _refusal({**program, **cycle(plants_per_ha=None)})


def test_the_line_ec_counts_what_the_other_stock_makes() -> None:
    """Guards one line: 0.25 g/L of the other are there already; in turn they are not."""
    ours, others = rise_in_creek(demo_decisions(), "a", 1.0), rise_in_creek(demo_decisions(), "b", 0.25)
    other = {"stock": "potassium", "stock_l_m3": 0.25 / 125.0 * 1000.0, "inject_m3": 1.5}
    by_ec = {"line_ec_ms_cm": 0.4 + others + ours, "inject_m3": 1.5}
    for order, rise_ms_cm in (("together", ours), ("in_turn", ours + others)):
        decisions = _program(by_ec, other, source="creek", order=order, water_m3=9.0)
        first, _ = plan_run(wide(), decisions, "creek_night", "run-1", NOW).recipe.channels
        made = rise_in_creek(demo_decisions(), "a", 200.0 * first.stock_l / 1500.0)
        assert made == pytest.approx(rise_ms_cm, rel=1e-4)


def test_a_line_ec_that_cannot_be_made() -> None:
    """Guards honesty: a stock that EC cannot see, a water nobody analysed, and a target below the water are told."""
    by_ec = {"line_ec_ms_cm": 1.0}
    urea = tank_of("calcium", "a", {"N": 46.0}, product_g_l=100.0, ec_ms_cm_per_g_l=0.0)
    assert "EC cannot see stock calcium" in _refusal({**_program(by_ec, source="creek"), **urea})
    assert "name the program's source" in _refusal(_program(by_ec))
    assert _refusal(_program(by_ec, source="well")) == "no water named 'well'; known: creek"
    below = "the line is to have 0.4 mS/cm, and without stock calcium it has 0.40 already"
    assert _refusal(_program({"line_ec_ms_cm": 0.4}, source="creek")) == below
    two: list[dict[str, Any]] = [{**by_ec, "inject_m3": 1.5}, {**by_ec, "stock": "potassium", "inject_m3": 1.5}]
    with pytest.raises(PlanError, match="two injections go by the EC of one line"):
        plan_run(wide(), _program(*two, source="creek"), "creek_night", "run-1", NOW)


def test_a_line_ec_needs_the_water_of_the_other_stock() -> None:
    """Guards one line: how strong the other stock makes it hangs on water that the plan has not found yet."""
    by_ec = {"line_ec_ms_cm": 1.5, "inject_m3": 1.5}
    other = {"stock": "potassium", "dose_kg_ha": 0.1, "inject_m3": None}
    decisions = _program(by_ec, other, source="creek", order="together", water_m3=9.0)
    with pytest.raises(PlanError, match=r"counts what stock potassium makes of it, .* give its inject_m3"):
        plan_run(wide(), decisions, "creek_night", "run-1", NOW)


def _one_rate() -> Plant:
    """Return the demo's plant with a pump of 200 L/h."""
    plant = kestrel()
    own = plant.site.injector["a"].model_dump()
    kept = {key: own[key] for key in ("tank", "valve", "run", "meter", "stroke_window_s", "pressure_kpa")}
    pump = FixedRatePump(kind="fixed_rate_pump", rate_l_h=200.0, rate_accuracy_pct=5.0, **kept)
    return replace(plant, site=plant.site.model_copy(update={"injector": {"a": pump}}))


@pytest.mark.parametrize(("stock_l_m3", "is_right"), [(5.8, True), (5.65, True), (5.5, False)])
def test_one_rate_makes_one_concentration(stock_l_m3: float, is_right: bool) -> None:
    """Guards what was asked for: 200 L/h into 33.92 m3/h are 5.9 L to the m3, within 5 %, and no other."""
    plant = _one_rate()
    decisions = _program({"stock_l_m3": stock_l_m3})
    if is_right:
        (channel,) = plan_run(plant, decisions, "creek_night", "run-1", NOW).recipe.channels
        assert channel.ratio == pytest.approx(200.0 / 33_920.0)
    else:
        with pytest.raises(
            PlanError, match=r"makes 5\.90 L of stock to the m3 of water, and the program asks for 5\.50"
        ):
            plan_run(plant, decisions, "creek_night", "run-1", NOW)


def test_a_cap_shortens_a_concentration_and_does_not_thin_it() -> None:
    """Guards the water: half of the stock goes into half of the water, so that a pump of one rate can go on."""
    whole_kg_ha = 5.8 * 42.0 * 31.0 / 1000.0 / _AREA_HA
    cap = Cap(nutrient="N", kg_ha=0.5 * whole_kg_ha, over="event", basis="each_hectare", strict="hard", why="made up")
    decisions = {**_program({"stock_l_m3": 5.8}), ("cap", "run"): cap}
    (channel,) = plan_run(_one_rate(), decisions, "creek_night", "run-1", NOW).recipe.channels
    assert channel.stock_l == pytest.approx(0.5 * 5.8 * 42.0) and channel.ratio == pytest.approx(200.0 / 33_920.0)


def test_a_cap_that_a_whole_tank_would_pass_leaves_the_water() -> None:
    """Guards the water: 980 L that wash out whole cannot be halved, so nothing is injected and the night goes on."""
    plant = kestrel()
    own = plant.site.injector["a"]
    tank = DisplacementTank(
        kind="displacement_tank",
        rate_l_h=2000.0,
        rate_accuracy_pct=5.0,
        valve="relays.out3",
        **{key: getattr(own, key) for key in ("tank", "meter", "stroke_window_s", "pressure_kpa")},
    )
    plant = replace(plant, site=plant.site.model_copy(update={"injector": {"a": tank}}))
    kg_ha = 980.0 * 31.0 / 1000.0 / _AREA_HA
    cap = Cap(nutrient="N", kg_ha=0.5 * kg_ha, over="event", basis="each_hectare", strict="hard", why="made up")
    decisions = {**_program({"dose_kg_ha": kg_ha, "inject_m3": 80.0}, water_m3=150.0), ("cap", "run"): cap}
    decisions |= tank_of("calcium", "a", {"N": 31.0}, product_g_l=200.0, ec_ms_cm_per_g_l=1.0, litres=1000.0)
    plan = plan_run(plant, decisions, "creek_night", "run-1", NOW)
    assert plan.recipe.channels == () and plan.recipe.water_l == 150_000.0
    assert any(
        "washed out whole: nothing is injected. Load less" in check.reason for check in plan.checks if check.warns
    )


_QUANTITIES = ({"dose_kg_ha": 2.0}, {"dose_g_plant": 4.0}, {"recommendation": "plan"})
_CONCENTRATIONS = ({"stock_l_m3": 5.0}, {"nutrient_g_m3": 155.0}, {"line_ec_ms_cm": 1.456})


def _prescribed_l(dose: dict[str, Any], area_ha: float, inject_m3: float) -> float:
    decisions = {**_program({**dose, "inject_m3": inject_m3}, source="creek"), **cycle(), **recommended(N=20.0)}
    program = find(decisions, Program, "creek_night")
    stocks = draw_stocks(kestrel().site, decisions, program.injections, NOW)
    areas_ha = {"creek": area_ha}
    field = Field(areas_ha, {"creek": 1.0}, areas_ha, {"creek": 34.0}, NOW, Past())
    (stock_l,) = prescribe(decisions, program, stocks, field).stock_l
    return stock_l


@given(area_ha=st.floats(0.05, 50.0), times=st.floats(0.1, 10.0), dose=st.sampled_from(_QUANTITIES))
def test_a_quantity_scales_with_the_area(area_ha: float, times: float, dose: dict[str, Any]) -> None:
    """Guards kg/ha: the litres go with the hectares, and the water they are spread out in is nothing to them."""
    one_l = _prescribed_l(dose, area_ha, 42.0)
    assert one_l > 0.0 and _prescribed_l(dose, area_ha * times, 10.0) == pytest.approx(one_l * times)


@given(inject_m3=st.floats(1.0, 500.0), times=st.floats(0.1, 10.0), dose=st.sampled_from(_CONCENTRATIONS))
def test_a_concentration_scales_with_the_water(inject_m3: float, times: float, dose: dict[str, Any]) -> None:
    """Guards L/m3: the litres go with the water of INJECT, and the hectares are nothing to them."""
    one_l = _prescribed_l(dose, 3.2, inject_m3)
    assert one_l > 0.0 and _prescribed_l(dose, 1.0, inject_m3 * times) == pytest.approx(one_l * times)
