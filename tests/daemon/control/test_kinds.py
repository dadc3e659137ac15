"""Each kind of injector through a whole night: what it is told, what it gives, and channels together and in turn."""

import itertools
import math

import pytest

from daemon.control.image import ChannelOutput
from daemon.control.injection import stock_of
from daemon.control.rate import drive_for
from daemon.control.states import Phase, ProcedureState
from daemon.equipment import MeteringPump
from daemon.evidence import FlushCleared, FlushOwed, InjectionIntent, RunEnded
from daemon.planning.checks import PlanError
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, metered, of_kind
from tests.daemon.control.sites import N_G_L, every, night
from tests.daemon.control.spec import Watch

_BOTH = ("terrace", "flat")
_OFF = ChannelOutput()
_KINDS = {"a": (8.0, 2.0), "b": (5.0, 2.0), "c": (3.0, 2.0), "d": (5.0, 2.0), "e": (9.8, 4.0)}
"""Litres of stock and m3 of water for each channel: metering, duty, fixed rate pump, venturi and displacement tank."""


def _recipe(*channels: str, order: str = "together") -> Recipe:
    return night(every(), _BOTH, 5.2, *((name, *_KINDS[name]) for name in channels), order=order)


def _begun(recipe: Recipe) -> Rig:
    rig = Rig(every())
    rig.watch = Watch(every=50)
    assert rig.start(recipe).accepted
    return rig


def _output(rig: Rig, channel: str) -> ChannelOutput:
    return rig.state.outputs.channels.get(channel, _OFF)


def _given_l(rig: Rig, channel: str) -> float:
    """Return what the injector really gave, in litres of stock as it was when charged."""
    return stock_of(rig.plant.site, channel, 0.0, rig.stock_l[channel])


def _trim(rig: Rig, channel: str) -> float:
    assert rig.state.run is not None
    return rig.state.run.channels[channel].trim


@pytest.mark.parametrize("channel", _KINDS)
def test_each_kind_gives_its_dose(channel: str) -> None:
    """Guards every kind: valve, then injector, then injector off, then valve off; and the planned stock, no more."""
    recipe = _recipe(channel)
    rig, seen = _begun(recipe), [_OFF]
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        if _output(rig, channel) != seen[-1]:
            seen.append(_output(rig, channel))
    assert rig.state.unit.procedure is ProcedureState.COMPLETE
    steps = [(output.valve, output.run) for output in seen]
    assert steps[:3] == [(False, False), (True, False), (True, True)] and steps[-1] == (False, False)
    assert len(steps) == 5 or channel == "b", "only a pump paced by its on-time goes off and on"
    injector, plan = every().site.injector[channel], recipe.channels[0]
    if isinstance(injector, MeteringPump):
        paced_l_h = plan.ratio * recipe.flow_m3_h * 1000.0
        assert seen[2].drive == pytest.approx(drive_for(injector, paced_l_h), rel=0.01)
    else:
        assert {output.drive for output in seen if output.run} == {1.0}
    count_l = injector.meter.per_count or 1.0
    assert _given_l(rig, channel) == pytest.approx(plan.stock_l, abs=injector.highest_l_h / 3600.0 * 2.5 + count_l)
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]
    assert [row.channel for row in of_kind(rig.rows, InjectionIntent)] == [channel]
    injected_mg = sum(row.injected_mg for row in metered(rig.rows))
    assert injected_mg == pytest.approx(_given_l(rig, channel) * N_G_L * 1000.0, abs=count_l * N_G_L * 1000.0)


