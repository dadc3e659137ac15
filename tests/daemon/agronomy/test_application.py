"""The application record by hand: products by the stock that left the emitters, and everything told once."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

import pytest

from daemon.agronomy.application import OXIDES, applications
from daemon.agronomy.tank import log_of
from daemon.evidence import Dose
from daemon.planning.night import plan_run
from daemon.recipe import Recipe
from tests.daemon.control.plant import demo_decisions, injection, wide
from tests.daemon.decisions.tanks import NOW
from tests.daemon.planning.crops import cycle

_AT = datetime(2026, 10, 14, 22, 0, tzinfo=timezone(timedelta(hours=10.5)))
_DECISIONS = {
    **demo_decisions(
        shift={"blocks": ["creek", "ridge"]},
        program={"injections": [injection(0.1038, 2.0), injection(0.1038, 2.0, "potassium")], "water_m3": 12.0},
    ),
    **cycle(),
}


def _recipe() -> Recipe:
    return plan_run(wide(), _DECISIONS, "creek_night", "run-1", NOW).recipe


def _doses(recipe: Recipe, times: float = 1.0) -> list[Dose]:
    return [
        Dose("run-1", block.block, channel, nutrient, "METER", "measured", mg, mg, round(times * mg), 0, 0, 1, mg // 10)
        for block in recipe.blocks
        for channel, masses in block.planned_mg.items()
        for nutrient, mg in masses.items()
    ]


def test_products_nutrients_and_water_add_up() -> None:
    """Guards the record: grams of each bag by the litres of stock that came out; nutrients and water once a block."""
    recipe = _recipe()
    logs = {tank: log_of(tank, _DECISIONS) for tank in ("a", "b")}
    found = list(applications(recipe, _AT, 12.0, _doses(recipe, 0.5), logs, _DECISIONS))
    assert [(one.block, one.product) for one in found] == [
        (block.block, product) for block in recipe.blocks for product in ("calcium_nitrate", "potassium_bag")
    ]
    stock_l = {channel.channel: channel.stock_l for channel in recipe.channels}
    calcium_kg = sum(one.product_kg for one in found if one.product == "calcium_nitrate")
    assert calcium_kg == pytest.approx(0.5 * stock_l["a"] * 200.0 / 1000.0, rel=1e-5)
    nitrogen_kg = sum(one.nutrients_kg.get("N", 0.0) for one in found)
    assert nitrogen_kg == pytest.approx(sum(d.delivered_mg for d in _doses(recipe, 0.5) if d.nutrient == "N") / 1e6)
    assert sum(one.water_m3 for one in found) == pytest.approx(12.0)
    assert found[0].water_m3 == pytest.approx(12.0 * recipe.blocks[0].share) and found[1].water_m3 == 0.0
    first = found[0]
    assert (first.crop, first.person, first.method, first.lots) == ("mandarins", "Mina", "fertigation", ("CN-1",))
    assert first.u_nutrients_kg["N"] == pytest.approx(first.nutrients_kg["N"] / 5.0, rel=1e-3)


def test_water_alone_is_irrigation() -> None:
    """Guards a night whose fertiliser was lost: the block's water is told all the same."""
    recipe = replace(_recipe(), channels=())
    found = list(applications(recipe, _AT, 12.0, (), {}, {}))
    assert [(one.block, one.product, one.method, one.crop) for one in found] == [
        (block.block, "", "irrigation", "") for block in recipe.blocks
    ]
    assert sum(one.water_m3 for one in found) == pytest.approx(12.0)


def test_a_tank_of_which_nobody_can_tell() -> None:
    """Guards honesty: the stock's name and nutrients, without a product's weight, where the log has no such batch."""
    recipe = _recipe()
    found = list(applications(recipe, _AT, 12.0, _doses(recipe), {}, _DECISIONS))
    assert {(one.product, one.product_kg, one.person) for one in found} == {
        ("calcium", 0.0, ""),
        ("potassium", 0.0, ""),
    }


def test_the_oxides_are_those_of_labels() -> None:
    """Guards P2O5 and K2O: 141.943 / (2 x 30.974) and 94.195 / (2 x 39.098), by the standard atomic weights (IUPAC)."""
    assert OXIDES["P"] == pytest.approx(2.2914, abs=1e-4)
    assert OXIDES["K"] == pytest.approx(1.2046, abs=1e-4)
