"""A channel that begins late in INJECT: by its water, beside the others, behind what it must come after."""

import pytest

from daemon.control.decide import Decision
from daemon.control.image import Image, Now
from daemon.control.requests import Request
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import InjectionIntent, PhaseEnded, RunEnded
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, changed, of_kind, short_recipe, small
from tests.daemon.control.sites import night, orchard
from tests.daemon.control.spec import Watch, injectors

_SCAN_L = 12.0
"""More than what flows in a scan, and a count of the meter."""


class Began(Watch):
    """A watch that notes the water of INJECT at which each injector first came on, by the plant's own litres."""

    def __init__(self) -> None:
        super().__init__(every=50)
        self.at_l: dict[str, float] = {}
        self._inject_l = 0.0

    def __call__(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        """Judge the scan as any watch does."""
        super().__call__(rig, image, decision, requests, now)
        if decision.state.unit.phase is not Phase.INJECT:
            self._inject_l = rig.water_l
        for name in injectors(decision.outputs):
            self.at_l.setdefault(name, rig.water_l - self._inject_l)


def _played(rig: Rig, recipe: Recipe) -> Began:
    rig.watch = watch = Began()
    assert rig.start(recipe).accepted
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE
    return watch


def _late(recipe: Recipe, **start_l: float) -> Recipe:
    """Return the recipe with channels put off, and its INJECT as much longer."""
    channels = tuple(changed(plan, start_l=start_l.get(plan.channel, 0.0)) for plan in recipe.channels)
    more_l = max(start_l.values())
    return changed(recipe, channels=channels, inject_l=recipe.inject_l + more_l, water_l=recipe.water_l + more_l)


@pytest.mark.parametrize("start_l", [0.0, 300.0, 900.0])
def test_a_channel_waits_for_its_water_and_gives_its_dose(start_l: float) -> None:
    """Guards the position of injection: INJECT runs on clear water until then, and the dose is whole."""
    rig = Rig(small())
    recipe = _late(short_recipe(), a=start_l)
    watch = _played(rig, recipe)
    lag_l = 3.0 * _SCAN_L  # valve, intent on disk, injector
    assert start_l - _SCAN_L <= watch.at_l["a"] <= start_l + lag_l + _SCAN_L
    assert rig.stock_l["a"] == pytest.approx(recipe.channels[0].stock_l, rel=0.015)
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]
    assert not rig.state.lines.owed


def _two(order: str = "together") -> Recipe:
    doses = ("a", 16.0, 2.0), ("b", 8.0, 1.2)
    return night(orchard(), ("creek", "ridge"), 6.0, *doses, order=order)


def test_a_late_channel_begins_beside_one_that_is_on() -> None:
    """Guards invariant 1's intent for each channel: the second is announced in its turn and the first goes on."""
    rig = Rig(orchard())
    rig.watch = watch = Began()
    recipe = _late(_two(), b=600.0)
    assert rig.start(recipe).accepted
    rig.until(lambda state: injectors(state.outputs) == {"a"})
    while "b" not in watch.at_l:
        assert injectors(rig.scan().outputs) >= {"a"}
    rig.until_end()
    assert 600.0 - 2.0 * _SCAN_L <= watch.at_l["b"] <= 600.0 + 6.0 * _SCAN_L
    assert [row.channel for row in of_kind(rig.rows, InjectionIntent)] == ["a", "b"]
    for plan in recipe.channels:
        assert rig.stock_l[plan.channel] == pytest.approx(plan.stock_l, rel=0.015)


def test_a_late_channel_begins_after_one_that_is_done() -> None:
    """Guards a gap of clear water: both channels over at different times, INJECT ends with the last of them."""
    rig = Rig(orchard())
    watch = _played(rig, _late(_two(), b=2500.0))
    assert watch.at_l["b"] >= 2500.0 - 2.0 * _SCAN_L
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]


@pytest.mark.parametrize("start_l", [100.0, 3000.0])
def test_a_channel_in_turn_waits_for_both(start_l: float) -> None:
    """Guards the rinse between channels: neither water alone nor the channel before alone lets the next one begin."""
    recipe = _two("in_turn")
    first, second = recipe.channels
    rig = Rig(orchard())
    watch = _played(rig, _late(recipe, **{second.channel: start_l}))
    turn_l = first.stock_l / first.ratio + second.rinse_l
    assert watch.at_l[second.channel] >= max(start_l, 0.95 * turn_l) - 2.0 * _SCAN_L
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]


def test_a_fault_before_its_turn_ends_it_like_any_other() -> None:
    """Guards bounded time: what is paused too long is given up, begun or not, and the water goes on."""
    rig = Rig(small())
    rig.watch = Watch(every=50)
    assert rig.start(_late(short_recipe(), a=900.0)).accepted
    rig.until_phase(Phase.INJECT)
    rig.bad.add("pressure")
    rig.until_end()
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["NOT_RUN"]
    assert rig.stock_l["a"] == 0.0 and not rig.state.lines.owed
    ended = {row.phase: row.why for row in of_kind(rig.rows, PhaseEnded)}
    assert "paused-too-long" in ended["INJECT"]
