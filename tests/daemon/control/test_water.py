"""Pump and valves as a reducer by themselves: run-down, starts, the overlap at a change of shift, a drive's speed."""

from typing import Any

import pytest

from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.sense import Facts
from daemon.control.water import Water, WaterWant, water
from daemon.site import Plant
from tests.daemon.control.plant import Rig, changed, small
from tests.daemon.control.sites import orchard, supplied

_NONE = frozenset[str]()
_CREEK, _HILL = frozenset({"creek"}), frozenset({"hill"})
_RESTED = Water(off_s=1e4)


def _facts(plant: Plant, **changes: Any) -> Facts:
    return Rig(plant).scan().facts._replace(**changes)


def _on(blocks: frozenset[str], *, pump: bool = True, **more: Any) -> Outputs:
    return changed(SAFE, pump=pump, blocks=blocks, **more)


def _step(
    memory: Water,
    blocks: frozenset[str],
    last: Outputs,
    *,
    plant: Plant | None = None,
    is_cut: bool = False,
    opened: frozenset[str] = _NONE,
    **facts: Any,
) -> tuple[Water, WaterWant]:
    plant = plant or small()
    return water(plant.site, memory, blocks, is_cut, _facts(plant, **facts), last, opened)


def test_the_pump_starts_behind_valves_that_have_travelled() -> None:
    """Guards the order: 8 s of travel, and not before all of them have been commanded open for it."""
    memory, want = _step(_RESTED, _CREEK, SAFE)
    assert want.blocks == _CREEK and not want.pump and memory.valves_s == 0.0
    memory, want = _step(memory._replace(valves_s=6.0), _CREEK, _on(_CREEK, pump=False))
    assert not want.pump and not want.are_open
    memory, want = _step(memory, _CREEK, _on(_CREEK, pump=False))
    assert want.pump and want.are_open and memory.starts_s == (0.0,)


@pytest.mark.parametrize(
    ("facts", "starts"),
    [
        ({}, True),
        ({"emergency_stop_healthy": None}, False),
        ({"selector_auto": None}, False),
        ({"outputs_seen": False}, False),
    ],
)
def test_nothing_starts_or_opens_blindly(facts: dict[str, Any], starts: bool) -> None:
    """Guards invariant 4: what is open stays so, what is off stays off."""
    _, want = _step(_RESTED._replace(valves_s=9.0), _CREEK, _on(_CREEK, pump=False), **facts)
    assert want.pump is starts and want.blocks == _CREEK
    _, want = _step(_RESTED, _CREEK, SAFE, **facts)
    assert want.blocks == (_CREEK if starts else _NONE)


@pytest.mark.parametrize(("off_s", "starts"), [(18.9, False), (19.0, True)])
def test_the_pump_rests_between_starts(off_s: float, starts: bool) -> None:
    """Guards rule 13: 20 s here, this scan's among them."""
    _, want = _step(Water(9.0, off_s), _CREEK, _on(_CREEK, pump=False))
    assert want.pump is starts


@pytest.mark.parametrize(
    ("ages_s", "starts"), [((10.0,) * 5, True), ((10.0,) * 6, False), ((10.0,) * 5 + (3599.0,), True)]
)
def test_the_pump_starts_six_times_an_hour_at_most(ages_s: tuple[float, ...], starts: bool) -> None:
    """Guards rule 13: a start is forgotten after an hour."""
    _, want = _step(Water(9.0, 1e4, ages_s), _CREEK, _on(_CREEK, pump=False))
    assert want.pump is starts


def test_a_hand_may_have_had_the_pump_on() -> None:
    """Guards the rest after Hand: it counts from the selector's return."""
    memory, _ = _step(_RESTED, _NONE, SAFE, selector_auto=False)
    assert memory.off_s == 0.0
    memory, _ = _step(memory, _NONE, SAFE)
    assert memory.off_s == 1.0


def test_a_pump_that_fell_with_the_module_rests_before_it_starts() -> None:
    """Guards a module that restarts within a scan: its pump is off now, and is not just switched on again."""
    _, want = _step(Water(9.0, 0.0), _CREEK, _on(_CREEK), has_restarted=True)
    assert not want.pump
    _, want = _step(Water(9.0, 0.0), _CREEK, _on(_CREEK))
    assert want.pump


def test_the_last_valves_stay_open_for_the_overlap() -> None:
    """Guards rule 14: the next have travelled and been open for the overlap before the last ones close."""
    plant = orchard()
    overlap_s = plant.site.limits.overlap_s
    travel_s = plant.site.block["hill"].travel_s
    last = _on(_CREEK | _HILL)
    memory, want = _step(Water(valves_s=travel_s + overlap_s - 1.5), _HILL, last, plant=plant)
    assert want.blocks == _CREEK | _HILL and want.pump
    _, want = _step(memory, _HILL, last, plant=plant)
    assert want.blocks == _HILL and want.pump
    _, want = _step(Water(), _HILL, _on(_CREEK, pump=False), plant=plant)
    assert want.blocks == _HILL, "with the pump off nothing is to be kept open"


