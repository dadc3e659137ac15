"""From which size on each row of the matrix holds: just short of it and just past it, all else as it should be."""

from collections.abc import Callable
from typing import Any, NamedTuple

import pytest

from daemon.control.backwash import Wash
from daemon.control.interlocks import BY_CODE, Situation
from daemon.control.run import ChannelRun, Run
from daemon.control.states import Phase, ProcedureState
from tests.daemon.control.plant import Rig, changed, reached, wide, wide_recipe
from tests.daemon.control.sites import CONTACT, OURS, filtered

_P = ProcedureState
Change = Callable[[Situation], Situation]


def _injecting() -> Situation:
    """Return what the guard looks at while the small plant injects, and the EC rises as it should."""
    return _situation(reached(Phase.INJECT))


def _of_two() -> Situation:
    """Return the same of the plant with two blocks and two channels."""
    rig = Rig(wide())
    assert rig.start(wide_recipe()).accepted
    rig.until_injecting()
    return _situation(rig)


def _with_filter() -> Situation:
    rig = reached(Phase.INJECT, plant=lambda: filtered(OURS + CONTACT, "meter filter injection"))
    return _situation(rig)


def _situation(rig: Rig) -> Situation:
    facts, state = rig.scan().facts, rig.state
    assert state.run is not None
    needed = tuple(sorted(facts.channels.items()))
    settled = state.run._replace(settled_kpa=300.0)
    return Situation(rig.plant.site, facts, state.unit, state.outputs, settled, state.wash, needed)


def _facts(**changes: Any) -> Change:
    return lambda s: s._replace(facts=s.facts._replace(**changes))


def _flow(share: float, kpa: float = 300.0) -> Change:
    """Return a flow of this share of the shift's own, at a pressure."""
    return lambda s: _facts(flow_m3_h=share * _run(s).recipe.flow_m3_h, pressure_kpa=kpa)(s)


def _run(s: Situation) -> Run:
    assert s.run is not None
    return s.run


def _of_run(**changes: Any) -> Change:
    return lambda s: s._replace(run=_run(s)._replace(**changes))


def _in(procedure: ProcedureState, **of_run: Any) -> Change:
    return lambda s: _of_run(**of_run)(s)._replace(unit=changed(s.unit, procedure=procedure))


def _channel(**changes: Any) -> Change:
    """Return channel a with some facts exchanged, among those that the run has still to inject with."""

    def change(s: Situation) -> Situation:
        channels = {**s.facts.channels, "a": s.facts.channels["a"]._replace(**changes)}
        return s._replace(facts=s.facts._replace(channels=channels), needed=tuple(sorted(channels.items())))

    return change


def _given(**changes: Any) -> Change:
    """Return the run with something exchanged of how far channel a has come."""
    return lambda s: _of_run(channels={**_run(s).channels, "a": _run(s).channels["a"]._replace(**changes)})(s)


def _injected(share: float) -> Change:
    return lambda s: _given(injected_l=share * _run(s).recipe.channels[0].stock_l)(s)


def _late(phase: Phase, times: float, kpa: float = 300.0) -> Change:
    """Return a phase that has lasted `times` one and a half times what its litres take, and a pause's time."""

    def change(s: Situation) -> Situation:
        recipe = _run(s).recipe
        litres = {
            Phase.PREWET: max(recipe.prewet_l, recipe.flush_l),
            Phase.INJECT: recipe.inject_l,
            Phase.FLUSH: max(recipe.flush_l, recipe.flush_most_l, recipe.water_l - 500.0 + 200.0),
        }[phase]
        most_s = 1.5 * litres * 3.6 / recipe.flow_m3_h + s.site.limits.pause_max_s
        run = _run(s)._replace(phase_s=times * most_s, water_l=500.0, phase_water_l=200.0)
        return _facts(pressure_kpa=kpa)(s._replace(run=run, unit=changed(s.unit, phase=phase)))

    return change


