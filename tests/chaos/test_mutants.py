"""Each invariant is broken on purpose, one line of the code at a time, and the nights over real Modbus TCP notice.

A check that lets a broken controller pass checks nothing. The same scenario passes on the code as it is.
"""

import itertools
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest
import uvloop

from daemon.control.decide import decide
from daemon.control.image import SAFE, Outputs
from daemon.control.states import Phase, ProcedureState
from daemon.messages import Verb
from daemon.runtime.field import Field
from daemon.runtime.hold import Hold
from daemon.runtime.lock import PlantBusy
from daemon.runtime.notify import Notifier
from daemon.runtime.service import Service
from drivers.profile import load_profiles
from tests.chaos.plants import SCAN_S, ChaosPlant, chaos_plant
from tests.night.spoilt import is_active, is_injecting

pytestmark = pytest.mark.chaos

Scenario = Callable[[ChaosPlant], Awaitable[None]]
Patch = pytest.MonkeyPatch


async def _off(plant: ChaosPlant) -> bool:
    truth = await plant.truth()
    return not any((*truth["outputs"].values(), *truth["contactors"].values()))


async def _without_its_signals(plant: ChaosPlant) -> None:
    """The pressure's wire breaks in INJECT: no energy within two scans."""
    await plant.begin(Phase.INJECT)
    await plant.fault("pressure_broken_wire")
    await plant.scans(2)
    assert not (await plant.truth())["contactors"]["injector.a"]
    await plant.to_the_end(any_end=True)


async def _stopped_loaded(plant: ChaosPlant) -> None:
    """Stopped in INJECT: what is in the pipes is owed."""
    await plant.faulty_run(Phase.INJECT, lambda: _command(plant, Verb.STOP_EVERYTHING))
    assert plant.spoilt.service.scanner.state.lines.owed


async def _command(plant: ChaosPlant, verb: Verb, **arguments: Any) -> None:
    await plant.spoilt.command(verb, **arguments)


async def _latched(plant: ChaosPlant) -> None:
    """An emergency stop that was let go of stays in force without its reset."""
    await plant.begin(Phase.PREWET)
    await plant.fault("estop")
    await plant.to_the_end(any_end=True)
    await plant.fault("estop", on=False)
    scanned = await plant.scans(10)
    assert "emergency-stop" in scanned.decision.verdict.causes


async def _without_its_bus(plant: ChaosPlant) -> None:
    """The sensors' bus is lost in INJECT: what they last said opens nothing."""
    await plant.begin(Phase.INJECT)
    plant.spoilt.spoil("signals", 0, "lost_request")
    await plant.scans(3)
    assert not (await plant.truth())["contactors"]["injector.a"]
    plant.spoilt.calm()
    await plant.to_the_end(any_end=True)


async def _at_once(plant: ChaosPlant) -> None:
    """An emergency stop takes all energy in the scan that sees it."""
    await plant.begin(Phase.INJECT)
    await plant.fault("estop")
    await plant.scans(2)
    assert await _off(plant)
    await plant.to_the_end(any_end=True)


async def _risen(plant: ChaosPlant) -> None:
    """A start finds the outputs of the one that fell still on: the safe set comes before anything else."""
    run = (await plant.begin(Phase.INJECT)).decision.state.run
    assert run is not None
    plant.plans_l.append(run.recipe.channels[0].stock_l)
    await plant.fall()
    old = plant.spoilt.service
    new = Service(Hold(old.plant, load_profiles(), old.folder, old.clock), Notifier(None, None), lambda text: None)
    plant.spoilt.service = new
    assert await new.start()
    assert await _off(plant)
    await plant.scan()


async def _booked(plant: ChaosPlant) -> None:
    """The water of the pump's run-down belongs to nobody, and is in the record all the same."""
    await plant.begin(Phase.INJECT)
    await plant.spoilt.command(Verb.STOP_EVERYTHING)
    await plant.to_the_end(any_end=True)
    await plant.spoilt.command(Verb.FORCE, target="valve.creek", on=True, minutes=0.3, reason="a look")
    await plant.spoilt.command(Verb.FORCE, target="pump", on=True, minutes=0.3, reason="a look")
    await plant.scans(60)
    assert await _off(plant)


