"""Injection as a reducer by itself: when a channel's turn is, when its dose is in, and what paces it."""

import math
from typing import Any

import pytest

from daemon.control.guard import Verdict
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.injection import Want, inject, stock_of
from daemon.control.run import ChannelRun, Run, Window, begin
from daemon.control.sense import Facts
from daemon.control.states import Effect, Phase, ProcedureState, Unit, UnitMode
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.plant import Rig, changed, short_recipe, small
from tests.daemon.control.sites import every, night

_WELL = Verdict(Effect.NONE, (), (), ())
_UNIT = Unit(UnitMode.SEMI_AUTOMATIC, ProcedureState.RUNNING, Phase.INJECT)
_ON = ChannelOutput(valve=True, run=True, drive=0.48)
_RATE_L_H = 240.0


def _last(output: ChannelOutput | None, channel: str = "a") -> Outputs:
    return changed(SAFE, pump=True, channels={channel: output} if output is not None else {})


class _Channel:
    """One channel of a run in INJECT, moved on scan by scan."""

    def __init__(self, plant: Plant, recipe: Recipe, channel: str = "a", **state: Any) -> None:
        self.plant = plant
        self.name = channel
        run = begin(recipe)
        self.run: Run = run._replace(channels={**run.channels, channel: run.channels[channel]._replace(**state)})
        self.facts: Facts = Rig(plant).scan().facts._replace(flow_m3_h=recipe.flow_m3_h)
        self.want = Want(False, False, 0.0)

    @property
    def state(self) -> ChannelRun:
        return self.run.channels[self.name]

    def scan(
        self,
        output: ChannelOutput | None = _ON,
        metered_l: float = 0.0,
        *,
        verdict: Verdict = _WELL,
        unit: Unit = _UNIT,
        **facts: Any,
    ) -> Want:
        channel = self.facts.channels[self.name]._replace(moved_l=metered_l, silent_s=facts.pop("silent_s", 0.0))
        seen = self.facts._replace(channels={**self.facts.channels, self.name: channel}, **facts)
        run, wants = inject(self.plant.site, unit, self.run, verdict, seen, _last(output, self.name))
        assert run is not None
        self.run, self.want = run, wants[self.name]
        return self.want


def _pump(**state: Any) -> _Channel:
    return _Channel(small(), short_recipe(), **state)


def test_a_channel_opens_its_valve_and_then_runs() -> None:
    """Guards the order: nothing is promised of the pump before its valve is open."""
    channel = _pump()
    want = channel.scan(None)
    assert want.valve and not want.run and channel.state.rate_l_h == 0.0
    want = channel.scan(ChannelOutput(valve=True))
    assert want.run and channel.state.rate_l_h == pytest.approx(_RATE_L_H, rel=0.02)
    assert want.drive == pytest.approx(channel.state.rate_l_h / 500.0)


@pytest.mark.parametrize(
    ("unit", "verdict", "run"),
    [
        (changed(_UNIT, phase=Phase.PREWET), _WELL, {}),
        (changed(_UNIT, procedure=ProcedureState.HOLDING), _WELL, {}),
        (_UNIT, _WELL._replace(effect=Effect.PAUSE), {}),
        (_UNIT, _WELL._replace(effect=Effect.WATER_ONLY), {}),
        (_UNIT, _WELL, {"given_up": "a reason"}),
        (_UNIT, _WELL, {"end": "a reason"}),
    ],
)
def test_a_channel_that_may_not_inject_closes_behind_its_pump(
    unit: Unit, verdict: Verdict, run: dict[str, Any]
) -> None:
    """Guards rule 16: off, its valve a scan later, and nothing of its pace or its debt kept."""
    channel = _pump(rate_l_h=_RATE_L_H, on_s=50.0, trim=1.02, window=Window(passed_s=3.0, due_s=2.0))
    channel.run = channel.run._replace(**run)
    assert channel.scan(_ON, verdict=verdict, unit=unit) == Want(valve=True, run=False, drive=0.0)
    assert channel.state == ChannelRun(trim=1.02)
    assert channel.scan(ChannelOutput(valve=True), verdict=verdict, unit=unit) == Want(False, False, 0.0)


