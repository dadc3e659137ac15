"""Labels, waters, stock solutions and mixes as people enter them, and what they are told of a wrong one."""

import json
import math
from typing import Any

import pytest
from pydantic import ValidationError

from daemon.decisions.base import Decision
from daemon.decisions.tanks import BucketTest, JarTest, Mix, Product, Stock, Water
from daemon.site_file import explain

_BAG = {
    "title": "bag",
    "form": "solid",
    "basis": "w/w",
    "figures": "oxide",
    "analysis_pct": {"N_nitrate": 13.7, "K": 46.3},
}
_DRUM = {**_BAG, "form": "liquid", "density_kg_l": 1.2, "analysis_pct": {"N_urea": 20.0}}
_WATER = {
    "on": "2026-09-01",
    "ec_ms_cm": 0.6,
    "ph": 7.6,
    "ca_mg_l": 60.0,
    "mg_mg_l": 19.0,
    "na_mg_l": 35.0,
    "hco3_mg_l": 190.0,
    "so4_mg_l": 72.0,
    "cl_mg_l": 57.0,
    "nitrate_mg_l": 4.0,
    "nitrate_as": "N",
}
_STOCK = {
    "tank": "north",
    "products_g_l": {"potassium_nitrate": 100.0},
    "coldest_c": 5.0,
    "strength_accuracy_pct": 3.0,
}
_DRAINED = {"tank": "north", "did": "drained", "at": "2026-10-13T08:00:00+10:30", "by": "Mina", "heel_l": 20.0}
_FILLED = {
    **_DRAINED,
    "did": "filled",
    "stock": "grow",
    "portions": [{"product": "potassium_nitrate", "kg": 80.0, "lot": "A7", "bags": 4}],
    "filled_to_l": 800.0,
}
_BUCKET = {
    "mix": "north_1",
    "at": "2026-10-13T09:00:00+10:30",
    "by": "Mina",
    "stock_ml": 50.0,
    "water_l": 10.0,
    "water_ec_ms_cm": 0.6,
    "mixed_ec_ms_cm": 1.3,
}
_JAR = {
    "products_g_l": {"my_bag": 50.0, "urea": 100.0},
    "coldest_c": 5.0,
    "hours": 24.0,
    "clear": True,
    "at": "2026-10-13T09:00:00+10:30",
    "by": "Mina",
}
_RIGHT: list[tuple[type[Decision], dict[str, Any]]] = [
    (Product, _BAG),
    (Product, _DRUM),
    (Product, {**_DRUM, "basis": "w/v", "solubility": [{"at_c": 5.0, "g_per_100_g_water": 20.0}]}),
    (Water, _WATER),
    (Stock, _STOCK),
    (Mix, _DRAINED),
    (Mix, _FILLED),
    (BucketTest, _BUCKET),
    (JarTest, _JAR),
]


def _told(model: type[Decision], body: dict[str, Any]) -> list[str]:
    """Return what is wrong with a decision as people are told it; it must be wrong."""
    with pytest.raises(ValidationError) as caught:
        model.model_validate(body)
    return [str(problem) for problem in explain(caught.value, model, f"{model.kind}.x")]


@pytest.mark.parametrize(("model", "body"), _RIGHT, ids=lambda given: getattr(given, "kind", None))
def test_what_is_right_is_kept_as_it_is(model: type[Decision], body: dict[str, Any]) -> None:
    """Guards the examples of this file, and that a decision comes out of the ledger's JSON as it went in."""
    decision = model.model_validate(body)
    again = model.model_validate_json(decision.model_dump_json())
    assert again == decision and json.loads(decision.model_dump_json(exclude_unset=True)).keys() == body.keys()


@pytest.mark.parametrize(("model", "body"), _RIGHT, ids=lambda given: getattr(given, "kind", None))
def test_what_is_needed_has_no_default(model: type[Decision], body: dict[str, Any]) -> None:
    """Guards units and bases: a label without figures or basis, nitrate without its basis, are never guessed."""
    for key, field in model.model_fields.items():
        if field.is_required():
            told = _told(model, {name: value for name, value in body.items() if name != key})
            assert f"{model.kind}.x.{key}: got nothing; expected a value: it is needed and has no default" in told


