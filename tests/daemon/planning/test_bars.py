"""A step that the site requires and that is not valid keeps fertiliser out of a plan, and no water."""

import pytest

from daemon.planning.bars import Bar, barring
from daemon.planning.checks import PlanError
from daemon.planning.night import plan_run
from daemon.planning.rest import rest_of
from tests.daemon.control.plant import demo_decisions, demo_recipe, kestrel
from tests.daemon.decisions.tanks import NOW


@pytest.mark.parametrize("bar", [Bar("never done"), Bar("never done", block="creek"), Bar("never done", channel="a")])
def test_a_barred_run_gives_its_water_and_nothing_else(bar: Bar) -> None:
    """Guards the crop: the same litres as planned with fertiliser, no channel, and the reason as a warning."""
    planned = plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW)
    barred = plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW, bars=[bar])
    assert planned.recipe.channels and barred.recipe.channels == ()
    assert barred.recipe.water_l == pytest.approx(planned.recipe.water_l)
    told = [check for check in barred.checks if check.what == "commissioning"]
    assert len(told) == 1 and told[0].reason == "no fertiliser: never done"


@pytest.mark.parametrize("bar", [Bar("never done", block="ridge"), Bar("never done", channel="b")])
def test_another_run_goes_as_planned(bar: Bar) -> None:
    """What is about another block or injector keeps nothing out."""
    planned = plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW)
    assert plan_run(kestrel(), demo_decisions(), "creek_night", "run-1", NOW, bars=[bar]) == planned


def test_the_rest_of_a_run_waits() -> None:
    """Guards half a night: what is owed is refused and stays owed, where its fertiliser may not go."""
    rest = rest_of(demo_recipe(), {"a": 100.0}, 50_000.0)
    with pytest.raises(PlanError, match="no fertiliser: never done"):
        plan_run(kestrel(), demo_decisions(), "creek_night", "run-2", NOW, rest=rest, bars=[Bar("never done")])


def test_every_reason_is_told() -> None:
    """Of several bars those that concern the run."""
    bars = [Bar("one"), Bar("two", block="creek"), Bar("three", block="ridge"), Bar("four", channel="a")]
    assert barring(bars, ["creek"], ["a"]) == ("one", "two", "four")
    assert barring(bars, ["river"], ["b"]) == ("one",)
