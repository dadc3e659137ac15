"""Every row of the matrix, provoked while injecting: what it takes away, what it leaves, and how it is reset."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest

from daemon.control.decide import State
from daemon.control.guard import Guard
from daemon.control.interlocks import BY_CODE, MATRIX, MOST_BACKWASHES, Interlock, Priority, Reset, Situation
from daemon.control.states import ACTIVE, Effect, Phase, ProcedureState
from daemon.evidence import AlarmCleared, AlarmRaised, RunEnded
from daemon.messages import Verb
from daemon.site import Plant
from tests.daemon.control.plant import (
    Rig,
    changed,
    is_injecting,
    of_kind,
    reached,
    short_recipe,
    small,
    wide,
    wide_recipe,
)
from tests.daemon.control.sites import CONTACT, OURS, filtered
from tests.daemon.control.spec import Watch, injectors

Change = Callable[[Rig], None]
_COMPLETE, _STOPPED, _ABORTED = ProcedureState.COMPLETE, ProcedureState.STOPPED, ProcedureState.ABORTED


@dataclass(frozen=True)
class Cause:
    """How to bring a row about and how to take it away again."""

    make: Change
    undo: Change
    within: int
    """Scans from the cause to the row being in force."""
    lasting: ProcedureState = _COMPLETE
    """How the run ends when the cause stays."""
    plant: Callable[[], Plant] = small


def _force(name: str, value: float, within: int = 1, lasting: ProcedureState = _COMPLETE) -> Cause:
    return Cause(lambda rig: rig.forced.update({name: value}), lambda rig: rig.forced.clear(), within, lasting)


def _bad(*names: str, within: int = 1, lasting: ProcedureState = _COMPLETE) -> Cause:
    return Cause(lambda rig: rig.bad.update(names), lambda rig: rig.bad.clear(), within, lasting)


def _flow(factor: float, within: int) -> Cause:
    def scale(rig: Rig, by: float) -> None:
        rig.flow_m3_h["creek"] *= by

    return Cause(lambda rig: scale(rig, factor), lambda rig: scale(rig, 1.0 / factor), within)


def _set(name: str, value: object, well: object, within: int, lasting: ProcedureState = _COMPLETE) -> Cause:
    return Cause(lambda rig: setattr(rig, name, value), lambda rig: setattr(rig, name, well), within, lasting)


def _empty(rig: Rig) -> None:
    rig.content_l["a"] = 30.0


def _refill(rig: Rig) -> None:
    rig.content_l["a"] = 800.0


def _siphon(rig: Rig) -> None:
    """Shut the injector by the selector's neighbour, the watchdog, and let stock flow through it."""
    rig.forced["watchdog"] = 0.0
    rig.siphon_l_h = 30.0


def _no_siphon(rig: Rig) -> None:
    rig.forced.clear()
    rig.siphon_l_h = 0.0


def _meter(rig: Rig, counts: float) -> None:
    """Let the meter show so much more, no faster than an injector with its stop gone could give it."""
    while counts > _MOST_COUNTS_A_SCAN:
        rig.stock_counts["a"] += _MOST_COUNTS_A_SCAN
        counts -= _MOST_COUNTS_A_SCAN
        rig.scan()
    rig.stock_counts["a"] += counts


def _overdose(rig: Rig) -> None:
    _meter(rig, 2.0 * short_recipe().channels[0].stock_l / 0.01)


def _reach_the_cap(rig: Rig) -> None:
    """Let through what is between the plan and the hard cap, and a hair more: less than over_dose_pct."""
    plan, run = short_recipe().channels[0], rig.state.run
    assert run is not None and plan.most_l is not None
    _meter(rig, (plan.most_l - run.injected_l) / 0.01 - 1.0)
    rig.scan()
    assert rig.state.run is not None
    rig.stock_counts["a"] += (1.005 * plan.most_l - rig.state.run.injected_l) / 0.01


def _long_hold(rig: Rig) -> None:
    rig.scan(Verb.HOLD)


def _filtered() -> Plant:
    """Return the small plant with a filter before the injection: ours to wash, and with a contact."""
    return filtered(OURS + CONTACT, "meter filter injection")


def _washes(is_washing: bool) -> Change:
    return lambda rig: setattr(rig, "is_self_washing", is_washing)


def _wash_and_wash(rig: Rig) -> None:
    """Let the filter wash itself three times, and begin a fourth time."""
    for is_washing in (True, False) * MOST_BACKWASHES:
        rig.is_self_washing = is_washing
        rig.scans(3)
    rig.is_self_washing = True


