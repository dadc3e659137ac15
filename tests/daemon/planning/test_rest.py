"""What a run that was cut off still owes: never more than was planned, never given twice."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.planning.night import plan_run
from daemon.planning.rest import rest_of
from tests.daemon.control.plant import demo_decisions, demo_recipe, kestrel, wide_recipe
from tests.daemon.decisions.tanks import NOW


def test_the_rest_by_hand() -> None:
    """Guards half a night: 100 of 309.7 L of stock and 50 of 84 m3 of water are in; 209.7 L and 34 m3 are left."""
    rest = rest_of(demo_recipe(), {"a": 100.0}, 50_000.0)
    assert rest.stock_l == {"calcium": pytest.approx(209.677, abs=1e-3)}
    assert rest.water_m3 == pytest.approx(34.0)


def test_a_run_that_was_carried_through_owes_nothing() -> None:
    """Guards the end: all stock in, and more water than planned, leave no stock and no negative water."""
    rest = rest_of(demo_recipe(), {"a": 309.7}, 90_000.0)
    assert (rest.stock_l, rest.water_m3) == ({}, 0.0)


def test_next_to_nothing_is_not_owed() -> None:
    """Guards the least: a twentieth of the plan is not worth a run, a tenth is."""
    stock_l = demo_recipe().channels[0].stock_l
    assert rest_of(demo_recipe(), {"a": 0.96 * stock_l}, 0.0).stock_l == {}
    assert set(rest_of(demo_recipe(), {"a": 0.90 * stock_l}, 0.0).stock_l) == {"calcium"}


def test_a_channel_that_never_began_owes_all() -> None:
    """Guards channels in turn: the one that was to follow owes the whole of its stock."""
    recipe = wide_recipe()
    first, second = recipe.channels
    rest = rest_of(recipe, {first.channel: first.stock_l}, 0.6 * recipe.water_l)
    assert rest.stock_l == {second.stock: second.stock_l}


@given(st.floats(0.0, 400.0), st.floats(0.0, 100_000.0))
def test_what_was_given_and_what_is_owed_are_the_plan(injected_l: float, water_l: float) -> None:
    """Guards "never given twice": stock that is in and stock that is owed are no more than the plan, nor is water."""
    recipe = demo_recipe()
    rest = rest_of(recipe, {"a": injected_l}, water_l)
    stock_l = recipe.channels[0].stock_l
    assert min(injected_l, stock_l) + rest.stock_l.get("calcium", 0.0) <= stock_l + 1e-9
    assert min(water_l, recipe.water_l) + 1000.0 * rest.water_m3 <= recipe.water_l + 1e-6
    assert rest_of(replace(recipe, channels=()), {}, water_l).stock_l == {}


def test_the_rest_is_planned_as_it_is() -> None:
    """Guards the second half of a night: the stock that is owed, and water enough for pre-wet and flush."""
    rest = rest_of(demo_recipe(), {"a": 100.0}, 50_000.0)
    recipe = plan_run(kestrel(), demo_decisions(), "creek_night", "run-2", NOW, rest=rest).recipe
    assert recipe.channels[0].stock_l == pytest.approx(209.677, abs=1e-3)
    assert recipe.water_l >= recipe.prewet_l + recipe.flush_l > 0.0
    nothing = rest_of(demo_recipe(), {"a": 309.7}, 60_000.0)
    water = plan_run(kestrel(), demo_decisions(), "creek_night", "run-3", NOW, rest=nothing).recipe
    assert water.channels == () and water.water_l == pytest.approx(24_000.0)
