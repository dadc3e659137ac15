"""The hard cap at the injector: the last litre that a block may have stops the channel before it, and no other."""

from dataclasses import asdict

import pytest

from daemon.control.injection import stock_of
from daemon.control.states import ProcedureState
from daemon.evidence import AlarmRaised, RunEnded
from daemon.recipe import Recipe, parse_recipe
from tests.daemon.control.plant import Rig, changed, of_kind, short_recipe, small
from tests.daemon.control.sites import every, night, orchard
from tests.daemon.control.spec import Watch


def _capped(recipe: Recipe, **most_l: float) -> Recipe:
    """Return the recipe with a hard cap at so many litres of a channel."""
    channels = tuple(changed(plan, most_l=most_l.get(plan.channel)) for plan in recipe.channels)
    return changed(recipe, channels=channels)


def _run(rig: Rig, recipe: Recipe, dt_s: float = 1.0) -> Rig:
    """Run it to its end, under watch: no channel's tank gives more than its cap."""
    rig.watch = Watch(every=10_000)
    assert rig.start(recipe).accepted
    rig.until_end(dt_s=dt_s)
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.lines.owed
    assert rig.water_l >= recipe.water_l
    return rig


@pytest.mark.parametrize("dt_s", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("slip", [0.95, 1.0, 1.05])
@pytest.mark.parametrize("most_l", [3.0, 10.7, 10.9])
def test_the_injector_stops_before_the_cap(most_l: float, slip: float, dt_s: float) -> None:
    """Guards the cap: with what a scan lets in at the highest rate it is never passed, nor is much left; water goes on.

    A plan of 10.7 L under a cap of 10.7 ends short of it by what a missed and a late scan could let in.
    """
    rig = Rig(small())
    rig.slip = slip
    _run(rig, _capped(short_recipe(), a=most_l), dt_s)
    scan_l = 500.0 / 3600.0
    assert most_l - scan_l * (2.0 * dt_s + 1.0) - 0.05 <= rig.stock_l["a"] <= most_l
    assert "dose-at-cap" not in {row.code for row in of_kind(rig.rows, AlarmRaised)}


def test_a_cap_that_is_far_off_changes_nothing() -> None:
    """Guards the plan: under a cap at twice its litres the dose is what it is without any."""
    free, far = (_run(Rig(small()), _capped(short_recipe(), **most)) for most in ({}, {"a": 21.4}))
    assert far.stock_l == free.stock_l and far.rows[1:] == free.rows[1:]


def test_a_cap_that_is_used_up_lets_nothing_in() -> None:
    """Guards zero: no injector opens, and the block has its water."""
    rig = _run(Rig(small()), _capped(short_recipe(), a=0.0))
    assert rig.stock_l["a"] == 0.0
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["NOT_RUN"]


@pytest.mark.parametrize("order", ["together", "in_turn"])
def test_the_other_channel_goes_on(order: str) -> None:
    """Guards losing no more than must be: channel a stops at its cap of 6 L, and b gives its 10 L, at once or after."""
    recipe = night(orchard(), ("creek",), 6.0, ("a", 10.0, 1.5), ("b", 10.0, 1.5), order=order)
    rig = _run(Rig(orchard()), _capped(recipe, a=6.0))
    assert 5.5 <= rig.stock_l["a"] <= 6.0
    assert rig.stock_l["b"] == pytest.approx(10.0, rel=0.015)


@pytest.mark.parametrize(
    ("channel", "stock_l", "inject_m3"),
    [("a", 8.0, 2.0), ("b", 5.0, 2.0), ("c", 3.0, 2.0), ("d", 5.0, 2.0), ("e", 9.8, 4.0)],
)
def test_every_kind_of_injector_stops_before_the_cap(channel: str, stock_l: float, inject_m3: float) -> None:
    """Guards each kind: by speed, by on-time, pump and venturi of one rate, and the stock in what leaves a tank."""
    recipe = night(every(), ("terrace", "flat"), 5.2, (channel, stock_l, inject_m3))
    rig = _run(Rig(every()), _capped(recipe, **{channel: 0.6 * stock_l}))
    injector, given_l = every().site.injector[channel], stock_of(every().site, channel, 0.0, rig.stock_l[channel])
    margin_l = 3.0 * injector.highest_l_h / 3600.0 + 2.0 * (injector.meter.per_count or 0.0)
    assert 0.6 * stock_l - margin_l <= given_l <= 0.6 * stock_l


def test_the_most_survives_the_record() -> None:
    """Guards the recipe's JSON: a bound comes back, none comes back as none, and the last release's form has none."""
    recipe = _capped(short_recipe(), a=11.0)
    assert parse_recipe(asdict(recipe)) == recipe
    old = asdict(recipe)
    for channel in old["channels"]:
        del channel["most_l"]
    assert [plan.most_l for plan in parse_recipe(old).channels] == [None]