def test_a_channel_of_no_run_is_closed() -> None:
    """Guards what is left on by a run that is over, or by another shift's: valve a scan after the pump."""
    facts = Rig(small()).scan().facts
    run, wants = inject(small().site, _UNIT, None, _WELL, facts, _last(_ON))
    assert run is None and wants == {"a": Want(True, False, 0.0)}
    _, wants = inject(small().site, _UNIT, begin(short_recipe()), _WELL, facts, _last(_ON, "other"))
    assert wants["other"] == Want(True, False, 0.0)


@pytest.mark.parametrize(("share", "is_done"), [(0.985, False), (0.9999, True), (1.2, True)])
def test_a_dose_is_in_with_what_still_comes(share: float, is_done: bool) -> None:
    """Guards the end: half a scan and a second at the last rate come after it is switched off."""
    stock_l = short_recipe().channels[0].stock_l
    channel = _pump(injected_l=share * stock_l, rate_l_h=_RATE_L_H)
    channel.scan()
    assert channel.state.done is is_done


@pytest.mark.parametrize(("less_l", "is_done"), [(0.001, True), (-0.001, False)])
def test_what_still_comes_is_a_second_and_half_a_scan(less_l: float, is_done: bool) -> None:
    """Guards the same to the millilitre, and that what is done stays so."""
    stock_l = short_recipe().channels[0].stock_l
    coming_l = _RATE_L_H / 3600.0 * (0.5 * 2.0 + 1.0)
    channel = _pump(injected_l=stock_l - coming_l + less_l, rate_l_h=_RATE_L_H)
    channel.scan(dt_s=2.0)
    assert channel.state.done is is_done
    channel.run = channel.run._replace(channels={"a": channel.state._replace(injected_l=0.0)})
    channel.scan()
    assert channel.state.done is is_done


@pytest.mark.parametrize(("less_l", "is_done"), [(0.001, True), (-0.001, False)])
def test_a_hard_cap_is_left_room_for_what_cannot_be_stopped(less_l: float, is_done: bool) -> None:
    """Guards invariant 8: two scans and a second at the highest rate, and a count of the meter."""
    recipe = short_recipe()
    (plan,) = recipe.channels
    recipe = changed(recipe, channels=(changed(plan, most_l=9.0),))
    coming_l = 500.0 / 3600.0 * (2.0 * 1.0 + 1.0) + 0.01
    channel = _Channel(small(), recipe, injected_l=9.0 - coming_l + less_l)
    channel.scan()
    assert channel.state.done is is_done


def test_a_channel_waits_for_its_water_and_for_the_one_before_it() -> None:
    """Guards the turn: the water of dry holds counts, and the rinse behind the other channel's last litre."""
    recipe = short_recipe()
    (plan,) = recipe.channels
    late = _Channel(small(), changed(recipe, channels=(changed(plan, start_l=100.0),)))
    late.run = late.run._replace(injecting_l=60.0, phase_water_l=39.0)
    assert not late.scan(None).valve
    late.run = late.run._replace(phase_water_l=40.0)
    assert late.scan(None).valve
    after = changed(plan, channel="b", after="a", rinse_l=20.0)
    turn = _Channel(small(), changed(recipe, channels=(plan, after)), since_l=20.0)
    seen = turn.facts._replace(channels={**turn.facts.channels, "b": turn.facts.channels["a"]})
    for done, since_l, is_next in ((False, 20.0, False), (True, 19.9, False), (True, 20.0, True)):
        run = turn.run._replace(channels={**turn.run.channels, "a": ChannelRun(done=done, since_l=since_l)})
        _, wants = inject(_two(), _UNIT, run, _WELL, seen, _last(None))
        assert wants["b"].valve is is_next


