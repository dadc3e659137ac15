"""Other supplies than a fixed pump behind a flow meter: gravity, a pump on a drive, pulses alone; and no EC probes."""

import itertools
import math

import pytest

from daemon.control.decide import Decision
from daemon.control.image import SAFE, Image, Now
from daemon.control.requests import Request
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import AlarmRaised, RunEnded
from daemon.messages import Verb
from daemon.recipe import Recipe
from tests.daemon.control.plant import SMALL, Rig, is_injecting, make_plant, of_kind, site_text
from tests.daemon.control.sites import night, supplied
from tests.daemon.control.spec import Watch

_COARSE = {
    **SMALL,
    "per_count = 10.0": "per_count = 36.0",
    "min_flow_m3_h = 15.0": "min_flow_m3_h = 26.0",
    "flow = { point": "# { point",
}
"""Pulses 5 s apart at the least flow, the furthest that a site file may have, and 3.8 s at the shift's."""


def _begun(supply: str) -> Rig:
    rig = Rig(supplied(supply))
    rig.watch = Watch(every=50)
    assert rig.start(_recipe(rig)).accepted
    return rig


def _recipe(rig: Rig, run: str = "run-1") -> Recipe:
    return night(rig.plant, ("creek",), 4.0, ("a", 10.7, 1.5), run=run)


@pytest.mark.parametrize("supply", ["gravity", "drive", "pulses", "no ec"])
def test_a_whole_night(supply: str) -> None:
    """Guards every supply: all phases, the planned stock and water, nothing owed and everything off at the end."""
    rig = _begun(supply)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and rig.state.outputs == SAFE
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]
    assert rig.stock_l["a"] == pytest.approx(10.7, rel=0.015)
    assert rig.water_l >= _recipe(rig).water_l and not rig.state.lines.owed
    assert not of_kind(rig.rows, AlarmRaised)


def test_by_gravity_two_shifts_follow_each_other() -> None:
    """Guards the change of shift without a pump: the same block's valve stays open, and water is counted once."""
    rig = Rig(supplied("gravity"))
    rig.watch = Watch(every=50)
    assert rig.start(_recipe(rig), _recipe(rig, "run-2")).accepted
    rig.until(lambda state: not state.queue)
    assert rig.state.outputs.blocks == {"creek"}
    rig.until_end()
    rows = of_kind(rig.rows, RunEnded)
    assert [row.outcome for row in rows] == ["DELIVERED", "DELIVERED"]
    assert sum(row.water_ml for row in rows) / 1000.0 == pytest.approx(rig.water_l, abs=20.0)


@pytest.mark.parametrize("cause", ["emergency", "pressure", "stop"])
def test_by_gravity_the_valves_are_what_a_stop_has(cause: str) -> None:
    """Guards stops without a pump: the injector goes in this scan, and the valve at once or in the scan after it."""
    rig = _begun("gravity")
    rig.until_injecting()
    if cause == "emergency":
        rig.forced["emergency_stop"] = 0.0
        assert rig.scan().outputs == SAFE
    elif cause == "pressure":
        rig.pressure_kpa = 460.0
        rig.until(lambda state: "pressure-high" in state.guard.active, most=3)
        assert not is_injecting(rig.state)
        assert rig.scans(2).outputs == SAFE
    else:
        assert not is_injecting(rig.scan(Verb.STOP_EVERYTHING).state)
        assert rig.scans(4).outputs == SAFE
    rig.until_end()
    assert rig.state.lines.owed


class _Shed:
    """The pressure that a pump on a drive gives, at its speed; it keeps every speed."""

    def __init__(self) -> None:
        self.most_kpa = 420.0
        self.speeds: list[float] = []
        self._watch = Watch(every=50)

    def __call__(self, rig: Rig, image: Image, decision: Decision, requests: tuple[Request, ...], now: Now) -> None:
        self._watch(rig, image, decision, requests, now)
        self.speeds.append(decision.outputs.pump_speed)
        rig.pressure_kpa = self.most_kpa * decision.outputs.pump_speed**2
        assert (decision.outputs.pump_speed > 0.0) is decision.outputs.pump


def _driven() -> tuple[Rig, _Shed]:
    rig, shed = Rig(supplied("drive")), _Shed()
    rig.watch = shed
    assert rig.start(_recipe(rig)).accepted
    return rig, shed


def test_a_drive_comes_up_its_ramp_and_holds_its_pressure() -> None:
    """Guards a pump on a drive: up from the lowest speed by its ramp, to its pressure, and to 0 at the end."""
    rig, shed = _driven()
    rig.until_phase(Phase.PREWET)
    rig.scans(40)
    running = [speed for speed in shed.speeds if speed]
    assert running[0] == 0.3
    assert max(b - a for a, b in itertools.pairwise(running)) <= 1.0 / 20.0 + 1e-9
    assert rig.pressure_kpa == pytest.approx(300.0, rel=0.01)
    assert running[-1] == pytest.approx(math.sqrt(300.0 / 420.0), rel=0.01)
    for most_kpa in (360.0, 500.0):  # the well draws down; a block closes
        shed.most_kpa = most_kpa
        rig.scans(60)
        assert rig.pressure_kpa == pytest.approx(300.0, rel=0.01)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE and rig.state.outputs.pump_speed == 0.0


