"""The guard as a reducer by itself: delays, latches, resets by the hour, and the reset button to the scan."""

from typing import Any

import pytest

from daemon.control.guard import Guard, Verdict, guard
from daemon.control.interlocks import Situation
from daemon.control.states import Effect, Phase, Unit
from tests.daemon.control.plant import Rig, changed, reached, small, wide, wide_recipe


class _Shed:
    """A sound plant at rest, or another situation, judged scan by scan."""

    def __init__(self, situation: Situation | None = None) -> None:
        rig = Rig(small())
        self.sound = situation or Situation(rig.plant.site, rig.scan().facts, Unit(), rig.held, None)
        self.memory = Guard()

    def scan(self, *, operator: bool = False, technician: bool = False, **facts: Any) -> Verdict:
        situation = self.sound._replace(facts=self.sound.facts._replace(**{"reset_pressed": False, **facts}))
        self.memory, verdict = guard(self.memory, situation, operator, technician_reset=technician)
        return verdict


_HIGH: dict[str, Any] = {"pressure_kpa": 460.0, "pressure_good": True}
_WELL: dict[str, Any] = {"pressure_kpa": 0.0, "pressure_good": True}


def test_a_row_is_in_force_once_it_has_lasted() -> None:
    """Guards the delay of two seconds of pressure-high, by the scans' own time, and that a gap begins it anew."""
    shed = _Shed()
    assert shed.scan(**_HIGH).causes == ()
    assert shed.scan(**_WELL).causes == ()
    assert shed.scan(**_HIGH).causes == ()
    verdict = shed.scan(**_HIGH)
    assert verdict.causes == verdict.raised == ("pressure-high",) and verdict.effect is Effect.ZERO
    assert verdict.is_of_plant
    assert shed.scan(**_HIGH).raised == ()
    slow = _Shed()
    assert slow.scan(dt_s=2.0, **_HIGH).causes == ("pressure-high",)


def test_a_latch_waits_for_its_reset_with_the_cause_gone() -> None:
    """Guards invariant 3: not while it is true, not while it cannot be judged; and then it is told as cleared."""
    shed = _Shed()
    for _ in range(2):
        shed.scan(**_HIGH)
    assert shed.scan(operator=True, **_HIGH).causes == ("pressure-high",)
    assert shed.scan(operator=True, pressure_good=False).causes == ("pressure-high",)
    assert shed.scan(**_WELL).causes == ("pressure-high",)
    verdict = shed.scan(operator=True, **_WELL)
    assert verdict.causes == () and verdict.cleared == ("pressure-high",) and verdict.effect is Effect.NONE
    assert shed.memory.resets_s == {"pressure-high": (0.0,)}


@pytest.mark.parametrize(("age_s", "is_reset"), [(3597.0, False), (3599.0, True)])
def test_three_resets_within_an_hour_are_enough(age_s: float, is_reset: bool) -> None:
    """Guards rule 8 to the second: a reset is forgotten after an hour, and the verdict says who is needed."""
    shed = _Shed()
    ages = (1.0, 2.0, age_s)
    shed.memory = Guard(active=frozenset({"pressure-high"}), resets_s={"pressure-high": ages, "siphon": (3599.5,)})
    verdict = shed.scan(**_WELL)
    assert verdict.needs_technician == (frozenset() if is_reset else {"pressure-high"})
    assert "siphon" not in shed.memory.resets_s
    assert (shed.scan(operator=True, **_WELL).causes == ()) is is_reset


def test_a_technicians_reset_forgets_the_others() -> None:
    """Guards rule 8: it clears, and is not counted itself."""
    shed = _Shed()
    shed.memory = Guard(active=frozenset({"pressure-high"}), resets_s={"pressure-high": (1.0, 2.0, 3.0)})
    assert shed.scan(operator=True, technician=True, **_WELL).causes == ()
    assert shed.memory.resets_s == {}


@pytest.mark.parametrize(
    ("scans", "dt_s", "is_reset"), [(1, 1.0, False), (2, 1.0, True), (10, 1.0, True), (11, 1.0, False), (3, 0.5, True)]
)
def test_the_button_is_down_for_two_to_ten_seconds(scans: int, dt_s: float, is_reset: bool) -> None:
    """Guards rule 8: on release, after it was seen up, down and up."""
    shed = _Shed()
    shed.memory = Guard(active=frozenset({"emergency-stop"}))
    shed.scan()
    for _ in range(scans):
        assert "emergency-stop" in shed.scan(reset_pressed=True, dt_s=dt_s).causes
    assert (shed.scan().causes == ()) is is_reset


@pytest.mark.parametrize("lost", [None, True])
def test_a_button_that_was_not_seen_up_first_resets_nothing(lost: bool | None) -> None:
    """Guards rule 8: after a start, and after a reading that failed, the edge begins anew."""
    shed = _Shed()
    shed.memory = Guard(active=frozenset({"emergency-stop"}))
    shed.scan(reset_pressed=lost)
    for _ in range(3):
        shed.scan(reset_pressed=True)
    assert shed.scan().causes == ("emergency-stop",)
    shed.scan(reset_pressed=True)
    shed.scan(reset_pressed=None)
    shed.scan(reset_pressed=True)
    assert shed.scan().causes == ("emergency-stop",)