async def _measured(plant: ChaosPlant) -> None:
    """No run gets more than its plan and a tenth."""
    run = (await plant.begin(Phase.INJECT)).decision.state.run
    assert run is not None
    plant.plans_l.append(run.recipe.channels[0].stock_l)
    await plant.scans(120)
    if plant.spoilt.service.scanner.state.unit.phase is not None:
        await plant.spoilt.command(Verb.STOP_EVERYTHING)
        await plant.to_the_end(any_end=True)


async def _forced(plant: ChaosPlant) -> None:
    """An injector that is forced on has no energy once the flow is not proven, and none when its time is over."""
    for target in ("valve.creek", "pump", "injector.a"):
        await plant.spoilt.command(Verb.FORCE, target=target, on=True, minutes=1.0, reason="a look")
    for _ in range(40):
        if is_injecting(await plant.scan()):
            break
    else:
        raise AssertionError("never on")
    plant.plans_l.clear()
    await plant.fault("pressure_broken_wire")
    await plant.scans(2)
    assert not (await plant.truth())["contactors"]["injector.a"]
    await plant.fault("pressure_broken_wire", on=False)
    await plant.scans(60)
    assert await _off(plant)


async def _timed(plant: ChaosPlant) -> None:
    """The wall's time jumps by an hour: the run takes as long as ever."""
    run = (await plant.begin(Phase.PREWET)).decision.state.run
    assert run is not None
    plant.turn_clock(3600.0)
    scanned = await plant.scan()
    assert scanned.decision.state.run is not None
    assert scanned.decision.state.run.run_s - run.run_s <= 2.0 * SCAN_S
    await plant.to_the_end()


async def _stopped(plant: ChaosPlant) -> None:
    """A stop that is asked for in the middle of a hold is obeyed."""
    await plant.begin(Phase.INJECT)
    await plant.spoilt.command(Verb.HOLD)
    await plant.scans(3)
    await plant.spoilt.command(Verb.STOP_EVERYTHING)
    for _ in range(30):
        if not is_active(await plant.scan()):
            break
    assert plant.spoilt.service.scanner.state.unit.procedure is ProcedureState.STOPPED
    await plant.to_the_end(any_end=True)


async def _alone(plant: ChaosPlant) -> None:
    """A second daemon at the same plant is refused."""
    one = plant.spoilt.service
    other = Service(
        Hold(one.plant, load_profiles(), one.folder.parent / "db2", one.clock), Notifier(None, None), lambda text: None
    )
    try:
        await other.start()
    except PlantBusy:
        return
    finally:
        await other.stop()
    raise AssertionError("two daemons drive one plant")


def _permits_all(patch: Patch) -> None:
    patch.setattr("daemon.control.gate._permits", lambda *facts: True)
    patch.setattr("daemon.control.guard.MATRIX", ())
    patch.setattr("daemon.control.guard._JUDGED_IN", dict.fromkeys((None, *Phase), ()))


def _owes_nothing(patch: Patch) -> None:
    patch.setattr("daemon.control.lines.owe", lambda run, lines, opening: (lines, []))
    patch.setattr("daemon.control.lines.owe_segments", lambda site, lines, loaded_l, path: (lines, []))


def _reset_by_anything(patch: Patch) -> None:
    patch.setattr("daemon.control.guard._reset_edge", lambda pressed_s, facts: (0.0, True))


def _reads_what_was(patch: Patch) -> None:
    read, last = Field.read, dict[str, Any]()

    async def stale(field: Field) -> dict[str, Any]:
        readings = await read(field)
        good = {name: reading for name, reading in readings.items() if reading.quality.name == "GOOD"}
        last.update(good)
        return {name: last.get(name, reading) for name, reading in readings.items()}

    patch.setattr(Field, "read", stale)


