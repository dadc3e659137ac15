"""The recipe as the ledger keeps it, and back."""

import json
from dataclasses import FrozenInstanceError, asdict

import pytest

from daemon.control.record import canonical
from daemon.recipe import Recipe, parse_recipe
from tests.daemon.control.plant import demo_recipe, wide_recipe
from tests.daemon.control.sites import night, orchard


def _in_turn() -> Recipe:
    return night(orchard(), ("ridge", "hill"), 5.0, ("a", 5.0, 1.0), ("b", 5.0, 1.0), order="in_turn")


@pytest.mark.parametrize("recipe", [demo_recipe(), wide_recipe(), _in_turn()], ids=["demo", "wide", "in turn"])
def test_a_recipe_survives_the_record(recipe: object) -> None:
    """Guards recovery: the recipe in a RunStarted row is the one that was run, to the last digit."""
    text = canonical(asdict(recipe))  # type: ignore[call-overload]
    assert parse_recipe(json.loads(text)) == recipe
    assert canonical(asdict(parse_recipe(json.loads(text)))) == text


@pytest.mark.parametrize(("key", "error"), [("blocks", KeyError), ("flush_l", TypeError), ("run", TypeError)])
def test_a_recipe_of_another_release_is_refused(key: str, error: type[Exception]) -> None:
    """Guards the record against a form that lacks a key: it raises, and invents nothing."""
    content = json.loads(canonical(asdict(demo_recipe())))
    del content[key]
    with pytest.raises(error):
        parse_recipe(content)
    with pytest.raises(TypeError):
        parse_recipe({**json.loads(canonical(asdict(demo_recipe()))), "a_new_key": 1})


def test_a_recipe_is_frozen() -> None:
    """Guards the plan: what was planned is not changed while it runs."""
    with pytest.raises((FrozenInstanceError, AttributeError)):
        demo_recipe().water_l = 1.0  # type: ignore[misc]
