"""The filter's backwash: when ours begins, what the injection does meanwhile, and which litres count."""

from collections.abc import Callable

import pytest

from daemon.control.run import Run
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import AlarmRaised, InjectionIntent, RunEnded
from daemon.messages import Verb
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.plant import Rig, is_injecting, of_kind
from tests.daemon.control.sites import CONTACT, OURS, every, filtered, night
from tests.daemon.control.spec import Watch

_UPSTREAM = "meter filter injection"
_DOWNSTREAM = "filter meter injection"
_LOADED = "meter injection filter"
_BACKWASH_S, _RECOVER_S, _BODY_L = 20, 10, 30.0


def _recipe(plant: Plant, run: str = "run-1") -> Recipe:
    return night(plant, ("creek",), 4.0, ("a", 10.7, 1.5), run=run)


def _reached(phase: Phase, washer: str = OURS, order: str = _UPSTREAM) -> Rig:
    """Return a watched rig in the middle of `phase`."""
    rig = Rig(filtered(washer, order))
    rig.watch = Watch(every=50)
    assert rig.start(_recipe(rig.plant)).accepted
    rig.until_phase(phase)
    if phase is Phase.INJECT:
        rig.until(is_injecting)
    rig.scans(5)
    return rig


def _run(rig: Rig) -> Run:
    assert rig.state.run is not None
    return rig.state.run


def _wash_ours(rig: Rig) -> int:
    """Let the filter clog until it is being washed, and come clean; return how long the output was on."""
    rig.filter_kpa = 60.0
    rig.until(lambda state: state.outputs.backwash, most=10)
    rig.filter_kpa = 10.0
    return _until_off(rig)


def _until_off(rig: Rig) -> int:
    before = rig.steps
    rig.until(lambda state: not state.outputs.backwash, most=100)
    return rig.steps - before


@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.INJECT, Phase.FLUSH])
def test_ours_begins_at_its_pressure_difference(phase: Phase) -> None:
    """Guards our backwash: it begins in any phase with proven flow, lasts its time, and comes once."""
    rig = _reached(phase)
    rig.scans(10)
    assert not rig.state.outputs.backwash
    assert _wash_ours(rig) == _BACKWASH_S
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and not rig.state.outputs.backwash
    assert rig.stock_l["a"] == pytest.approx(10.7, rel=0.02)
    assert len(rig.state.wash.ages_s) == 1


def test_ours_begins_after_its_water() -> None:
    """Guards our backwash by water: once for each 1.5 m3 that passed, whatever the pressure difference."""
    rig = Rig(filtered(OURS.replace("100.0", "1.5"), _UPSTREAM))
    rig.watch = Watch(every=50)
    assert rig.start(_recipe(rig.plant)).accepted
    rig.until(lambda state: state.outputs.backwash)
    assert rig.water_l == pytest.approx(1500.0, abs=40.0)
    _until_off(rig)
    washed_l = rig.water_l
    rig.until(lambda state: state.outputs.backwash)
    assert rig.water_l - washed_l == pytest.approx(1500.0, abs=60.0)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE


def test_ours_waits_for_the_injector_to_be_off() -> None:
    """Guards the order: injector off, its valve off, then the backwash; and after it a new intent before it opens."""
    rig = _reached(Phase.INJECT)
    rig.filter_kpa = 60.0
    seen: list[tuple[bool, bool, bool]] = []
    while not rig.state.outputs.backwash:
        outputs = rig.scan().outputs
        channel = outputs.channels.get("a")
        now = (channel is not None and channel.run, channel is not None and channel.valve, outputs.backwash)
        if not seen or seen[-1] != now:
            seen.append(now)
    assert seen == [(True, True, False), (False, True, False), (False, False, False), (False, False, True)]
    rig.filter_kpa = 10.0
    _until_off(rig)
    off = rig.steps
    rig.until(is_injecting)
    assert _RECOVER_S <= rig.steps - off <= _RECOVER_S + 4
    assert len(of_kind(rig.rows, InjectionIntent)) == 2
    assert _run(rig).phase_water_l < 1500.0, "the wash ran in the middle of INJECT"