def _two() -> Any:
    """Return the small site with a second channel like its first."""
    site = small().site
    return site.model_copy(update={"injector": {**site.injector, "b": site.injector["a"]}})


def test_a_silence_is_counted_once_as_it_comes_into_force() -> None:
    """Guards the retry: the scan in which the cause is raised counts, for the channel that is silent."""
    raised = _WELL._replace(effect=Effect.PAUSE, causes=("injector-silent",), raised=("injector-silent",))
    channel = _pump()
    channel.scan(verdict=raised, silent_s=10.0)
    assert channel.state.silences == 1
    channel.scan(verdict=raised._replace(raised=()), silent_s=11.0)
    assert channel.state.silences == 1
    channel.scan(verdict=raised, silent_s=9.9)
    assert channel.state.silences == 1


def test_a_pause_is_timed_and_needs_a_new_intent() -> None:
    """Guards rule 1: what was announced before a pause is used up by it; a hold or another phase is no pause."""
    pause = _WELL._replace(effect=Effect.PAUSE)
    channel = _pump()
    channel.run = channel.run._replace(intents={"a": 7})
    channel.scan()
    assert channel.run.intents == {"a": 7} and channel.run.paused_s == 0.0
    channel.scan(verdict=pause, dt_s=2.0)
    assert channel.run.intents == {} and channel.run.paused_s == 2.0
    channel.scan(verdict=pause)
    assert channel.run.paused_s == 3.0
    channel.scan()
    assert channel.run.paused_s == 0.0
    channel.scan(verdict=pause, unit=changed(_UNIT, phase=Phase.FLUSH))
    assert channel.run.paused_s == 0.0


def test_the_trim_follows_the_meter_once_it_has_settled() -> None:
    """Guards rule 16: after 15 s on, by the error over 120 s; not at the start, nor without time or a rate."""
    rate_l_h = short_recipe().channels[0].ratio * short_recipe().flow_m3_h * 1000.0
    metered_l = 0.95 * rate_l_h / 3600.0
    young = _pump(on_s=13.9, rate_l_h=rate_l_h)
    young.scan(metered_l=metered_l)
    assert young.state.trim == 1.0 and young.state.on_s == pytest.approx(14.9)
    old = _pump(on_s=14.0, rate_l_h=rate_l_h)
    old.scan(metered_l=metered_l)
    assert old.state.trim == pytest.approx(1.0 + 0.05 / 120.0)
    still = _pump(on_s=50.0, rate_l_h=rate_l_h)
    still.scan(metered_l=metered_l, dt_s=0.0)
    assert still.state.trim == 1.0
    unpaced = _pump(on_s=50.0, rate_l_h=0.0)
    unpaced.scan(metered_l=metered_l)
    assert unpaced.state.trim == 1.0
    off = _pump(on_s=50.0, rate_l_h=rate_l_h)
    off.scan(ChannelOutput(valve=True), metered_l)
    assert off.state.on_s == 0.0 and off.state.trim == 1.0


@pytest.mark.parametrize(("times", "trim"), [(0.0, 1.0), (2.0, 1.0)])
def test_the_trim_never_passes_what_curve_and_meter_may_be_off(times: float, trim: float) -> None:
    """Guards rule 16: 3 % of the curve and 2/√3 of a class 1 meter, together, and 5 % at most."""
    rate_l_h = short_recipe().channels[0].ratio * short_recipe().flow_m3_h * 1000.0
    channel = _pump(on_s=50.0, rate_l_h=rate_l_h, trim=trim)
    for _ in range(1000):
        channel.run = channel.run._replace(channels={"a": channel.state._replace(rate_l_h=rate_l_h, injected_l=0.0)})
        channel.scan(metered_l=times * rate_l_h / 3600.0)
    most = (3.0 + 2.0 / math.sqrt(3.0)) / 100.0
    assert channel.state.trim == pytest.approx(1.0 + most if times < 1.0 else 1.0 - most)