def _stutter(rig: Rig) -> None:
    """Pause the injection again and again, each time for less than it may be, until INJECT has nearly no time left."""
    while rig.state.run is not None and rig.state.run.phase_s < _STUTTERED_S:
        rig.bad.add("pressure")
        rig.scans(30)
        rig.bad.clear()
        rig.scans(3)
    rig.bad.add("pressure")


def _slip(factor: float, within: int) -> Cause:
    return Cause(lambda rig: setattr(rig, "slip", factor), lambda rig: setattr(rig, "slip", 1.0), within)


_MOST_COUNTS_A_SCAN = 100.0

CAUSES = {
    "emergency-stop": _force("emergency_stop", 0.0),
    "selector-not-auto": _force("selector", 0.0),
    "outputs-unseen": _bad("output.pump", lasting=_ABORTED),
    "outputs-lost": _bad("output.pump", "emergency_stop", "selector", within=6),
    "outputs-differ": _force("output.pump", 0.0, within=2),
    "watchdog-unset": _force("watchdog", 0.0),
    "pump-not-running": _force("pump_running", 0.0, within=10),
    "no-flow": _flow(0.2, within=30),
    "pressure-high": _set("pressure_kpa", 460.0, 300.0, within=2),
    "pressure-low": _set("pressure_kpa", 140.0, 300.0, within=1, lasting=_STOPPED),
    "pressure-stays-low": _set("pressure_kpa", 140.0, 300.0, within=10),
    "flow-not-proven": _bad("flow"),
    "flow-out-of-band": _flow(0.75, within=5),
    "water-count-bad": _bad("water", lasting=_STOPPED),
    "water-count-still": _set("is_counter_stuck", True, False, within=12, lasting=_STOPPED),
    "pressure-bad": _bad("pressure"),
    "injector-meter-bad": _bad("stock.a"),
    "injector-meter-leaps": Cause(lambda rig: rig.stock_counts.update(a=7.0), lambda rig: None, 1),
    "tank-level-bad": _bad("content.a"),
    "tank-level-jump": Cause(lambda rig: rig.content_l.update(a=500.0), lambda rig: None, 1),
    "tank-empty": Cause(_empty, _refill, 30),
    "airlock": Cause(lambda rig: rig.silent.add("a"), lambda rig: rig.silent.clear(), 50),
    "injector-rate": _slip(0.8, 100),
    "injector-rate-far": _slip(0.5, 100),
    "line-ec-high": _set("line_ec_ms_cm", 9.0, 0.4, 12),
    "ec-not-rising": _set("strength", 0.0, 1.0, 95),
    "burst": _flow(1.6, within=12),
    "reset-stuck": _force("reset", 1.0, within=11),
    "injector-silent": Cause(lambda rig: rig.silent.add("a"), lambda rig: rig.silent.clear(), 11),
    "siphon": Cause(_siphon, _no_siphon, 62, _STOPPED),
    "dose-over-plan": Cause(_overdose, lambda rig: None, 1),
    "dose-at-cap": Cause(_reach_the_cap, lambda rig: None, 1),
    "filter-backwash": Cause(_washes(True), _washes(False), 1, _STOPPED, _filtered),
    "backwash-too-long": Cause(_washes(True), _washes(False), 61, plant=_filtered),
    "backwash-too-often": Cause(_wash_and_wash, _washes(False), 1, plant=_filtered),
    "record-late": _set("is_writable", False, True, within=1),
    "paused-too-long": Cause(lambda rig: rig.bad.add("pressure"), lambda rig: rig.bad.clear(), 42),
    "held-too-long": Cause(_long_hold, lambda rig: None, 63),
    "injection-too-long": Cause(_stutter, lambda rig: rig.bad.clear(), 38),
}
"""How rows that are judged in INJECT come about here. Those of the other phases' time have tests of their own."""

_STUTTERED_S = 260.0


def _facts(**changes: Any) -> Callable[[Situation], Situation]:
    return lambda s: s._replace(facts=s.facts._replace(**changes))


def _of_run(procedure: ProcedureState, **changes: Any) -> Callable[[Situation], Situation]:
    def change(s: Situation) -> Situation:
        assert s.run is not None
        return s._replace(run=s.run._replace(**changes), unit=changed(s.unit, procedure=procedure))

    return change


def _half_dry(loaded_l: float) -> Callable[[Situation], Situation]:
    """Return what lets one of two blocks take nothing."""

    def change(s: Situation) -> Situation:
        assert s.run is not None
        halved = s.facts._replace(flow_m3_h=0.5 * s.run.recipe.flow_m3_h)
        return s._replace(facts=halved, main_owed_l=loaded_l)

    return change