def test_ours_waits_for_water() -> None:
    """Guards our backwash: a clogged filter is not washed while the pipes fill, nor while the flow is not proven."""
    rig = Rig(filtered(OURS, _UPSTREAM))
    assert rig.start(_recipe(rig.plant)).accepted
    rig.filter_kpa = 60.0
    while rig.scan().state.unit.phase is Phase.FILL:
        assert not rig.state.outputs.backwash
    rig = _reached(Phase.PREWET)
    rig.bad.add("flow")
    rig.filter_kpa = 60.0
    for _ in range(10):
        assert not rig.scan().outputs.backwash
    rig.bad.clear()
    rig.until(lambda state: state.outputs.backwash, most=5)


def test_a_filter_that_washes_itself_is_seen_by_its_contact() -> None:
    """Guards an autonomous filter: nothing of ours moves, and the injection pauses and comes back with a new intent."""
    rig = _reached(Phase.INJECT, CONTACT)
    rig.is_self_washing = True
    assert not is_injecting(rig.scan().state)
    for _ in range(_BACKWASH_S):
        assert not rig.scan().outputs.backwash and not is_injecting(rig.state)
    rig.is_self_washing = False
    off = rig.steps
    rig.until(is_injecting)
    assert _RECOVER_S <= rig.steps - off <= _RECOVER_S + 4
    rig.until_end()
    assert rig.stock_l["a"] == pytest.approx(10.7, rel=0.02)
    assert len(of_kind(rig.rows, InjectionIntent)) == 2


def _counted(rig: Rig) -> list[float]:
    """Return every litre that counts: to the phase, the run, the flush owed and the pipes."""
    run, lines = _run(rig), rig.state.lines
    moved_l = [pipe.way.line.delivered_l + pipe.water_l for pipe in lines.pipes.values()]
    return [run.phase_water_l, run.water_l, run.since_injected_l, *(owed.left_l for owed in lines.owed), *moved_l]


@pytest.mark.parametrize("washer", [OURS, CONTACT])
@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.FLUSH])
def test_behind_the_meter_backwash_water_displaces_nothing(phase: Phase, washer: str) -> None:
    """Guards rule 17: with the meter first no litre counts to phase, owed or pipes until the filter has recovered."""
    rig = _reached(phase, washer)
    if washer == OURS:
        rig.filter_kpa = 60.0
        rig.until(lambda state: state.outputs.backwash, most=5)
        rig.filter_kpa = 10.0
    else:
        rig.scan()
        rig.is_self_washing = True
    before, water_l = _counted(rig), rig.water_l
    for _ in range(_BACKWASH_S):
        rig.scan()
        assert _counted(rig) == before
    rig.is_self_washing = False
    for _ in range(_RECOVER_S - 1):
        rig.scan()
        assert _counted(rig) == before
    assert _run(rig).backwash_l == pytest.approx(rig.water_l - water_l, abs=30.0)
    rig.scans(4)
    assert _run(rig).phase_water_l > before[0]
    rig.until_end()
    assert [row.water_ml for row in of_kind(rig.rows, RunEnded)] == [pytest.approx(rig.water_l * 1000.0, abs=30_000)]
    assert rig.water_l >= _recipe(rig.plant).water_l + _run(rig).backwash_l