@pytest.mark.parametrize(("times", "moves"), [(1.009, False), (1.011, True), (0.989, True)])
def test_a_drive_that_is_nearly_right_is_left_alone(times: float, moves: bool) -> None:
    """Guards the pump's wear: one part in a hundred is no reason to change its drive, while it runs."""
    channel = _pump()
    drive = channel.scan(ChannelOutput(valve=True)).drive
    before = ChannelOutput(valve=True, run=True, drive=drive)
    want = channel.scan(before, flow_m3_h=times * short_recipe().flow_m3_h)
    assert (want.drive != drive) is moves
    resting = ChannelOutput(valve=True, drive=drive)
    assert channel.scan(resting, flow_m3_h=1.005 * short_recipe().flow_m3_h).drive == pytest.approx(1.005 * drive)


def test_stock_of_a_displacement_tank_by_the_domain_sheet() -> None:
    """Guards domain sheet 6: one tank volume of water takes 63.2 % of what is still in it, two take 86.5 %."""
    site = every().site
    volume_l = site.tank[site.injector["e"].tank].volume_l
    assert stock_of(site, "e", 0.0, volume_l) == pytest.approx(0.63212 * volume_l, rel=1e-4)
    assert stock_of(site, "e", 0.0, 2.0 * volume_l) == pytest.approx(0.86466 * volume_l, rel=1e-4)
    assert stock_of(site, "e", 0.5 * volume_l, volume_l) == pytest.approx(0.63212 * 0.5 * volume_l, rel=1e-4)
    assert stock_of(site, "e", 0.0, 0.0) == 0.0
    assert stock_of(site, "a", 0.0, 3.0) == 3.0


def _duty(**state: Any) -> _Channel:
    plant = every()
    name = next(name for name, injector in plant.site.injector.items() if injector.kind == "duty_pump")
    blocks = tuple(plant.site.block)[:1]
    return _Channel(plant, night(plant, blocks, 6.0, (name, 8.0, 4.0)), name, **state)


def test_a_duty_pump_begins_with_its_window_and_is_on_for_its_share() -> None:
    """Guards pacing by on-time: closed until its valve is open, then on for the window's share and off for the rest."""
    channel = _duty()
    want = channel.scan(None)
    assert want == Want(valve=True, run=False, drive=1.0) and channel.state.window == Window()
    injector = channel.plant.site.injector[channel.name]
    recipe = channel.run.recipe
    wanted_l_h = recipe.channels[0].ratio * recipe.flow_m3_h * 1000.0
    share = wanted_l_h / injector.rate_l_h  # type: ignore[union-attr]
    scans = round(injector.window_s)  # type: ignore[union-attr]
    output, on, starts = ChannelOutput(valve=True), 0, list[int]()
    for scan in range(4 * scans):
        want = channel.scan(output, injector.rate_l_h / 3600.0 if output.run else 0.0)  # type: ignore[union-attr]
        assert want.is_resting is not want.run
        assert channel.state.rate_l_h == (injector.rate_l_h if want.run else 0.0)  # type: ignore[union-attr]
        starts += [scan] if want.run and not output.run else []
        output = ChannelOutput(valve=True, run=want.run, drive=1.0)
        on += want.run
    assert starts == [0, *[number * scans - 1 for number in range(1, 5)]], "as a window ends the next one begins"
    assert on == pytest.approx(4 * scans * share, abs=1.0 + 0.5 * injector.min_on_s)  # type: ignore[union-attr]
    assert channel.state.trim == pytest.approx(1.0)


def test_a_window_in_which_a_duty_pump_rested_trims_nothing() -> None:
    """Guards the trim: what its meter counts with the pump off, a siphon or a jolt, says nothing of the pump's rate."""
    channel = _duty(window=Window(due_s=-1000.0))
    for _ in range(45):
        assert not channel.scan(ChannelOutput(valve=True), 0.05).run
    assert channel.state.trim == 1.0