@pytest.mark.parametrize("stock_l", [5.0, 7.9, 13.0, 20.0])
def test_a_duty_pump_is_on_for_its_share(stock_l: float) -> None:
    """Guards pacing by on-time: over whole windows stock is the ratio times the water, though it is on for whole scans.

    What is left is the trim's, which learns from a meter that counts whole pulses.
    """
    recipe = night(every(), _BOTH, 5.0, ("b", stock_l, 4.0))
    rig = _begun(recipe)
    rig.until(lambda state: _runs(rig, "b"))
    water_l, given_l, on_s, windows = rig.water_l, rig.stock_l["b"], 0, 20
    for _ in range(windows * 20):
        on_s += _runs(rig, "b")
        rig.scan()
    share = recipe.channels[0].ratio * recipe.flow_m3_h * 1000.0 / 180.0
    assert on_s == pytest.approx(share * windows * 20.0, rel=0.02)
    wanted_l = recipe.channels[0].ratio * (rig.water_l - water_l)
    assert rig.stock_l["b"] - given_l == pytest.approx(wanted_l, rel=0.02)


def _runs(rig: Rig, channel: str) -> bool:
    return _output(rig, channel).run


@pytest.mark.parametrize("stock_l", [4.6, 10.0])
def test_a_duty_pump_is_on_once_a_window_and_never_for_less_than_its_least(stock_l: float) -> None:
    """Guards the pump: whatever the flow does within the band, one on-time a window, and one intent over all rests."""
    rig = _begun(night(every(), _BOTH, 5.0, ("b", stock_l, 4.0)))
    rig.until(lambda state: _runs(rig, "b"))
    on: list[bool] = []
    for i in range(399):  # the first window began a scan before the pump did
        rig.flow_m3_h["flat"] = every().site.block["flat"].flow_m3_h * (1.0 + 0.3 * math.sin(i * i))
        on.append(_runs(rig, "b"))
        rig.scan()
    spells = [(is_on, len(list(group))) for is_on, group in itertools.groupby(on)]
    assert min(length for is_on, length in spells if is_on) >= 4
    assert sum(is_on for is_on, _ in spells) == 20
    assert rig.kinds()["InjectionIntent"] == 1


def test_a_duty_pump_learns_window_by_window() -> None:
    """Guards the trim: a pump that gives 3 % less is on for so much longer, and no more than the trim's bound."""
    rig = _begun(night(every(), _BOTH, 31.0, ("b", 60.0, 30.0)))
    rig.slip = 0.97
    rig.until(lambda state: _runs(rig, "b"))
    trims = [_trim(rig, "b")]
    for _ in range(600):
        rig.scan()
        trims.append(_trim(rig, "b"))
    changes = [i for i, (before, after) in enumerate(itertools.pairwise(trims)) if before != after]
    assert {b - a for a, b in itertools.pairwise(changes)} <= {20 * n for n in range(1, 5)}
    assert sum(trims[300:]) / len(trims[300:]) == pytest.approx(1.0 / 0.97, abs=0.008)
    rig.slip = 0.8
    rig.scans(200)
    assert _trim(rig, "b") == pytest.approx(1.05)


def test_a_duty_pumps_trim_is_frozen_in_a_pause_and_where_the_pump_is_at_its_end() -> None:
    """Guards the trim against winding up: what a pause or the shortest on-time meters teaches nothing."""
    rig = _begun(night(every(), _BOTH, 10.5, ("b", 11.0, 9.5)))  # 36.5 L/h, the least being 36
    rig.until(lambda state: _runs(rig, "b"))
    rig.scans(100)
    rig.slip, trim = 0.85, _trim(rig, "b")
    rig.bad.add("pressure")
    rig.scans(60)
    assert _trim(rig, "b") == trim
    rig.bad.clear()
    for name in _BOTH:
        rig.flow_m3_h[name] *= 0.86  # still within the band of 15 %
    rig.until(lambda state: _runs(rig, "b"))
    rig.scans(100)
    assert rig.state.unit.phase is Phase.INJECT and _trim(rig, "b") == trim


