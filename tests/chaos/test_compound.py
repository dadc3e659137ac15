"""Two faults at once: the second one comes while the first is still being dealt with."""

from contextlib import ExitStack
from pathlib import Path

import pytest
import uvloop

from daemon.control.states import Phase, ProcedureState
from daemon.messages import Verb
from sim.wire_proxy import Strike
from tests.chaos.plants import SCAN_S, WATCHDOG_S, ChaosPlant, chaos_plant
from tests.daemon.ledger.samples import files_no_larger_than
from tests.night.sites import PROGRAM
from tests.night.spoilt import is_active

pytestmark = pytest.mark.chaos


async def _assert_off(plant: ChaosPlant) -> None:
    truth = await plant.truth()
    assert not any((*truth["outputs"].values(), *truth["contactors"].values())), truth["outputs"]


async def _crash(plant: ChaosPlant, phase: Phase) -> float:
    """Let the daemon fall in `phase`, and the module let go; return the stock that had been injected by then."""
    run = (await plant.begin(phase)).decision.state.run
    assert run is not None
    plant.plans_l.append(run.recipe.channels[0].stock_l)
    await plant.fall()
    await plant.sleep(WATCHDOG_S + 2.0 * SCAN_S)
    await _assert_off(plant)
    return float((await plant.truth())["stock_injected_l"]["a"])


@pytest.mark.parametrize("bus", ["relays", "signals"])
@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.INJECT])
def test_a_link_drops_while_a_crash_is_recovered_from(bus: str, phase: Phase, tmp_path: Path) -> None:
    """The first scans after the start meet a bus that drops: nothing comes on, and the debt is as it was."""

    async def night() -> None:
        async with chaos_plant(tmp_path, counts=False) as plant:
            injected_l = await _crash(plant, phase)
            await plant.rise()
            plant.spoilt.proxies[bus].strike = Strike("lost_reply", when=lambda request: True)
            for _ in range(20):
                assert not is_active(await plant.scan())
            plant.spoilt.calm()
            await plant.make_well()
            await _assert_off(plant)
            assert (await plant.truth())["stock_injected_l"]["a"] == injected_l
            owed = {item.segment for item in plant.spoilt.service.scanner.state.lines.owed}
            assert owed == ({"main", "creek"} if phase in (Phase.INJECT, Phase.FLUSH) else set())
            if plant.spoilt.service.scanner.newest.decision.verdict.needs_technician:  # type: ignore[union-attr]
                await plant.spoilt.command(Verb.RESET)
            await plant.spoilt.start_run()
            await plant.to_the_end()
            assert not plant.spoilt.service.scanner.state.lines.owed

    uvloop.run(night())


def test_the_disk_is_full_while_an_emergency_stop_is_latched(tmp_path: Path) -> None:
    """What happened is not lost: the stop is on disk once there is room, and it is reset only at the machine."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(Phase.INJECT)
            with ExitStack() as full:
                full.enter_context(files_no_larger_than(100))
                await plant.fault("estop")
                await plant.scans(2)
                await _assert_off(plant)
                await plant.to_the_end(any_end=True)
                await plant.fault("estop", on=False)
                await plant.scans(10)
                assert plant.spoilt.service.scanner.state.unit.procedure is ProcedureState.ABORTED
            await plant.make_well()
            codes = {getattr(row, "code", "") for row in await plant.rows()}
            assert "emergency-stop" in codes

    uvloop.run(night())


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, -400.0 * 86_400.0])
def test_the_clock_jumps_while_the_daemon_is_down(jump_s: float, tmp_path: Path) -> None:
    """The new daemon's time is another: the run is closed once, nothing goes on by itself, and what is owed is owed."""

    async def night() -> None:
        async with chaos_plant(tmp_path, counts=False) as plant:
            injected_l = await _crash(plant, Phase.INJECT)
            plant.turn_clock(jump_s)
            await plant.rise()
            for _ in range(20):
                assert not is_active(await plant.scan())
            assert (await plant.truth())["stock_injected_l"]["a"] == injected_l
            assert {item.segment for item in plant.spoilt.service.scanner.state.lines.owed} == {"main", "creek"}

    uvloop.run(night())


def test_the_module_reboots_while_a_valve_is_forced_open(tmp_path: Path) -> None:
    """The lease ends with the outputs that were lost; nothing comes on again by itself."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.spoilt.command(Verb.FORCE, target="valve.creek", on=True, minutes=30.0, reason="a look")
            await plant.scans(5)
            assert (await plant.truth())["outputs"]["block.creek"]
            await plant.fault("relay_reboot")
            await plant.scans(30)
            await _assert_off(plant)
            assert not plant.spoilt.service.scanner.state.leases

    uvloop.run(night())


def test_a_hand_takes_the_plant_while_a_start_pays_what_a_crash_left(tmp_path: Path) -> None:
    """Selector to Hand in the pre-wet that pays an old debt: all is let go, and the debt stays until it is paid."""

    async def night() -> None:
        async with chaos_plant(tmp_path, counts=False) as plant:
            await _crash(plant, Phase.INJECT)
            await plant.rise()
            await plant.scans(10)
            await plant.spoilt.command(Verb.START, programs=[PROGRAM])
            await plant.until(Phase.PREWET)
            await plant.fault("selector_hand")
            await plant.scans(3)
            await _assert_off(plant)
            assert plant.spoilt.service.scanner.state.lines.owed
            await plant.fault("selector_hand", on=False)
            await plant.scans(10)
            await _assert_off(plant)
            await plant.spoilt.command(Verb.START)
            await plant.to_the_end()
            assert not plant.spoilt.service.scanner.state.lines.owed

    uvloop.run(night())