SEEN: dict[str, Callable[[Situation], Situation]] = {
    "outputs-restarted": _facts(has_restarted=True),
    "outputs-restarted-often": _of_run(ProcedureState.HELD, restarts=3),
    "outputs-frozen": _facts(is_frozen=True),
    "watchdog-self-clears": _facts(watchdog_self_clears=True),
    "clock-not-trusted": _facts(is_clock_trusted=False),
    "flow-while-off": _facts(idle_m3_h=5.0),
    "backflow": _facts(reverse_flow=True),
    "pump-still-running": lambda s: s._replace(last=changed(s.last, pump=False)),
    "held-dry-too-long": _of_run(ProcedureState.HELD, is_dry=True, held_s=1801.0),
    "flush-owed-long": lambda s: s._replace(owed_s=86_401.0),
    "valve-shut-loaded": _half_dry(100.0),
    "valve-shut": _half_dry(0.0),
    "filter-blocked": _facts(filter_kpa=90.0),
}
"""Rows that the small plant alone does not show: what a sound situation in INJECT must become for them to hold."""
_AT_A_START = frozenset({"memory-lost", "unclean-boots"})
"""What recovery raises."""

_WATER_GOES_ON = [row.code for row in MATRIX if row.effect in (Effect.PAUSE, Effect.WATER_ONLY) and row.code in CAUSES]
_ENDS = [row.code for row in MATRIX if row.effect >= Effect.ONE and row.code in CAUSES]
_EXPLAINED = 15


def _provoked(code: str) -> tuple[Rig, Cause]:
    """Return a rig in which the cause has just come into force while injecting, under watch."""
    cause = CAUSES[code]
    rig = reached(Phase.INJECT, Watch(every=10_000), cause.plant)
    cause.make(rig)
    for _ in range(cause.within + 1):
        if code in rig.scan().verdict.causes:
            return rig, cause
    raise AssertionError(f"{code} did not come into force in {cause.within} scans: {rig.state.guard}")


def test_every_row_has_its_cause_here() -> None:
    """Guards these tests: a new row must be provoked, or named as one that INJECT never sees."""
    judged = {row.code for row in MATRIX if Phase.INJECT in row.phases}
    assert {*CAUSES, *SEEN, *_AT_A_START, "weather"} == judged  # test_weather has that one
    of_other_times = {"phase-too-long", "shift-too-long", "water-did-not-start", "tank-falls"}
    assert {row.code for row in MATRIX} - judged == of_other_times


def test_every_row_says_what_it_means_and_what_to_look_at() -> None:
    """Guards teaching errors: each row has a meaning, a first check, one code, and a reset that its latch needs."""
    assert len(BY_CODE) == len(MATRIX)
    for row in MATRIX:
        assert len(row.meaning) > _EXPLAINED and row.meaning.endswith(".")
        assert len(row.check) > _EXPLAINED and row.check[-1] in ".?"
        assert row.latched == (row.reset is not Reset.ITSELF)
        assert row.effect is not Effect.NONE or row.priority > Priority.NONE, "what does nothing says something"
        assert row.magnitude and row.likely.endswith(".")
        assert row.wakes is (row.priority is Priority.CRITICAL)


@pytest.mark.parametrize("code", SEEN)
def test_a_row_sees_its_fact(code: str) -> None:
    """Guards the conditions: none of these holds while all is well, and each does once its fact is so."""
    plant = wide() if code.startswith("valve-shut") else _filtered() if code == "filter-blocked" else small()
    rig = Rig(plant)
    assert rig.start(wide_recipe() if plant is wide() else short_recipe()).accepted
    rig.until_injecting(40)
    decision = rig.scan()
    run = decision.state.run
    assert run is not None
    sound = Situation(plant.site, decision.facts, decision.state.unit, decision.state.outputs, run)
    row = BY_CODE[code]
    assert not row.holds(sound)
    assert row.holds(SEEN[code](sound))


@pytest.mark.parametrize("code", _WATER_GOES_ON)
def test_losing_fertiliser_never_loses_water(code: str) -> None:
    """Guards the design's word: the injector goes off in that scan, and water and flush are carried through."""
    rig, cause = _provoked(code)
    assert not injectors(rig.state.outputs)
    assert rig.state.outputs.pump and rig.state.outputs.blocks == {"creek"}
    assert rig.state.unit.procedure is ProcedureState.RUNNING or code == "held-too-long"
    assert code in {row.code for row in of_kind(rig.rows, AlarmRaised)}
    rig.scans(2)
    cause.undo(rig)
    rig.until_end()
    run = rig.state.run
    assert run is not None
    assert rig.state.unit.procedure is _COMPLETE
    assert run.water_l >= short_recipe().water_l and not rig.state.lines.owed
    is_over = BY_CODE[code].effect is Effect.WATER_ONLY
    assert run.injection_over
    assert bool(run.given_up) is is_over or code.startswith("dose-")  # which have their whole plan in
    if not is_over:
        assert run.injected_l == pytest.approx(short_recipe().channels[0].stock_l, rel=0.015)


