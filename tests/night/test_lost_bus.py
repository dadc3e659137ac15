"""A bus that is lost while stock is injected, by every wire fault, and does not come back before the run has ended.

Invariant 1 where the bus of a sensor is lost: the injector is off within two scans. Where its own module's bus is lost
nobody can switch it off but the module's time-out, which must; and the run comes to a lawful end with everything off.
"""

import math
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import pytest
import uvloop

from daemon.control.states import ENDED
from sim.wire_faults import WIRE_FAULTS
from tests.night.spoilt import ANY, WRITE_COILS, SpoiltPlant, is_active, is_injecting, spoilt_plant

pytestmark = pytest.mark.plant

_SITE = {
    "pipes = [{ length_m = 420.0": "pipes = [{ length_m = 10.0",
    "submain = { length_m = 150.0": "submain = { length_m = 5.0",
    "lateral = { length_m = 100.0": "lateral = { length_m = 1.0",
    "min_off_s = 300.0": "min_off_s = 3.0",
    "max_starts_per_hour = 6": "max_starts_per_hour = 600",
    "run_down_s = 10.0": "run_down_s = 3.0",
    "travel_s = 8.0": "travel_s = 3.0",
    "settle_s = 20.0": "settle_s = 4.0",
    "pause_max_s = 300.0": "pause_max_s = 5.0",
    "flush_factor = 1.5": "flush_factor = 1.0",
}
_DECISIONS = {
    "dose_kg_ha = 3.0": "dose_kg_ha = 0.02",
    "water_m3 = 84.0": "water_m3 = 0.9",
    "inject_m3 = 42.0": "inject_m3 = 0.2",
}
_WATCHDOG_S = 5.0
"""The relay module's own time-out, as the simulator has it."""
_SCAN_S = 1.1
"""And the simulator's step."""
_LATEST_S = 12.0
"""After it was commanded off: a run may be over before the module's own time-out has switched everything off."""
_TURN = 2
"""Begins with a form that loses the reply: late by two time-outs, a drip too slow, a connection half open."""
_LONGEST = 400
_FOUND_AGAIN = 12
"""Scans after which every link has tried again: the longest pause is ten seconds."""
_REACHING = tuple(name for name, fault in WIRE_FAULTS.items() if not fault.keeps_back(_TURN))
"""Faults that let the first request, if not every one, through to the device."""


@dataclass(frozen=True, slots=True)
class _Lost:
    """What became of one run after its bus was lost, in seconds of the plant from then on."""

    fault: str
    commanded_off_s: float
    off_s: float
    """When the injector had no energy any more."""
    is_ended: bool
    left_on: tuple[str, ...]
    """Outputs that were on when the run had ended."""


async def _lose(plant: SpoiltPlant, bus: str, function: int, fault: str) -> _Lost:
    """Run to INJECT, lose the bus, see the run to its end, and make the plant well again."""
    await plant.start_run()
    while not is_injecting(scanned := await plant.scan()):
        assert is_active(scanned), scanned.decision.verdict
    plant.spoil(bus, function, fault, turn=_TURN)
    lost_s = (await plant.truth())["time_s"]
    commanded_off_s = off_s = math.inf
    for _ in range(_LONGEST):
        scanned = await plant.scan()
        truth = await plant.truth()
        if not is_injecting(scanned):
            commanded_off_s = min(commanded_off_s, truth["time_s"] - lost_s)
        if not truth["contactors"]["injector.a"]:
            off_s = min(off_s, truth["time_s"] - lost_s)
        if not is_active(scanned) and (off_s < math.inf or truth["time_s"] - lost_s > commanded_off_s + _LATEST_S):
            break
    left_on = tuple(name for name, is_on in truth["outputs"].items() if is_on)
    plant.calm()
    for _ in range(_FOUND_AGAIN):
        await plant.scan()
    await _press_reset(plant)
    return _Lost(fault, commanded_off_s, off_s, scanned.decision.state.unit.procedure in ENDED, left_on)


async def _press_reset(plant: SpoiltPlant) -> None:
    """Press the reset at the machine, for what may be latched; the next start resets what an operator may."""
    await plant.simulator.ask("fault", name="reset_pressed", on=True, for_s=4)
    for _ in range(8):
        await plant.scan()


async def _lose_each(folder: Path, bus: str, faults: Collection[str], function: int = ANY) -> list[_Lost]:
    """Lose the bus by each of the faults, one run after the other on the same plant."""
    async with spoilt_plant(folder, _SITE, _DECISIONS) as plant:
        plant.compares = False
        return [await _lose(plant, bus, function, fault) for fault in faults]


def _assert_safe(found: Collection[_Lost], off_within_s: float) -> None:
    """Each run: commanded off within two scans, off in time, and ended with nothing left on."""
    for lost in found:
        assert lost.commanded_off_s <= 2.0 * _SCAN_S, lost
        assert lost.off_s <= off_within_s, lost
        assert lost.is_ended and not lost.left_on, lost


def test_without_its_sensors_the_injector_is_off(tmp_path: Path) -> None:
    """The bus of flow, pressure, meter and level, by every fault: off within two scans, in the plant itself."""
    _assert_safe(uvloop.run(_lose_each(tmp_path, "signals", WIRE_FAULTS)), 2.0 * _SCAN_S)


def test_without_its_module_the_time_out_switches_the_injector_off(tmp_path: Path) -> None:
    """No request reaches the relays any more: they drop by themselves, and the run is aborted."""
    faults = [name for name in WIRE_FAULTS if name not in _REACHING]
    _assert_safe(uvloop.run(_lose_each(tmp_path, "relays", faults)), _WATCHDOG_S + _SCAN_S)


def test_a_module_that_hears_and_is_not_heard_is_switched_off(tmp_path: Path) -> None:
    """Requests reach the relays, which so never time out, and replies are lost or spoilt: off all the same."""
    _assert_safe(uvloop.run(_lose_each(tmp_path, "relays", _REACHING)), _WATCHDOG_S + _SCAN_S)


def test_a_module_that_takes_no_more_writes_times_out(tmp_path: Path) -> None:
    """It is read as ever and not written any more: once the injector must go off, its own time-out must see to it."""
    (lost,) = uvloop.run(_lose_each(tmp_path, "relays", ["lost_request"], WRITE_COILS))
    assert lost.off_s - lost.commanded_off_s <= 2.0 * _SCAN_S + _WATCHDOG_S + _SCAN_S
    assert lost.is_ended and not lost.left_on