def test_a_drive_stays_within_its_speeds() -> None:
    """Guards a pump on a drive: whatever the pressure, between its lowest and full speed."""
    rig, shed = _driven()
    rig.until_phase(Phase.PREWET)
    shed.most_kpa = 250.0
    rig.scans(60)
    assert shed.speeds[-1] == 1.0
    shed.most_kpa = 5000.0
    rig.scans(3)
    assert min(speed for speed in shed.speeds if speed) == 0.3


@pytest.mark.parametrize("lost", ["bad", "stale"])
def test_a_drive_holds_its_speed_while_the_pressure_is_not_known(lost: str) -> None:
    """Guards invariant 4 for the drive: it neither runs up nor down blindly, and a stop takes it to 0 at once."""
    rig, shed = _driven()
    rig.until_injecting()
    speed = shed.speeds[-1]
    if lost == "bad":
        rig.bad.add("pressure")
    else:
        rig.stale_s["pressure"] = 10.0
    shed.most_kpa = 300.0
    rig.scans(20)
    assert set(shed.speeds[-20:]) == {speed} and not is_injecting(rig.state)
    rig.bad.clear()
    rig.stale_s.clear()
    rig.scans(60)
    assert rig.pressure_kpa == pytest.approx(300.0, rel=0.02)
    rig.forced["emergency_stop"] = 0.0
    assert rig.scan().outputs.pump_speed == 0.0


def _coarse() -> Rig:
    rig = Rig(make_plant(site_text(_COARSE)))
    rig.watch = Watch(every=50)
    assert rig.start(_recipe(rig)).accepted
    return rig


@pytest.mark.parametrize("coarse", [False, True])
def test_pulses_prove_the_flow_in_time(coarse: bool) -> None:
    """Guards a site without a flow signal: proven soon after the pump starts, steadily, and as much as really flows."""
    rig = _coarse() if coarse else _begun("pulses")
    rig.until(lambda state: state.outputs.pump)
    for _ in range(25):
        decision = rig.scan()
    assert decision.facts.flow_proven
    rig.until_phase(Phase.INJECT)
    while rig.state.unit.phase is Phase.INJECT:
        facts = rig.scan().facts
        assert facts.flow_proven and facts.flow_m3_h == pytest.approx(33.92, rel=0.12)
    rig.until_end()
    assert rig.state.unit.procedure is ProcedureState.COMPLETE
    assert rig.stock_l["a"] == pytest.approx(10.7, rel=0.015)
    assert rig.kinds()["InjectionIntent"] == 1


@pytest.mark.parametrize("coarse", [False, True])
def test_lost_flow_is_seen_within_a_few_pulses(coarse: bool) -> None:
    """Guards invariant 1 by pulses: when they stop, the injector is off in two intervals of the least flow at most."""
    rig = _coarse() if coarse else _begun("pulses")
    rig.until_injecting()
    rig.flow_m3_h["creek"], rig.forced["pressure"] = 0.0, 300.0  # a pump against a shut valve keeps its pressure
    lost = rig.steps
    rig.until(lambda state: not is_injecting(state), most=20)
    main = rig.plant.site.main
    assert rig.steps - lost <= 2.0 * (main.water.per_count or 1.0) * 3.6 / main.min_flow_m3_h + 1.0
    rig.until_end()
    assert "no-flow" in rig.state.guard.active


@pytest.mark.parametrize("coarse", [False, True])
def test_a_flow_that_changed_is_seen_by_its_pulses(coarse: bool) -> None:
    """Guards the flow band by pulses: a third less is not this shift's flow, within half a minute."""
    rig = _coarse() if coarse else _begun("pulses")
    rig.until_injecting()
    rig.flow_m3_h["creek"] *= 0.67
    rig.until(lambda state: {"flow-out-of-band", "flow-not-proven"} & state.guard.active != set(), most=30)
    assert not is_injecting(rig.state)


def test_pulses_that_were_missed_are_not_a_burst() -> None:
    """Guards pulses over a gap: what a totaliser counted while it was not read came in all of that time."""
    rig = _begun("pulses")
    rig.until_injecting()
    rig.bad.add("water")
    rig.scans(8)
    rig.bad.clear()
    for _ in range(15):
        assert rig.scan().facts.flow_m3_h == pytest.approx(33.92, rel=0.1)
    assert is_injecting(rig.state)
    assert "flow-out-of-band" not in {row.code for row in of_kind(rig.rows, AlarmRaised)}