def test_a_pump_that_runs_goes_on_against_what_is_open() -> None:
    """Guards a change of shift: the pump runs on while the next valves travel, as the last are open still."""
    plant = orchard()
    _, want = _step(Water(), _HILL, _on(_CREEK), plant=plant)
    assert want.pump and want.blocks == _CREEK | _HILL and not want.are_open
    _, want = _step(Water(), _HILL, _on(_NONE), plant=plant)
    assert not want.pump


def test_the_valves_close_once_the_pump_has_run_down() -> None:
    """Guards rule 4: 10 s after the pump, and at no time before it."""
    memory, want = _step(Water(valves_s=50.0), _NONE, _on(_CREEK))
    assert not want.pump and want.blocks == _CREEK and memory == Water()
    for second in range(1, 11):
        memory, want = _step(memory, _NONE, _on(_CREEK, pump=False))
        assert want.blocks == (_CREEK if second < 10 else _NONE)
    _, want = _step(Water(off_s=50.0), _NONE, _on(_CREEK))
    assert want.blocks == _CREEK, "it runs still"


def test_without_a_pump_there_is_nothing_to_run_down() -> None:
    """Guards a supply by gravity: the valves are the water."""
    _, want = _step(Water(), _NONE, _on(_CREEK, pump=False), plant=supplied("gravity"))
    assert want.blocks == _NONE


@pytest.mark.parametrize("left", [ChannelOutput(run=True, valve=True), ChannelOutput(valve=True)])
def test_the_pump_waits_until_the_injection_is_shut(left: ChannelOutput) -> None:
    """Guards the order of a stop: injector and intake valve first; unless all energy is taken at once."""
    last = _on(_CREEK, channels={"a": left})
    assert _step(Water(), _NONE, last)[1].pump
    assert not _step(Water(), _NONE, last, is_cut=True)[1].pump
    assert not _step(Water(), _NONE, _on(_CREEK, channels={"a": ChannelOutput()}))[1].pump
    assert not _step(Water(), _CREEK, last, is_cut=True)[1].pump
    assert not _step(Water(), _NONE, last, has_restarted=True)[1].pump


def test_valves_that_somebody_forces_open_stand_open_without_the_supply() -> None:
    """Guards forces: such a valve opens where all is read, stays where it is not, and closes with category ZERO."""
    assert _step(_RESTED, _NONE, SAFE, opened=_CREEK)[1].blocks == _CREEK
    assert _step(_RESTED, _NONE, SAFE, opened=_CREEK, outputs_seen=False)[1].blocks == _NONE
    assert _step(_RESTED, _NONE, _on(_CREEK, pump=False), opened=_CREEK, outputs_seen=False)[1].blocks == _CREEK
    assert _step(_RESTED, _NONE, _on(_CREEK, pump=False), opened=_CREEK, is_cut=True)[1].blocks == _NONE


def test_a_drive_ramps_up_and_holds_its_pressure() -> None:
    """Guards the speed: from its lowest up by its ramp of 20 s, slower as it comes near, within its bounds."""
    plant = supplied("drive")  # 300 kPa, lowest speed 0.3

    def speed(last_speed: float, kpa: float, **facts: Any) -> float:
        last = _on(_CREEK, pump_speed=last_speed)
        return _step(Water(9.0), _CREEK, last, plant=plant, pressure_kpa=kpa, pressure_good=True, **facts)[1].pump_speed

    assert speed(0.0, 0.0) == speed(0.0, 0.0, dt_s=10.0) == 0.3
    assert speed(0.9, 600.0) == pytest.approx(0.85), "down at its ramp at most"
    assert speed(0.3, 0.0) == pytest.approx(0.35), "at its ramp while the pressure is far off"
    assert speed(0.5, 150.0) == pytest.approx(0.55), "and down to half of it"
    assert speed(0.5, 225.0) == pytest.approx(0.525)
    assert speed(0.5, 225.0, dt_s=2.0) == pytest.approx(0.55), "twice as far in twice the time"
    assert speed(0.5, 300.0) == 0.5
    assert speed(0.5, 375.0) == pytest.approx(0.475)
    assert speed(0.31, 600.0) == 0.3 and speed(0.99, 0.0) == 1.0
    blind = _step(Water(9.0), _CREEK, _on(_CREEK, pump_speed=0.6), plant=plant, pressure_good=False)[1]
    assert blind.pump_speed == 0.6, "what it cannot see it does not chase"
    off = _step(Water(), _NONE, _on(_CREEK, pump_speed=0.6), plant=plant)[1]
    assert off.pump_speed == 0.0
    assert _step(Water(9.0), _CREEK, _on(_CREEK))[1].pump_speed == 0.0, "a pump of one speed"