def _writes_late(patch: Patch) -> None:
    write, queue = Field.write, [SAFE] * 4

    async def late(field: Field, outputs: Outputs, *, urgent: bool = False) -> bool:
        queue.append(outputs)
        return await write(field, queue.pop(0), urgent=urgent)

    patch.setattr(Field, "write", late)


def _starts_unsafe(patch: Patch) -> None:
    async def nothing(field: Field) -> bool:
        return True

    patch.setattr(Field, "safe", nothing)


def _loses_rows(patch: Patch) -> None:
    patch.setattr("daemon.control.lines.unscheduled", lambda lines, moved_l, why: (lines, []))


def _never_done(patch: Patch) -> None:
    follow = __import__("daemon.control.injection", fromlist=["_follow"])._follow
    patch.setattr("daemon.control.injection._follow", lambda *given: follow(*given)._replace(done=False))
    _permits_all(patch)


def _tells_wall_time(patch: Patch) -> None:
    def monotonic_s(clock: Any) -> float:
        return float(clock._now_s + (clock._start.timestamp() - first.setdefault("s", clock._start.timestamp())))

    first: dict[str, float] = {}
    patch.setattr("daemon.clock.SteppedClock.monotonic_s", monotonic_s)


def _hears_no_stop(patch: Patch) -> None:
    def deaf(plant: Any, state: Any, image: Any, requests: Any, now: Any) -> Any:
        asked = [replace(r, verb=Verb.HOLD) if r.verb is Verb.STOP_EVERYTHING else r for r in requests]
        return decide(plant, state, image, tuple(asked), now)

    patch.setattr("daemon.runtime.scan.decide", deaf)


def _takes_any_plant(patch: Patch) -> None:
    patch.setattr("daemon.runtime.lock.PlantLock._take_bus", lambda lock, bus, endpoint: None)


class _Broken(NamedTuple):
    """A fault of the program, and the scenario that must find it."""

    invariant: int
    scenario: Scenario
    breaks: Callable[[Patch], None]


_BROKEN = (
    _Broken(1, _without_its_signals, _permits_all),
    _Broken(2, _stopped_loaded, _owes_nothing),
    _Broken(3, _latched, _reset_by_anything),
    _Broken(4, _without_its_bus, _reads_what_was),
    _Broken(5, _at_once, _writes_late),
    _Broken(6, _risen, _starts_unsafe),
    _Broken(7, _booked, _loses_rows),
    _Broken(8, _measured, _never_done),
    _Broken(9, _forced, _permits_all),
    _Broken(10, _timed, _tells_wall_time),
    _Broken(11, _stopped, _hears_no_stop),
    _Broken(12, _alone, _takes_any_plant),
)


async def _play(folder: Path, scenario: Scenario) -> None:
    async with chaos_plant(folder) as plant:
        await scenario(plant)


def test_every_invariant_is_broken_once() -> None:
    """Guards the list: none of the twelve is left out."""
    assert [broken.invariant for broken in _BROKEN] == list(itertools.islice(itertools.count(1), 12))


@pytest.mark.proof
@pytest.mark.parametrize("broken", _BROKEN, ids=lambda broken: f"{broken.invariant}")
def test_the_code_as_it_is_passes(broken: _Broken, tmp_path: Path) -> None:
    """Guards the scenarios: what they find is the mutation and nothing else."""
    uvloop.run(_play(tmp_path, broken.scenario))


@pytest.mark.parametrize("broken", _BROKEN, ids=lambda broken: f"{broken.invariant}")
def test_a_broken_invariant_is_noticed(broken: _Broken, tmp_path: Path, monkeypatch: Patch) -> None:
    """Guards the checks: each mutant is killed in lockstep."""
    broken.breaks(monkeypatch)
    with pytest.raises(AssertionError):
        uvloop.run(_play(tmp_path, broken.scenario))
