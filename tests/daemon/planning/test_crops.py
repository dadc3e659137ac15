"""What the agronomy says of a planned night: the line, the crop's own limits and the caps, each by hand."""

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import Past, PastDose
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.crops import Cap, OtherSource
from daemon.decisions.tanks import Mix, Stock
from daemon.decisions.watering import BlockState, Program
from daemon.planning.channels import ChannelDose, plan_channel
from daemon.planning.checks import Check, PlanError
from daemon.planning.crops import limit_to_caps
from daemon.planning.doses import prescribe
from daemon.planning.field import field_of
from daemon.planning.lookup import find
from daemon.planning.night import plan_run
from daemon.planning.stocks import draw_stocks
from daemon.recipe import Recipe
from tests.daemon.control.plant import demo_decisions, injection, wide
from tests.daemon.decisions.tanks import MIXED_AT, NOW
from tests.daemon.planning.crops import TODAY, WATER, cycle

_AREA_HA = 4.8


def _salt(tank: str, key: str, product: str, g_l: float) -> dict[tuple[str, str], Decision]:
    """Return 800 L of a built-in salt in a tank."""
    mix: dict[str, Any] = {"tank": tank, "did": "filled", "at": MIXED_AT, "by": "Mina", "heel_l": 0.0, "stock": key}
    mix |= {"portions": [{"product": product, "kg": 0.8 * g_l}], "filled_to_l": 800.0}
    return {
        ("stock", key): Stock(tank=tank, products_g_l={product: g_l}, coldest_c=10.0, strength_accuracy_pct=2.0),
        ("mix", f"{tank}_1"): Mix.model_validate(mix),
    }


def _night(*injections: dict[str, Any], **program: Any) -> Decisions:
    body = {"injections": list(injections), "water_m3": 12.0, "source": "creek", **program}
    decisions = demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=body)
    return {**decisions, **cycle(), ("water", "creek"): WATER}


def _given(stock: str, nutrient: str, stock_l: float) -> dict[str, Any]:
    return {"stock": stock, "nutrient": nutrient, "stock_l_m3": stock_l / 2.0, "inject_m3": 2.0}


def _plan(decisions: Decisions, past: Past | None = None) -> tuple[Recipe, list[Check]]:
    plan = plan_run(wide(), decisions, "creek_night", "run-1", NOW, past or Past())
    return plan.recipe, [check for check in plan.checks if check.warns]


def _refusal(decisions: Decisions, past: Past | None = None) -> tuple[list[str], str]:
    with pytest.raises(PlanError) as caught:
        _plan(decisions, past)
    return [check.what for check in caught.value.checks if not check.passed], str(caught.value)


def _cap(**keys: Any) -> dict[tuple[str, str], Decision]:
    body = {"nutrient": "N", "kg_ha": 0.1, "over": "event", "basis": "each_hectare", "strict": "hard", "why": "a test"}
    return {("cap", "one"): Cap.model_validate({**body, **keys})}


_PHOSPHATE = _salt("b", "potassium", "map", 150.0)
_CALCIUM = _given("calcium", "N", 9.0)


def test_calcium_and_phosphate_in_one_line_are_refused_and_in_turn_they_are_not() -> None:
    """Guards the drippers: 0.9 g/L of calcium nitrate and 0.6 of MAP drop phosphate in this water, alone neither does.

    In turn each is a line of its own; the clear water between them is the recipe's.
    """
    both = (_CALCIUM, _given("potassium", "P", 8.0))
    what, said = _refusal({**_night(*both), **_PHOSPHATE})
    assert set(what) == {"line"} and "falls out in this water" in said
    recipe, _ = _plan({**_night(*both, order="in_turn"), **_PHOSPHATE})
    assert [channel.after for channel in recipe.channels] == ["", "a"]


