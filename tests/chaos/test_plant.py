"""Group H of the chaos list, what the table of faults has not: chatter, a hammer, and witnesses that disagree."""

from pathlib import Path

import pytest
import uvloop

from daemon.control.states import Phase, ProcedureState
from daemon.messages import Verb
from tests.chaos.plants import SCAN_S, chaos_plant
from tests.night.spoilt import is_active, is_injecting

pytestmark = pytest.mark.chaos

_CHATTERS = 40
_RUN_DOWN_S = 3.0
"""Of the pump, as the tiny site has it."""


@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.INJECT, Phase.FLUSH])
def test_h13_no_valve_is_slammed_on_a_moving_column(phase: Phase, tmp_path: Path) -> None:
    """Stopped while the water flows: the block's valve stays open until the pump has been off for its run-down."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(phase)
            await plant.spoilt.command(Verb.STOP_EVERYTHING)
            pump_off_s = valve_off_s = None
            while pump_off_s is None or valve_off_s is None:
                truth = await plant.truth()
                if pump_off_s is None and not truth["contactors"]["pump"]:
                    pump_off_s = truth["time_s"]
                if valve_off_s is None and not truth["outputs"]["block.creek"]:
                    valve_off_s = truth["time_s"]
                await plant.scan()
            assert valve_off_s - pump_off_s >= _RUN_DOWN_S - SCAN_S
            await plant.to_the_end(any_end=True)

    uvloop.run(night())


def test_h15_two_witnesses_of_the_flow_disagree(tmp_path: Path) -> None:
    """Pump and pressure say water, the meter says none: no stock flows on the word of one of them."""

    async def night() -> None:
        async with chaos_plant(tmp_path, counts=False) as plant:
            for phase in Phase:

                async def stick() -> None:
                    await plant.fault("flow_meter_stuck")

                async def free() -> None:
                    await plant.fault("flow_meter_stuck", on=False)

                seen = await plant.faulty_run(phase, stick, mend=free)
                assert seen.state is ProcedureState.STOPPED and seen.alarms, seen

    uvloop.run(night())


def test_h16_a_level_that_chatters(tmp_path: Path) -> None:
    """Low and well again every other scan: the injector is not switched along, and the water goes on."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(Phase.INJECT)
            switched, was = 0, True
            for number in range(_CHATTERS):
                await plant.fault("empty_tank", on=number % 2 == 0)
                scanned = await plant.scan()
                assert is_active(scanned)
                switched += is_injecting(scanned) is not was
                was = is_injecting(scanned)
            assert switched <= 4, "the injector chatters along"
            await plant.fault("empty_tank", on=False)
            ended = await plant.to_the_end(any_end=True)
            assert ended.water_l >= ended.recipe.water_l

    uvloop.run(night())