class _Edge(NamedTuple):
    """One threshold of a row."""

    code: str
    short: Change
    """Not quite."""
    past: Change
    of: Callable[[], Situation] = _injecting
    stays: Change | None = None
    """Where a row has a dead band: short of its threshold, and still in force."""


def _named(*changes: Change) -> Change:
    def change(s: Situation) -> Situation:
        for one in changes:
            s = one(s)
        return s

    return change


_EDGES = (
    _Edge("flow-out-of-band", _flow(1.195), _flow(1.205), stays=_flow(1.195)),
    _Edge("flow-out-of-band", _flow(0.805), _flow(0.795), stays=_flow(0.805)),
    _Edge("flow-out-of-band", _flow(1.185), _flow(1.205)),
    _Edge("flow-out-of-band", _flow(0.815), _flow(0.795)),
    _Edge("burst", _flow(1.25, 256.0), _flow(1.25, 254.0)),
    _Edge("burst", _flow(1.19, 200.0), _flow(1.21, 200.0)),
    _Edge("burst", _flow(1.49), _flow(1.51)),
    _Edge("valve-shut", _flow(0.86), _flow(0.84), of=_of_two),
    _Edge("valve-shut", _flow(0.6, 269.0), _flow(0.6, 271.0), of=_of_two),
    _Edge("valve-shut", _flow(0.6, 451.0), _flow(0.6, 449.0), of=_of_two),
    _Edge("valve-shut", _flow(0.2), _flow(0.5), of=_of_two),
    _Edge(
        "valve-shut",
        _named(_flow(0.6), lambda s: s._replace(last=changed(s.last, blocks=frozenset({"creek"})))),
        _flow(0.6),
        of=_of_two,
    ),
    _Edge("valve-shut", _named(_flow(0.6), lambda s: s._replace(main_owed_l=1.0)), _flow(0.6), of=_of_two),
    _Edge("valve-shut-loaded", _flow(0.6), _named(_flow(0.6), lambda s: s._replace(main_owed_l=1.0)), of=_of_two),
    _Edge("pressure-high", _facts(pressure_kpa=450.0), _facts(pressure_kpa=450.1)),
    _Edge("pressure-high", _facts(pressure_kpa=460.0, pressure_good=False), _facts(pressure_kpa=460.0)),
    _Edge("pressure-low", _facts(pressure_kpa=150.0), _facts(pressure_kpa=149.9), stays=_facts(pressure_kpa=157.0)),
    _Edge("pressure-low", _facts(pressure_kpa=157.6), _facts(pressure_kpa=149.9), stays=_facts(pressure_good=False)),
    _Edge(
        "pressure-stays-low", _facts(pressure_kpa=100.0, is_filter_quiet=False), _facts(pressure_kpa=100.0)
    ),
    _Edge("pump-not-running", _facts(pump_running=None), _facts(pump_running=False)),
    _Edge(
        "pump-not-running",
        lambda s: _facts(pump_running=False)(s)._replace(last=changed(s.last, pump=False)),
        _facts(pump_running=False),
    ),
    _Edge("water-count-still", _facts(water_stands=False), _facts(water_stands=True)),
    _Edge("backflow", _facts(reverse_flow=None), _facts(reverse_flow=True)),
    _Edge("tank-empty", _channel(content_l=40.0), _channel(content_l=39.9), stays=_channel(content_l=49.9)),
    _Edge("tank-empty", _channel(content_l=50.1), _channel(content_l=39.9)),
    _Edge("tank-level-bad", _channel(content_good=False, content_jumped=True), _channel(content_good=False)),
    _Edge("tank-falls", _channel(falls_l_h=0.0), _channel(falls_l_h=1.0)),
    _Edge("siphon", _channel(idle_l_h=5.0), _channel(idle_l_h=5.0 + 0.1)),
    _Edge("injector-silent", _channel(silent_s=9.9), _channel(silent_s=10.0)),
    _Edge("airlock", _given(silences=1), _given(silences=2)),
    _Edge("injector-rate", _channel(rate_off=0.1), _channel(rate_off=0.101), stays=_channel(rate_off=0.095)),
    _Edge("injector-rate", _channel(rate_off=-0.089), _channel(rate_off=-0.101), stays=_channel(rate_off=-0.091)),
    _Edge("injector-rate-far", _channel(rate_off=0.3), _channel(rate_off=0.301)),
    _Edge("dose-over-plan", _injected(1.1), _injected(1.1 + 1e-6)),
    _Edge("dose-at-cap", _injected(1.079), _injected(1.081)),
    _Edge("paused-too-long", _of_run(paused_s=40.0), _of_run(paused_s=40.1)),
    _Edge("held-too-long", _in(_P.HELD, held_s=60.0), _in(_P.HELD, held_s=60.1)),
    _Edge("held-too-long", _in(_P.RUNNING, held_s=60.1), _in(_P.RESTARTING, held_s=60.1)),
    _Edge("held-too-long", _in(_P.HELD, held_s=60.1, is_dry=True), _in(_P.HELD, held_s=60.1)),
    _Edge("held-dry-too-long", _in(_P.HELD, held_s=1800.0, is_dry=True), _in(_P.HELD, held_s=1800.1, is_dry=True)),
    _Edge("held-dry-too-long", _in(_P.HELD, held_s=1800.1), _in(_P.HOLDING, held_s=1800.1, is_dry=True)),
    _Edge("outputs-restarted-often", _of_run(restarts=2), _of_run(restarts=3)),
    _Edge("water-did-not-start", _named(_of_run(phase_s=120.0), _facts(pressure_kpa=100.0)),
          _named(_of_run(phase_s=120.1), _facts(pressure_kpa=100.0))),
    _Edge("water-did-not-start", _of_run(phase_s=121.0), _named(_of_run(phase_s=121.0), _facts(pressure_kpa=100.0))),
    _Edge("injection-too-long", _late(Phase.INJECT, 1.0), _late(Phase.INJECT, 1.001)),
    _Edge("shift-too-long", _late(Phase.PREWET, 1.0), _late(Phase.PREWET, 1.001)),
    _Edge("shift-too-long", _late(Phase.FLUSH, 1.0), _late(Phase.FLUSH, 1.001)),
    _Edge("shift-too-long", _late(Phase.FLUSH, 1.1, kpa=100.0), _late(Phase.FLUSH, 1.1)),
    _Edge("phase-too-long", _late(Phase.FLUSH, 1.1), _late(Phase.FLUSH, 1.1, kpa=100.0)),
    _Edge("flush-owed-long", lambda s: s._replace(owed_s=86_400.0), lambda s: s._replace(owed_s=86_400.1)),
    _Edge("outputs-differ", _facts(outputs_match=False, has_restarted=True), _facts(outputs_match=False)),
    _Edge("watchdog-unset", _facts(watchdog_armed=False, outputs_seen=False), _facts(watchdog_armed=False)),
    _Edge("record-late", _facts(commit_late_s=5.0), _facts(commit_late_s=5.1)),
    _Edge("record-late", _facts(), _facts(ledger_writable=False)),
    _Edge("backwash-too-long", lambda s: s._replace(wash=Wash(on_s=60.0)), lambda s: s._replace(wash=Wash(on_s=60.1)),
          of=_with_filter),
    _Edge("backwash-too-often", lambda s: s._replace(wash=Wash(ages_s=(9.0,) * 3)),
          lambda s: s._replace(wash=Wash(ages_s=(9.0,) * 4)), of=_with_filter),
    _Edge("filter-backwash", _facts(), lambda s: s._replace(wash=Wash(is_due=True)), of=_with_filter),
    _Edge("filter-backwash", _facts(), _facts(is_filter_quiet=False), of=_with_filter),
    _Edge("filter-blocked", _facts(filter_kpa=75.0), _facts(filter_kpa=75.1), of=_with_filter,
          stays=_facts(filter_kpa=60.1)),
    _Edge("filter-blocked", _facts(filter_kpa=60.0), _facts(filter_kpa=75.1), of=_with_filter),
)  # fmt: skip