def test_a_line_whose_water_nobody_analysed_is_told() -> None:
    """Guards the unknown: without a source the line is not checked, and the plan says so once, however many lines."""
    both = (_CALCIUM, _given("potassium", "K", 8.0))
    for order in ("together", "in_turn"):
        _, told = _plan(_night(*both, source=None, order=order))
        assert [check.what for check in told] == ["line"] and "was not checked" in told[0].reason
    with pytest.raises(PlanError, match="no water named 'well'; known: creek"):
        _plan(_night(_CALCIUM, source="well"))


def test_the_recipe_names_its_water() -> None:
    """Guards the account of nitrate: the record knows which analysis held."""
    assert _plan(_night(_CALCIUM))[0].source == "creek" and not _plan(_night(_CALCIUM, source=None))[0].source


@pytest.mark.parametrize(("most_kg_ha", "is_right"), [(0.490, True), (0.488, False)])
def test_chloride_is_counted_over_the_crop_cycle(most_kg_ha: float, is_right: bool) -> None:
    """Guards the avocado: 9 L of 100 g/L KCl (47.55 % Cl) are 0.0892 kg/ha; ridge had 0.3 by a run and 0.1 spread.

    What it had before its cycle began is another crop's.
    """
    chloride = _salt("b", "potassium", "potassium_chloride", 100.0)
    spread = OtherSource(blocks=("ridge",), on=TODAY, what="spread", kg_ha={"Cl": 0.1}, by="Theo")
    at = (NOW - timedelta(hours=3), NOW - timedelta(days=9))
    past = Past(tuple(PastDose(f"run-{t}", "ridge", "Cl", t, 0.48, 0.48, 0.48, 0.0, False, False) for t in at))
    night = _night(_given("potassium", "K", 9.0))
    decisions = {**night, **chloride, **cycle(chloride_most_kg_ha=most_kg_ha), ("other_source", "salt"): spread}
    if is_right:
        _plan(decisions, past)
        return
    what, said = _refusal(decisions, past)
    assert what == ["chloride"]
    assert said == "block ridge had 0.4 kg Cl/ha in its crop cycle and would have 0.489; mandarins may have 0.488"


@pytest.mark.parametrize(("share", "is_told"), [(0.51, False), (0.49, True)])
def test_ammonium_past_the_crops_share_warns(share: float, is_told: bool) -> None:
    """Guards the roots: half of ammonium nitrate's nitrogen is ammonium; a night of it is told, not refused."""
    nitrate = _salt("b", "potassium", "ammonium_nitrate", 100.0)
    _, told = _plan({**_night(_given("potassium", "N", 9.0)), **nitrate, **cycle(ammonium_most_share=share)})
    said = "50 % of the stocks' nitrogen is ammonium; mandarins on block creek may have 49 %"
    assert [check.reason for check in told if check.what == "ammonium"][:1] == ([said] if is_told else [])


_N_KG_HA = 9.0 * 31.0 / 1000.0 / _AREA_HA
"""9 L of stock over 4.8 ha: 0.058."""


@pytest.mark.parametrize(("kg_ha", "fits"), [(1.001 * _N_KG_HA, True), (0.9 * _N_KG_HA, False)])
def test_a_hard_cap_cuts_the_stock_and_an_advisory_one_warns(kg_ha: float, fits: bool) -> None:
    """Guards the cap: to the last gram of the planned run, hard and advisory; what is cut is said with its figures."""
    hard, advisory = (_cap(kg_ha=kg_ha, strict=strict) for strict in ("hard", "advisory"))
    _, told = _plan({**_night(_CALCIUM), **advisory})
    assert [check.what for check in told] == ([] if fits else ["cap", "cap"])
    recipe, told = _plan({**_night(_CALCIUM), **hard})
    (channel,) = recipe.channels
    assert channel.stock_l == pytest.approx(9.0 if fits else 8.1)
    assert channel.most_l == pytest.approx(9.0 * kg_ha / _N_KG_HA)
    said = f"block creek had 0 so far, {_N_KG_HA:.4g} is wanted and {kg_ha:.4g} is allowed: all stock is cut to 90 %"
    assert [check.reason.endswith(said) for check in told] == ([] if fits else [True])