def test_a_rinse_between_channels_is_not_shortened_by_a_backwash() -> None:
    """Guards incompatible stocks: what the filter's drain took between them rinsed nothing."""
    recipe = night(every(), ("terrace", "flat"), 8.0, ("a", 8.0, 2.0), ("c", 3.0, 2.0), order="in_turn")
    rig = Rig(every())
    rig.watch = Watch(every=50)
    assert rig.start(recipe).accepted
    rig.until(is_injecting)
    rig.until(lambda state: not is_injecting(state))
    last_l = rig.water_l
    rig.filter_kpa = 70.0
    rig.until(lambda state: state.outputs.backwash, most=5)
    rig.filter_kpa = 10.0
    rig.until(is_injecting)
    assert _run(rig).backwash_l > 300.0
    assert rig.water_l - last_l >= recipe.channels[1].rinse_l + _run(rig).backwash_l - 1.0


@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.FLUSH])
def test_before_the_meter_every_litre_counts(phase: Phase) -> None:
    """Guards rule 17: with the filter first the meter sees only what goes to the field, and all of it counts."""
    rig = _reached(phase, CONTACT, _DOWNSTREAM)
    rig.is_self_washing = True
    before_l, water_l = _run(rig).phase_water_l, rig.water_l
    rig.scans(_BACKWASH_S)
    rig.is_self_washing = False
    assert _run(rig).phase_water_l - before_l == pytest.approx(rig.water_l - water_l, abs=10.0)
    rig.until_end()
    assert _run(rig).backwash_l == 0.0


def test_a_loaded_filter_is_washed_after_the_flush_has_cleared_its_body() -> None:
    """Guards rule 17: with the injection before the filter its wash waits for five volumes of clear water."""
    rig = _reached(Phase.INJECT, OURS, _LOADED)
    rig.filter_kpa = 60.0
    while rig.state.unit.phase is Phase.INJECT:
        assert not rig.scan().outputs.backwash
    assert len(of_kind(rig.rows, InjectionIntent)) == 1
    assert rig.stock_l["a"] == pytest.approx(10.7, rel=0.02)
    rig.until(lambda state: state.outputs.backwash)
    assert 5.0 * _BODY_L <= _run(rig).since_injected_l <= 5.0 * _BODY_L + 30.0
    rig.filter_kpa = 10.0
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE


def test_what_a_stopped_run_left_in_the_filter_does_not_go_to_the_drain() -> None:
    """Guards rule 17 across runs: the next run's first wash waits for five volumes too."""
    rig = _reached(Phase.INJECT, OURS, _LOADED)
    rig.scan(Verb.STOP_EVERYTHING)
    rig.until_end()
    rig.filter_kpa = 60.0
    assert rig.start(_recipe(rig.plant, "run-2")).accepted
    rig.until(lambda state: state.outputs.backwash)
    assert rig.state.unit.phase is Phase.PREWET
    assert _run(rig).phase_water_l >= 5.0 * _BODY_L


@pytest.mark.parametrize("order", [_UPSTREAM, _DOWNSTREAM])
def test_a_contact_that_cannot_be_read_does_not_say_that_the_filter_is_quiet(order: str) -> None:
    """Guards invariant 4: unknown is not quiet. No injection and no litres counted, and no wash counted either."""
    rig = _reached(Phase.INJECT, CONTACT, order)
    for _ in range(5):
        rig.bad.add("backwashing")
        before_l = _run(rig).phase_water_l
        assert not is_injecting(rig.scan().state)
        rig.scan()
        assert (_run(rig).phase_water_l == before_l) is (order == _UPSTREAM)
        rig.bad.clear()
        rig.until(is_injecting, most=20)
    assert rig.state.wash.ages_s == ()
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE
    assert not {"backwash-too-often", "backwash-too-long"} & {row.code for row in of_kind(rig.rows, AlarmRaised)}


def test_a_contact_lost_for_good_costs_fertiliser_and_no_water() -> None:
    """Guards losing fertiliser never loses water: the injection is given up, and the litres behind the filter go on."""
    rig = _reached(Phase.INJECT, CONTACT, _DOWNSTREAM)
    rig.bad.add("backwashing")
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and "paused-too-long" in _run(rig).given_up
    assert _run(rig).water_l >= _recipe(rig.plant).water_l


