"""What the line's EC says of the dose while injecting: it rises as it must, and not above what it may."""

import pytest

from daemon.control.states import Phase, ProcedureState
from daemon.evidence import AlarmRaised
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, changed, is_injecting, of_kind, reached, short_recipe, small
from tests.daemon.control.sites import every, night
from tests.daemon.control.spec import Watch

_HIGH, _FLAT = "line-ec-high", "ec-not-rising"
_RISES_SCANS = 96
"""The row's delay, the scans until the injector has run, and two more."""


def _raised(rig: Rig) -> set[str]:
    return {row.code for row in of_kind(rig.rows, AlarmRaised)}


def _begun(recipe: Recipe) -> Rig:
    rig = Rig(small())
    rig.watch = Watch(every=10_000)
    assert rig.start(recipe).accepted
    rig.until(is_injecting)
    return rig


@pytest.mark.parametrize("what", ["plain water", "stuck probe"])
def test_an_ec_that_does_not_rise_ends_the_injection(what: str) -> None:
    """Guards the row: no stock in what is injected, or a probe that shows the same for ever, and the water goes on."""
    rig = _begun(short_recipe())
    if what == "plain water":
        rig.strength = 0.0
    else:
        rig.forced["line_ec"] = 0.41
    rig.until(lambda state: _FLAT in state.guard.active, most=_RISES_SCANS)
    assert not is_injecting(rig.state)
    rig.until_end()
    run = rig.state.run
    assert run is not None and run.given_up == _FLAT
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.lines.owed
    assert _FLAT in rig.state.guard.active, "it waits for somebody"


@pytest.mark.parametrize("strength", [0.6, 0.9, 1.0, 1.1, 1.4])
def test_a_rise_near_to_the_planned_one_is_well(strength: float) -> None:
    """Guards quiet nights: a stock a little weaker or stronger than planned is for the account, not for a trip."""
    rig = _begun(short_recipe())
    rig.strength = strength
    rig.until_end()
    assert not _raised(rig)


def test_a_stock_twice_as_strong_ends_the_injection() -> None:
    """Guards the limit without a crop's word: clearly more than was planned at any moment."""
    rig = _begun(short_recipe())
    rig.strength = 2.0
    rig.until(lambda state: _HIGH in state.guard.active, most=15)
    assert not is_injecting(rig.state)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and _raised(rig) == {_HIGH}


@pytest.mark.parametrize(("most_ms_cm", "trips"), [(1.5, True), (3.0, False)])
def test_what_the_crop_bears_is_the_limit_where_it_is_told(most_ms_cm: float, trips: bool) -> None:
    """Guards the crop: the line's EC, the water's own included, is held to the recipe's limit."""
    recipe = changed(short_recipe(), line_ec_most_ms_cm=most_ms_cm)
    assert 1.5 < 0.4 + recipe.channels[0].ec_rise_ms_cm < 3.0
    rig = _begun(recipe)
    rig.until_end()
    assert (_HIGH in _raised(rig)) is trips


def test_a_water_that_is_salty_already_is_no_rise() -> None:
    """Guards the background: what the water before the injection shows as well was not injected."""
    rig = reached(Phase.PREWET, Watch(every=10_000))
    rig.line_ec_ms_cm, rig.forced["background_ec"] = 2.4, 2.4
    rig.until_end()
    assert not _raised(rig)


@pytest.mark.parametrize("why", ["no probe's word", "urea", "a rise that is too small to see"])
def test_an_ec_that_cannot_tell_says_nothing(why: str) -> None:
    """Guards honesty: where the expected rise is under what the probes can see, plain water is not told from stock."""
    recipe = short_recipe()
    rise_ms_cm = {"urea": 0.0, "a rise that is too small to see": 0.14}.get(why, recipe.channels[0].ec_rise_ms_cm)
    channels = (changed(recipe.channels[0], ec_rise_ms_cm=rise_ms_cm),)
    rig = _begun(changed(recipe, channels=channels))
    rig.strength = 0.0
    if why == "no probe's word":
        rig.bad.add("background_ec")
    rig.until_end()
    assert not _raised(rig)


@pytest.mark.parametrize(("hose_l", "is_told"), [(3.0, True), (10.0, False)])
def test_a_channel_counts_once_its_hose_is_through(hose_l: float, is_told: bool) -> None:
    """Guards the hose: it may hold water, and what it holds comes first."""
    recipe = short_recipe()
    rig = _begun(changed(recipe, channels=(changed(recipe.channels[0], hose_l=hose_l),)))
    rig.strength = 0.0
    rig.until_end()
    assert (_raised(rig) == {_FLAT}) is is_told


def test_a_pause_begins_the_wait_anew() -> None:
    """Guards the delay: the line must have had the time to rise in one go."""
    rig = _begun(short_recipe())
    rig.strength = 0.0
    rig.scans(60)
    rig.bad.add("pressure")
    rig.scan()
    rig.bad.clear()
    rig.scans(60)
    assert _FLAT not in _raised(rig)


def test_of_a_tank_that_is_washed_out_no_rise_is_expected() -> None:
    """Guards the displacement tank: its strength falls to nothing, and that is no fault."""
    recipe = night(every(), ("terrace", "flat"), 12.0, ("e", 9.8, 9.0))
    rig = Rig(every())
    rig.watch = Watch(every=10_000)
    rig.strength = 0.0
    assert recipe.channels[0].ec_rise_ms_cm >= recipe.ec_seen_ms_cm > 0.0
    assert rig.start(recipe).accepted
    rig.until_end()
    assert not _raised(rig)