@pytest.mark.parametrize("edge", _EDGES, ids=lambda edge: edge.code)
def test_a_row_holds_from_its_size_on(edge: _Edge) -> None:
    """Guards every threshold from both sides, and what keeps a row that is in force from chattering."""
    row, sound = BY_CODE[edge.code], edge.of()
    stays = row.stays or row.holds
    assert not row.holds(sound) and not stays(sound)
    assert not row.holds(edge.short(sound))
    assert row.holds(edge.past(sound)) and stays(edge.past(sound))
    if edge.stays is not None:
        assert row.stays is not None and row.stays(edge.stays(sound))
    else:
        assert not stays(edge.short(sound))


_EC = {"ec_seen_ms_cm": 0.15, "ec_rise_most_ms_cm": 2.0, "line_ec_most_ms_cm": 3.0}


def _line_ec(rise: float | None, line: float | None, before: float | None = 0.0, **recipe: float) -> Change:
    def change(s: Situation) -> Situation:
        run = _run(s)
        made = changed(run.recipe, **{**_EC, **recipe})
        run = run._replace(recipe=made, rise=run.rise._replace(before_ms_cm=before))
        return s._replace(run=run, facts=s.facts._replace(ec_rise_ms_cm=rise, line_ec_ms_cm=line))

    return change