def test_ours_does_not_begin_while_the_contact_is_unknown() -> None:
    """Guards invariant 4: a clogged filter is washed only when it is known not to be washing already."""
    rig = _reached(Phase.PREWET, OURS + CONTACT)
    rig.bad.add("backwashing")
    rig.scan()
    rig.filter_kpa = 60.0
    for _ in range(20):
        assert not rig.scan().outputs.backwash
    rig.bad.clear()
    rig.until(lambda state: state.outputs.backwash, most=_RECOVER_S + 3)


def _stick(rig: Rig) -> None:
    rig.is_self_washing = True


def _wash_four_times(rig: Rig) -> None:
    for _ in range(4):
        assert rig.state.unit.procedure is ProcedureState.RUNNING
        rig.is_self_washing = True
        rig.scans(5)
        rig.is_self_washing = False
        rig.scans(15)


@pytest.mark.parametrize(
    ("code", "cause"), [("backwash-too-long", _stick), ("backwash-too-often", _wash_four_times)], ids=["long", "often"]
)
@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.INJECT])
def test_a_filter_that_never_comes_clean_stops_the_run(phase: Phase, code: str, cause: Callable[[Rig], None]) -> None:
    """Guards the bounds: a wash of thrice its time, or the fourth in half an hour, ends in a controlled stop."""
    rig = _reached(phase, CONTACT, _UPSTREAM)
    cause(rig)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.STOPPED
    assert code in _run(rig).end and code in rig.state.guard.active
    assert bool(rig.state.lines.owed) is (phase is Phase.INJECT)


@pytest.mark.parametrize("order", [_UPSTREAM, _DOWNSTREAM])
def test_little_flow_and_pressure_in_a_wash_are_no_trip(order: str) -> None:
    """Guards water: a wash may take most of both, for longer than either may be low; staying low behind it trips."""
    rig = _reached(Phase.PREWET, CONTACT, order)
    rig.is_self_washing, rig.pressure_kpa, rig.washed_m3_h = True, 100.0, 0.0
    rig.flow_m3_h["creek"] *= 0.2
    rig.scans(35)
    rig.is_self_washing = False
    rig.scans(_RECOVER_S - 1)
    assert rig.state.unit.procedure is ProcedureState.RUNNING
    assert not {"no-flow", "pressure-stays-low"} & rig.state.guard.active
    rig.until_end()
    assert "pressure-stays-low" in _run(rig).end


def test_ours_lasts_its_time_though_the_meter_behind_it_sees_too_little() -> None:
    """Guards our backwash before the meter: what it takes is no lost flow, or it would be cut short and come again."""
    rig = _reached(Phase.PREWET, OURS, _DOWNSTREAM)
    rig.watch = None  # it asks for proven flow throughout, which holds behind the meter
    rig.filter_kpa = 60.0
    rig.until(lambda state: state.outputs.backwash, most=5)
    rig.filter_kpa = 10.0
    rig.flow_m3_h["creek"] *= 0.2
    assert _until_off(rig) == _BACKWASH_S
    rig.flow_m3_h["creek"] /= 0.2
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and len(rig.state.wash.ages_s) == 1


def test_ours_is_cut_short_when_the_flow_before_it_is_lost() -> None:
    """Guards the pump: with the meter first, no flow in a wash is no water, and the output goes off in that scan."""
    rig = _reached(Phase.PREWET)
    rig.filter_kpa = 60.0
    rig.until(lambda state: state.outputs.backwash, most=5)
    rig.bad.add("flow")
    assert not rig.scan().outputs.backwash


def test_a_stop_ends_the_wash() -> None:
    """Guards invariant 11: with everything stopped the backwash valve is shut in that scan."""
    rig = _reached(Phase.PREWET)
    rig.filter_kpa = 60.0
    rig.until(lambda state: state.outputs.backwash, most=5)
    assert not rig.scan(Verb.STOP_EVERYTHING).outputs.backwash
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.STOPPED