def test_what_was_true_while_the_button_was_down_is_not_reset_by_it() -> None:
    """Guards rule 8: the cause must be gone all the time that it is pressed."""
    shed = _Shed()
    shed.memory = Guard(active=frozenset({"emergency-stop"}))
    shed.scan()
    shed.scan(reset_pressed=True, emergency_stop_healthy=False)
    shed.scan(reset_pressed=True)
    assert shed.scan().causes == ("emergency-stop",)
    shed.scan(reset_pressed=True)
    shed.scan(reset_pressed=True)
    assert shed.scan().causes == ()


def test_a_button_resets_nothing_of_an_operators() -> None:
    """Guards who resets: the button is for the causes at the machine alone."""
    shed = _Shed()
    shed.memory = Guard(active=frozenset({"pressure-high"}))
    shed.scan(**_WELL)
    for _ in range(3):
        shed.scan(reset_pressed=True, **_WELL)
    assert shed.scan(**_WELL).causes == ("pressure-high",)


def test_a_cause_must_be_gone_for_its_time() -> None:
    """Guards the dead band in time: the selector's two scans, and that it comes back anew."""
    shed = _Shed()
    verdict = shed.scan(selector_auto=False)
    assert verdict.effect is Effect.RELEASE and not verdict.is_of_plant, "it ends no run"
    assert shed.scan().causes == ("selector-not-auto",)
    assert shed.scan().causes == ()
    shed.scan(selector_auto=False)
    shed.scan()
    shed.scan(selector_auto=False)
    assert shed.scan().causes == ("selector-not-auto",)


def test_a_dry_hold_ends_by_itself_only_if_all_its_causes_do() -> None:
    """Guards rule 7: with a hand at the machine and a module that restarted, a person must begin again."""
    shed = _Shed()
    assert shed.scan(has_restarted=True).resumes
    assert not shed.scan(has_restarted=True, selector_auto=False).resumes
    assert not _Shed().scan().resumes


def _of_two(name: str) -> Situation:
    """Return a run of both channels in INJECT, or of the named one alone."""
    rig = Rig(wide())
    assert rig.start(wide_recipe()).accepted
    rig.until_injecting()
    facts, run = rig.scan().facts, rig.state.run
    assert run is not None
    if name != "both":
        recipe = changed(run.recipe, channels=tuple(p for p in run.recipe.channels if p.channel == name))
        run = run._replace(recipe=recipe, channels={name: run.channels[name]})
    return Situation(rig.plant.site, facts, rig.state.unit, rig.state.outputs, run)


@pytest.mark.parametrize(("used", "effect"), [("both", Effect.PAUSE), ("a", Effect.NONE), ("b", Effect.PAUSE)])
def test_a_cause_about_one_channel_touches_the_runs_that_use_it(used: str, effect: Effect) -> None:
    """Guards rule 15: a silence of b is in force and shown, and does nothing to a run of a alone."""
    situation = _of_two(used)
    channels = situation.facts.channels
    silent = {**channels, "b": channels["b"]._replace(silent_s=60.0)}
    shed = _Shed(situation)
    verdict = shed.scan(channels=silent)
    assert verdict.causes == ("injector-silent",) and verdict.effect is effect
    assert shed.memory.about == {"injector-silent": {"b"}}
    assert shed.scan(channels=channels).causes == ("injector-silent",), "it rests for ten seconds"
    assert shed.memory.about == {"injector-silent": {"b"}}
    both = {name: channel._replace(silent_s=60.0) for name, channel in channels.items()}
    shed.scan(channels=both)
    assert shed.memory.about == {"injector-silent": {"a", "b"}}


def test_what_was_latched_before_this_start_is_about_the_whole_plant() -> None:
    """Guards recovery: a record does not say which channel it was, so no run is spared."""
    situation = _of_two("a")
    shed = _Shed(situation)
    shed.memory = Guard(active=frozenset({"airlock"}))
    assert shed.scan().effect is Effect.WATER_ONLY and shed.memory.about == {}


def test_a_phase_judges_its_own_rows() -> None:
    """Guards the phases: what is judged in INJECT alone is not true elsewhere, and a latch of it stays."""
    rig = reached(Phase.INJECT)
    facts = rig.scan().facts._replace(flow_proven=False)
    inject = Situation(rig.plant.site, facts, rig.state.unit, rig.held, rig.state.run)
    shed = _Shed(inject)
    assert "flow-not-proven" in shed.scan().causes
    shed.sound = inject._replace(unit=changed(rig.state.unit, phase=Phase.FLUSH))
    assert "flow-not-proven" not in shed.scan().causes