@pytest.mark.parametrize(
    ("model", "body", "told"),
    [
        (
            Product,
            {**_BAG, "form": "liquid"},
            "product.x: got a liquid without density_kg_l; expected its density, from the label or a weighed litre",
        ),
        (
            Product,
            {**_BAG, "basis": "w/v"},
            "product.x: got a solid with basis w/v or a density; expected basis w/w and no density",
        ),
        (
            Product,
            {**_BAG, "density_kg_l": 1.1},
            "product.x: got a solid with basis w/v or a density; expected basis w/w and no density",
        ),
        (
            Product,
            {**_BAG, "solubility": [{"at_c": 5.0, "g_per_100_g_water": g} for g in (9.0, 10.0)]},
            "product.x: got two solubilities at one temperature; expected each temperature once",
        ),
        (
            Product,
            {**_BAG, "analysis_pct": {}},
            "product.x.analysis_pct: got 0 that can be used; expected at least 1",
        ),
        (
            Product,
            {**_BAG, "analysis_pct": {"K": 146.3}},
            "product.x.analysis_pct.K: got 146.3; expected less than or equal to 100",
        ),
        (
            Product,
            {**_BAG, "analysis_pct": {"K": "46,3"}},
            "product.x.analysis_pct.K: got '46,3'; expected a valid number",
        ),
        (
            Product,
            {**_BAG, "analysis_pct": {"K": math.nan}},
            "product.x.analysis_pct.K: got nan; expected a finite number",
        ),
        (
            Product,
            {**_BAG, "figures": "P2O5"},
            "product.x.figures: got 'P2O5'; expected 'elemental', 'oxide' or 'oxide_p_k'",
        ),
        (Water, {**_WATER, "ph": 76.0}, "water.x.ph: got 76.0; expected less than or equal to 11"),
        (Water, {**_WATER, "ca_mg_l": -1.0}, "water.x.ca_mg_l: got -1.0; expected greater than or equal to 0"),
        (Water, {**_WATER, "nitrate_as": "mg"}, "water.x.nitrate_as: got 'mg'; expected 'N' or 'NO3'"),
        (
            Stock,
            {**_STOCK, "products_g_l": {}},
            "stock.x.products_g_l: got 0 that can be used; expected at least 1",
        ),
        (
            Stock,
            {**_STOCK, "products_g_l": {"urea": 0.0}},
            "stock.x.products_g_l.urea: got 0.0; expected greater than 0",
        ),
        (Stock, {**_STOCK, "coldest_c": 68.0}, "stock.x.coldest_c: got 68.0; expected less than or equal to 60"),
        (
            Mix,
            {**_DRAINED, "water_l": 100.0},
            "mix.x: got stock, portions or water with drained; expected heel_l alone",
        ),
        (
            Mix,
            {**_FILLED, "water_l": 700.0},
            "mix.x: got a filling that is not whole; expected stock, and either water_l or filled_to_l",
        ),
        (
            Mix,
            {**_FILLED, "stock": None},
            "mix.x: got a filling that is not whole; expected stock, and either water_l or filled_to_l",
        ),
        (
            Mix,
            {**_FILLED, "heel_l": 900.0},
            "mix.x: got filled_to_l 800; expected more than the heel of 900 L",
        ),
        (
            Mix,
            {**_FILLED, "portions": [{"product": "urea", "kg": 25.0}] * 2},
            "mix.x: got a product twice with the same lot among urea, urea; expected each lot once",
        ),
        (
            Mix,
            {**_FILLED, "portions": [{"product": "urea", "kg": -25.0}]},
            "mix.x.portions.0.kg: got -25.0; expected greater than 0",
        ),
        (
            JarTest,
            {**_JAR, "products_g_l": {"urea": 100.0}},
            "jar_test.x.products_g_l: got 1 that can be used; expected at least 2",
        ),
    ],
)
def test_what_is_wrong_is_told(model: type[Decision], body: dict[str, Any], told: str) -> None:
    """Guards bad input: each error says where it is, what was got and what was expected."""
    assert _told(model, body) == [told]


def test_a_slip_of_the_pen_says_what_was_meant() -> None:
    """Guards keys and items that nobody knows: the nearest known one is named, or all of them."""
    assert _told(Product, {**_BAG, "density": 1.1}) == [
        "product.x.density: got a key nobody knows; expected a key of this section. Nearest known: density_kg_l"
    ]
    (told,) = _told(Product, {**_BAG, "analysis_pct": {"N": 13.7}})
    assert told.startswith("product.x.analysis_pct") and "N_nitrate|N_ammonium|N_urea" in told


def test_a_time_needs_its_zone() -> None:
    """Guards the log of a tank: eight o'clock where, and before or after the clocks went back?"""
    (told,) = _told(Mix, {**_DRAINED, "at": "2026-10-13T08:00:00"})
    assert told.startswith("mix.x.at: got '2026-10-13T08:00:00'; expected") and "timezone" in told


def test_two_lots_of_one_product_are_two_portions() -> None:
    """Guards traceability: the same product twice is right where the lots differ."""
    portions = [{"product": "urea", "kg": 25.0, "lot": lot} for lot in ("A7", "B2")]
    mix = Mix.model_validate({**_FILLED, "portions": portions})
    assert [portion.lot for portion in mix.portions] == ["A7", "B2"]