def test_a_cap_counts_what_was_had_and_what_the_water_brings() -> None:
    """Guards delivered + planned: 0.03 kg/ha yesterday evening and 120 g from 12 m3 at 10 mg/L count within 24 hours.

    Only the stock is cut, by all that the whole is over.
    """
    nitrate = {("water", "creek"): WATER.model_copy(update={"nitrate_mg_l": 10.0})}
    at = NOW - timedelta(hours=20)
    past = Past(tuple(PastDose("run-0", b, "N", at, 0.03 * a, 0.03 * a, 0.03 * a, 0.0, False, False) for b, a in _HA))
    whole_kg_ha = _N_KG_HA + 0.03 + 0.120 / _AREA_HA
    decisions = {**_night(_CALCIUM), **nitrate}
    for over, kg_ha, least_kg_ha in (("day", 1.001, 0.0), ("day", 0.9, 0.1 * whole_kg_ha), ("event", 0.9, 0.0)):
        recipe, _ = _plan({**decisions, **_cap(kg_ha=kg_ha * whole_kg_ha, over=over)}, past)
        left_kg_ha = max(0.0, 0.9 * whole_kg_ha - 0.120 / _AREA_HA) if over == "event" else _N_KG_HA - least_kg_ha
        assert recipe.channels[0].stock_l == pytest.approx(9.0 * min(1.0, left_kg_ha / _N_KG_HA))


def test_the_first_block_at_its_cap_limits_all() -> None:
    """Guards the block: the ridge had 0.03 kg/ha, creek none; both get what the ridge may."""
    at = NOW - timedelta(hours=20)
    past = Past((PastDose("run-0", "ridge", "N", at, 0.048, 0.048, 0.048, 0.0, False, False),))
    cap = _cap(kg_ha=0.03 + 0.5 * _N_KG_HA, over="day")
    one, told = _plan({**_night(_CALCIUM), **cap}, past)
    two, _ = _plan({**_night(_CALCIUM, _given("potassium", "K", 9.0)), **cap}, past)
    assert [channel.stock_l for channel in one.channels] == [pytest.approx(4.5)]
    assert [channel.stock_l for channel in two.channels] == [pytest.approx(2.25)] * 2
    (said,) = [check.reason for check in told if check.what == "cap"]
    assert "; block ridge had 0.03 so far, " in said and said.endswith("all stock is cut to 50 %")


@pytest.mark.parametrize(("left", "is_given"), [(0.051, True), (0.049, False)])
def test_next_to_nothing_left_is_nothing_injected_and_the_water_goes_on(left: float, is_given: bool) -> None:
    """Guards the water: a cap with under 5 % of the plan left takes the fertiliser, never the irrigation."""
    _, factor, (told,) = _limited({**_night(_CALCIUM), **_cap(kg_ha=left * _N_KG_HA)})
    assert factor == (pytest.approx(left) if is_given else 0.0)
    assert told.warns and told.reason.endswith("all stock is cut to 5.1 %" if is_given else "nothing is injected")
    if not is_given:
        recipe, _ = _plan({**_night(_CALCIUM), **_cap(kg_ha=left * _N_KG_HA)})
        assert recipe.channels == () and recipe.water_l == 12_000.0


def test_a_cap_that_the_water_alone_passes_warns() -> None:
    """Guards the water: 120 g of its own nitrogen are over a cap of 0.02 kg/ha; it is told, and not refused."""
    nitrate = {("water", "creek"): WATER.model_copy(update={"nitrate_mg_l": 10.0})}
    for injections in ((), (_CALCIUM,)):
        recipe, told = _plan({**_night(*injections), **nitrate, **_cap(kg_ha=0.02)})
        assert recipe.channels == ()
        said = [check.reason for check in told if "it is the water's own, which is not refused" in check.reason]
        assert len(said) == 2 and "this run brings 0.025" in said[0]