@pytest.mark.parametrize(
    ("change", "holds", "stays"),
    [
        (_line_ec(1.0, 2.99), False, True),
        (_line_ec(1.0, 3.01), True, True),
        (_line_ec(1.0, 2.84), False, False),
        (_line_ec(2.01, 1.0), True, True),
        (_line_ec(1.91, 1.0), False, True),
        (_line_ec(1.89, 1.0), False, False),
        (_line_ec(2.31, 1.0, before=0.4), False, True),
        (_line_ec(2.41, 1.0, before=0.4), True, True),
        (_line_ec(2.01, 1.0, before=None), True, True),
        (_line_ec(2.01, None), False, False),
        (_line_ec(None, 2.5), False, False),
        (_line_ec(2.01, 2.5, ec_rise_most_ms_cm=0.0), False, False),
        (_line_ec(1.0, 3.5, line_ec_most_ms_cm=0.0), False, False),
        (_line_ec(2.01, 1.0, ec_seen_ms_cm=0.0), False, False),
        (_named(_line_ec(2.5, 3.5), _facts(flow_proven=False)), False, False),
    ],
)
def test_a_line_that_is_too_strong(change: Change, holds: bool, stays: bool) -> None:
    """Guards line-ec-high: over what a crop bears, or clearly over the plan; 5 % less ends it."""
    row, seen = BY_CODE["line-ec-high"], change(_injecting())
    assert row.stays is not None
    assert (row.holds(seen), row.stays(seen)) == (holds, stays)


@pytest.mark.parametrize(
    ("rise", "valve", "injected_l", "expected", "holds"),
    [
        (0.49, True, 2.0, 1.0, True),
        (0.51, True, 2.0, 1.0, False),
        (0.0, False, 2.0, 1.0, False),
        (0.0, True, 1.4, 1.0, False),
        (0.0, True, 1.6, 1.0, True),
        (0.0, True, 2.0, 0.14, False),
        (0.0, True, 2.0, 0.15, True),
        (None, True, 2.0, 1.0, False),
    ],
)
def test_a_line_that_does_not_rise(
    rise: float | None, valve: bool, injected_l: float, expected: float, holds: bool
) -> None:
    """Guards ec-not-rising: less than half of what the open channel makes, once its hose of 1.5 L is through."""
    s = _line_ec(rise, 1.0)(_injecting())
    run = _run(s)
    (plan,) = run.recipe.channels
    recipe = changed(run.recipe, channels=(changed(plan, hose_l=1.5, ec_rise_ms_cm=expected),))
    run = run._replace(recipe=recipe, channels={"a": ChannelRun(injected_l=injected_l)})
    last = s.last if valve else changed(s.last, channels={})
    assert BY_CODE["ec-not-rising"].holds(s._replace(run=run, last=last)) is holds