@pytest.mark.parametrize("code", _WATER_GOES_ON)
def test_a_cause_that_stays_never_leaves_the_run_hanging(code: str) -> None:
    """Guards bounded time: with the cause there to the end the run ends by itself; water is lost only where it must."""
    rig, cause = _provoked(code)
    given_l = rig.stock_l["a"]
    rig.until_end()
    assert rig.state.unit.procedure is cause.lasting
    if cause.lasting is _COMPLETE:
        assert rig.water_l >= short_recipe().water_l
    else:
        assert rig.state.lines.owed, "stopped with stock in the pipes, and nothing owed"
    if code not in ("siphon", "tank-level-jump", "injector-meter-leaps"):  # what is steady is believed again
        assert rig.stock_l["a"] == given_l


@pytest.mark.parametrize("code", _ENDS)
def test_a_cause_that_ends_the_run_ends_it_in_order_with_its_flush_owed(code: str) -> None:
    """Guards stop categories ZERO and ONE: injector off in this scan, the rest in its order, the whole flush owed."""
    rig, _ = _provoked(code)
    row = BY_CODE[code]
    assert not injectors(rig.state.outputs)
    if row.effect is Effect.ZERO:
        assert rig.state.unit.procedure in (ProcedureState.ABORTING, ProcedureState.ABORTED)
        assert not rig.state.outputs.pump and rig.state.outputs.channels == {}
        at_once = code in ("emergency-stop", "selector-not-auto")
        assert rig.state.outputs.blocks == (frozenset() if at_once else {"creek"})
    else:
        assert rig.state.unit.procedure is ProcedureState.STOPPING
    rig.until_end()
    assert rig.state.unit.procedure is (_ABORTED if row.effect is Effect.ZERO else _STOPPED)
    assert {(item.segment, item.run) for item in rig.state.lines.owed} == {("creek", "run-1"), ("main", "run-1")}
    ended = of_kind(rig.rows, RunEnded)
    assert [code in end.why for end in ended] == [True]
    assert ended[0].outcome == "SHORT"


@pytest.mark.parametrize("row", [row for row in MATRIX if row.latched], ids=lambda row: row.code)
def test_a_latch_goes_only_by_its_own_reset(row: Interlock) -> None:
    """Guards invariant 3: the cause gone clears no latch; the operator clears his, no command one at the machine."""
    rig = Rig(small())
    rig.watch = Watch(every=10_000)
    rig.state = _with_latch(rig, row.code)
    rig.scans(5)
    assert rig.state.guard.active == {row.code}
    answer = rig.scan(Verb.RESET).answers[0]
    if row.reset is Reset.OPERATOR:
        assert answer.accepted and not rig.state.guard.active
        assert of_kind(rig.rows, AlarmCleared) == [AlarmCleared(row.code)]
        return
    assert not answer.accepted and row.meaning in answer.reason and "at the machine" in answer.reason
    is_harmless = row.effect <= Effect.WATER_ONLY
    started = rig.start(short_recipe())
    assert started.accepted is is_harmless and row.meaning in started.reason
    assert row.code in rig.state.guard.active
    rig.press_reset()
    assert not rig.state.guard.active
    assert (rig.state.unit.procedure in ACTIVE) is is_harmless, "a reset starts nothing"


def _with_latch(rig: Rig, code: str) -> State:
    return changed(rig.state, guard=Guard(active=frozenset({code})))


@pytest.mark.parametrize(
    ("pressed_scans", "dt_s", "accepted"),
    [(1, 1.0, False), (2, 1.0, True), (10, 1.0, True), (11, 1.0, False), (30, 1.0, False), (7, 0.2, False)],
)
def test_the_reset_button_counts_when_held_for_two_to_ten_seconds(
    pressed_scans: int, dt_s: float, accepted: bool
) -> None:
    """Guards the reset's edge: a touch, a bounce and a stuck button reset nothing."""
    rig = _tripped()
    rig.scan(dt_s=dt_s)
    rig.forced["reset"] = 1.0
    rig.scans(pressed_scans, dt_s=dt_s)
    assert rig.state.guard.active - {"reset-stuck"} == {"emergency-stop"}
    del rig.forced["reset"]
    rig.scan(dt_s=dt_s)
    assert (rig.state.guard.active == frozenset()) is accepted