def _limited(decisions: Decisions, past: Past | None = None) -> tuple[list[ChannelDose], float, tuple[Check, ...]]:
    """Return the channels of a night as prescribed, and what its caps leave of them."""
    site = wide().site
    program = find(decisions, Program, "creek_night")
    field = field_of(site, decisions, program.shift, NOW, past or Past())
    stocks = draw_stocks(site, decisions, program.injections, NOW)
    litres = prescribe(decisions, program, stocks, field).stock_l
    doses = [
        plan_channel(site, stock.channel, stock.contents, stock_l, 2.0, sum(field.farm_m3_h.values()))
        for stock, stock_l in zip(stocks, litres, strict=True)
    ]
    return doses, *limit_to_caps(decisions, program, doses, field, program.water_m3 or 0.0)


def test_what_a_cap_of_190_leaves() -> None:
    """Guards row B1 of the trade's figures: of a cap of 190 kg/ha 172.5 were applied; 22.5 is wanted, 17.5 allowed."""
    dose = {"stock": "calcium", "nutrient": "N", "dose_kg_ha": 22.5, "inject_m3": 2.0}
    at = NOW - timedelta(hours=20)
    past = Past(
        tuple(PastDose("run-0", b, "N", at, 172.5 * a, 172.5 * a, 172.5 * a, 0.0, False, False) for b, a in _HA)
    )
    decisions = {**_night(dose), **_cap(kg_ha=190.0, over="cycle")}
    doses, factor, (told,) = _limited(decisions, past)
    assert factor * 22.5 == pytest.approx(17.5)
    assert told.reason == (
        "cap one (a test): 190 kg N/ha in the crop cycle; block creek had 172.5 so far, 22.5 is wanted and 17.5 is "
        "allowed: all stock is cut to 77.8 %"
    )
    assert doses[0].stock_l * factor == pytest.approx(17.5 * _AREA_HA / 31.0 * 1000.0)


_HA = (("creek", 3.2), ("ridge", 1.6))


@given(
    stock_l=st.floats(2.5, 19.0),
    creek=st.floats(0.1, 1.0),
    ridge=st.floats(0.1, 1.0),
    kg_ha=st.floats(0.01, 1.0),
    had_kg_ha=st.floats(0.0, 0.5),
)
def test_no_split_passes_a_hard_cap(stock_l: float, creek: float, ridge: float, kg_ha: float, had_kg_ha: float) -> None:
    """Guards invariant 8: however blocks share the stock, each stays within the cap, at the injector's limit too."""
    areas_ha = {"creek": 3.2 * creek, "ridge": 1.6 * ridge}
    states = {("block", name): BlockState(area_ha=area_ha, why="a test") for name, area_ha in areas_ha.items()}
    at = NOW - timedelta(hours=5)
    had = tuple(
        PastDose("run-0", name, "N", at, had_kg_ha * area, had_kg_ha * area, had_kg_ha * area, 0.0, False, False)
        for name, area in areas_ha.items()
    )
    night = _night(_given("calcium", "N", stock_l), _given("potassium", "K", stock_l))
    decisions = {**night, **states, **_cap(kg_ha=kg_ha, over="day")}
    recipe, _ = _plan(decisions, Past(had))
    for block in recipe.blocks:
        planned_kg = sum(masses.get("N", 0) for masses in block.planned_mg.values()) / 1e6
        most_kg = sum((c.most_l or 0.0) * c.nutrients_g_l["N"] / 1000.0 * block.share for c in recipe.channels)
        assert not planned_kg or had_kg_ha + planned_kg / block.area_ha <= kg_ha + 1e-5
        assert planned_kg <= most_kg + 1e-5
        assert not most_kg or had_kg_ha + most_kg / block.area_ha <= kg_ha + 1e-5


def test_a_night_without_crops_or_caps_is_planned() -> None:
    """Guards the beginning: nothing of cycles and caps is needed to water with a dose in kg/ha."""
    program = {"injections": [injection(_N_KG_HA, 2.0)], "water_m3": 12.0}
    decisions = demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=program)
    (channel,) = _plan(decisions)[0].channels
    assert channel.stock_l == pytest.approx(9.0) and channel.most_l is None