def test_a_metering_pumps_trim_is_frozen_in_a_pause_and_the_debt_is_dropped() -> None:
    """Guards the rule on pauses: the trim is kept, INJECT becomes longer, and the rate is never raised to catch up."""
    recipe = _recipe("a")
    rig = _begun(recipe)
    rig.slip = 0.97
    rig.until(lambda state: _runs(rig, "a"))
    rig.scans(90)
    trim, drive = _trim(rig, "a"), _output(rig, "a").drive
    assert trim > 1.0
    rig.bad.add("pressure")
    rig.scans(40)
    assert _trim(rig, "a") == trim and not _runs(rig, "a")
    rig.bad.clear()
    rig.until(lambda state: _runs(rig, "a"))
    assert _output(rig, "a").drive == pytest.approx(drive, rel=0.015)
    before_s = rig.at_s
    rig.scans(14)
    assert _trim(rig, "a") == trim, "it learns only when it has settled"
    highest = 0.0
    while rig.state.unit.phase is Phase.INJECT:
        highest = max(highest, _output(rig, "a").drive)
        rig.scan()
    assert highest <= 1.02 * drive
    assert 90.0 + rig.at_s - before_s >= 0.98 * recipe.inject_l * 3.6 / recipe.flow_m3_h
    assert rig.stock_l["a"] == pytest.approx(recipe.channels[0].stock_l, rel=0.015)


@pytest.mark.parametrize(("stock_l", "slip", "end_l_h"), [(15.1, 0.9, 240.0), (1.275, 1.1, 20.0)])
def test_a_metering_pumps_trim_is_frozen_at_both_ends_of_its_curve(stock_l: float, slip: float, end_l_h: float) -> None:
    """Guards the trim against winding up: it goes no further than the drive can follow it."""
    recipe = night(every(), _BOTH, 3.2, ("a", stock_l, 2.0))
    rig = _begun(recipe)
    rig.slip = slip
    rig.until(lambda state: _runs(rig, "a"))
    rig.scans(120)
    most = end_l_h / (recipe.channels[0].ratio * recipe.flow_m3_h * 1000.0)
    assert _trim(rig, "a") <= most if slip < 1.0 else _trim(rig, "a") >= most


@pytest.mark.parametrize("slip", [0.85, 1.1])
@pytest.mark.parametrize("channel", ["c", "d"])
def test_an_injector_of_one_rate_ends_by_its_metered_litres(channel: str, slip: float) -> None:
    """Guards dose by litres and not by time: whatever the rate really is, the planned stock goes in."""
    recipe = _recipe(channel)
    rig, on_s = _begun(recipe), 0
    rig.slip = slip
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        on_s += _runs(rig, channel)
    rate_l_h = every().site.injector[channel].highest_l_h
    assert rig.stock_l[channel] == pytest.approx(recipe.channels[0].stock_l, abs=rate_l_h / 3600.0 * 2.5 + 0.1)
    assert on_s == pytest.approx(recipe.channels[0].stock_l * 3600.0 / rate_l_h / slip, abs=4.0)


@pytest.mark.parametrize(("volumes", "out"), [(1, 0.632), (2, 0.865), (3, 0.950), (4, 0.982)])
@pytest.mark.parametrize("step_l", [0.1, 1.0, 10.0])
def test_a_displacement_tank_by_hand(volumes: int, out: float, step_l: float) -> None:
    """Guards T1 of the domain sheet: 63.2, 86.5, 95.0 and 98.2 % are out after 1 to 4 volumes, in whatever steps."""
    given_l = 0.0
    for _ in range(round(volumes * 10.0 / step_l)):
        given_l += stock_of(every().site, "e", given_l, step_l)
    assert given_l / 10.0 == pytest.approx(out, abs=0.0005)


def test_a_displacement_tank_washes_out_by_its_volumes() -> None:
    """Guards the account of a displacement tank: through `decide` too its stock follows the water that passed it."""
    rig, volume_l, out = _begun(_recipe("e")), 10.0, {}
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        counted_l = math.floor(rig.stock_counts["e"])
        assert rig.state.run is not None
        if counted_l % volume_l == 0.0 or counted_l == 39.0:
            out[counted_l] = rig.state.run.channels["e"].injected_l / volume_l
    assert out == pytest.approx({0.0: 0.0, 10.0: 0.632, 20.0: 0.865, 30.0: 0.950, 39.0: 0.980}, abs=0.0006)