@pytest.mark.parametrize("when", ["from the first scan", "in the middle", "with the stop pressed", "blind"])
def test_the_reset_button_counts_only_from_a_good_low_with_the_cause_gone(when: str) -> None:
    """Guards the reset's edge: no low before it, a BAD in it, the cause still there or unknown: nothing is reset."""
    rig = _tripped()
    if when == "from the first scan":
        rig.bad.add("reset")
        rig.scan()
        rig.bad.clear()
    else:
        rig.scan()
    if when == "with the stop pressed":
        rig.forced["emergency_stop"] = 0.0
    if when == "blind":
        rig.bad.add("emergency_stop")
    rig.forced["reset"] = 1.0
    rig.scans(2)
    if when == "in the middle":
        rig.bad.add("reset")
        rig.scan()
        rig.bad.clear()
        rig.scan()
    del rig.forced["reset"]
    rig.scan()
    assert "emergency-stop" in rig.state.guard.active


@pytest.mark.parametrize(
    ("code", "name"),
    [("emergency-stop", "emergency_stop"), ("outputs-differ", "output.pump"), ("pressure-high", "pressure")],
)
def test_a_cause_that_cannot_be_seen_is_not_gone(code: str, name: str) -> None:
    """Guards invariant 4: a reading gone BAD or stale clears no latch, whoever resets it."""
    for lost in ("bad", "stale"):
        rig = Rig(small())
        rig.state = _with_latch(rig, code)
        if lost == "bad":
            rig.bad.add(name)
        else:
            rig.stale_s[name] = 7.0
        assert not rig.scan(Verb.RESET).answers[0].accepted
        rig.press_reset()
        assert code in rig.state.guard.active


def test_a_siphon_that_cannot_be_seen_is_not_gone() -> None:
    """Guards invariant 4 for the siphon: with its meter BAD the button at the machine clears nothing."""
    rig = Rig(small())
    rig.state = _with_latch(rig, "siphon")
    rig.bad.add("stock.a")
    rig.press_reset()
    assert "siphon" in rig.state.guard.active
    rig.bad.clear()
    rig.press_reset()
    assert "siphon" not in rig.state.guard.active


def _tripped() -> Rig:
    """Return a rig that was stopped by the emergency stop, which is healthy again."""
    rig = Rig(small())
    rig.watch = Watch(every=10_000)
    rig.forced["emergency_stop"] = 0.0
    rig.scan()
    rig.forced.clear()
    rig.scan()
    return rig


@pytest.mark.parametrize("phase", [Phase.FILL, Phase.PREWET, Phase.FLUSH])
def test_a_phase_whose_litres_do_not_come_ends_the_run(phase: Phase) -> None:
    """Guards phases bounded by time: with the totaliser standing still each phase ends in a controlled stop."""
    rig = reached(phase, Watch(every=10_000))
    if phase is Phase.FILL:
        rig.pressure_kpa = 100.0
    else:
        rig.forced["water"] = 10.0 * int(rig.water_counts)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.STOPPED
    assert ("water-did-not-start" if phase is Phase.FILL else "phase-too-long") in rig.state.guard.active
    assert bool(rig.state.lines.owed) is (phase is Phase.FLUSH)


def test_pauses_add_up_to_nothing_when_each_is_short() -> None:
    """Guards PAUSE: the injection comes back by itself, with a new intent each time, and the dose is whole."""
    rig = reached(Phase.INJECT)
    for _ in range(3):
        rig.bad.add("pressure")
        rig.scans(10)
        rig.bad.clear()
        rig.until(is_injecting, most=10)
    rig.until_end()
    assert rig.kinds()["InjectionIntent"] == 4
    assert rig.stock_l["a"] == pytest.approx(short_recipe().channels[0].stock_l, rel=0.02)


def test_idle_channels_do_not_disturb_a_run() -> None:
    """Guards losing no more than must be: an empty tank or a dead meter of a channel not in the run is no cause."""
    recipe = wide_recipe()
    rig = Rig(wide())
    rig.content_l["b"] = 10.0
    rig.bad.update({"stock.b"})
    assert rig.start(changed(recipe, channels=recipe.channels[:1])).accepted
    rig.until_injecting(30)
    assert rig.state.outputs.channels["a"].run
    rig.until_end()
    assert rig.stock_l["a"] == pytest.approx(recipe.channels[0].stock_l, rel=0.01)