def test_a_displacement_tanks_whole_load_is_planned_and_announced() -> None:
    """Guards the rule that its whole load is committed at its start; a part of a tank cannot be planned."""
    rig = _begun(_recipe("e"))
    rig.until(lambda state: state.run is not None and state.run.intent > 0)
    assert [row.reserved_ml for row in of_kind(rig.rows, InjectionIntent)] == [9800]
    assert sum(block.planned_mg["e"]["N"] for block in _recipe("e").blocks) == pytest.approx(980_000, abs=2)
    with pytest.raises(PlanError, match="washes its tank out whole"):
        night(every(), _BOTH, 8.0, ("e", 5.0, 4.0))


def test_channels_together_each_have_their_own_dose() -> None:
    """Guards channels: an intent and an owed flush each in one scan, each its own litres, INJECT to the last."""
    recipe = _recipe("a", "b", "c", "d", "e")
    rig = _begun(recipe)
    last_on: dict[str, int] = {}
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        last_on |= {name: rig.steps for name in _KINDS if _runs(rig, name)}
        if any(_runs(rig, name) for name in _KINDS):
            assert rig.state.unit.phase is Phase.INJECT
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.lines.owed
    intents = [i for i, row in enumerate(rig.rows) if isinstance(row, InjectionIntent)]
    assert [row.channel for row in of_kind(rig.rows, InjectionIntent)] == list(_KINDS)
    assert intents == list(range(intents[0], intents[0] + 5))
    assert {(row.segment, row.stock) for row in of_kind(rig.rows, FlushOwed)} == {
        (segment, f"stock_{name}") for name in _KINDS for segment in (*_BOTH, "main")
    }
    assert max(last_on, key=lambda name: last_on[name]) == "e"
    for plan in recipe.channels:
        assert _given_l(rig, plan.channel) == pytest.approx(plan.stock_l, rel=0.04)


def test_channels_in_turn_are_rinsed_between() -> None:
    """Guards incompatible stocks: a transit of clear water after the first one's last drop, then a new intent."""
    recipe = _recipe("a", "c", order="in_turn")
    rig = _begun(recipe)
    last_l = first_l = math.nan
    paid_in_turn = False
    while rig.scan().state.unit.procedure is ProcedureState.RUNNING:
        on = {name for name in ("a", "c") if _runs(rig, name)}
        assert len(on) < 2
        if "a" in on:
            last_l = rig.water_l + recipe.flow_m3_h / 3.6  # it is on until the next scan
        if "c" in on and math.isnan(first_l):
            first_l = rig.water_l
            announced = of_kind(rig.rows, InjectionIntent)
            assert [row.channel for row in announced] == ["a", "c"]
        paid = {row.segment for row in of_kind(rig.rows, FlushCleared) if row.stock == "stock_a"}
        paid_in_turn |= paid == {*_BOTH, "main"} and "c" in on
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.lines.owed
    rinse_l = recipe.channels[1].rinse_l
    assert rinse_l > 300.0
    assert first_l - last_l >= rinse_l - 1.0  # the meter counts whole litres
    assert first_l - last_l <= rinse_l + 5.0 * recipe.flow_m3_h / 3.6
    assert paid_in_turn, "the first one's flush is paid while the second injects"
    rows = [row for row in rig.rows if isinstance(row, InjectionIntent | FlushOwed)]
    kinds = [(type(row), row.stock) for row in rows]
    assert kinds == [
        *((FlushOwed, "stock_a"),) * 3,
        (InjectionIntent, "stock_a"),
        *((FlushOwed, "stock_c"),) * 3,
        (InjectionIntent, "stock_c"),
    ]
    for plan in recipe.channels:
        assert rig.stock_l[plan.channel] == pytest.approx(plan.stock_l, rel=0.02)
