"""Group T of the chaos list: what the wall's time may do while the plant is driven. Durations know nothing of it."""

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import tzset  # noqa: TID251  it asks no time

import pytest
import uvloop

from daemon.clock import SteppedClock
from daemon.control.states import Phase, ProcedureState
from daemon.ledger.reports import last_runs
from tests.chaos.plants import SCAN_S, WATCHDOG_S, chaos_plant
from tests.night.sites import START

pytestmark = pytest.mark.chaos

_HOUR_S, _YEAR_S = 3600.0, 365.0 * 86_400.0
_JUMPS_S = (1.0, -1.0, _HOUR_S, -_HOUR_S, _YEAR_S, -_YEAR_S)
_LAST_OF_32_BITS = datetime(2038, 1, 19, 3, 14, 7, tzinfo=UTC)


@pytest.mark.parametrize("jump_s", _JUMPS_S)
def test_t1_the_clock_jumps_in_each_phase(jump_s: float, tmp_path: Path) -> None:
    """Forwards or back by a second, an hour or a year: the run takes as long, and gives as much, as it was planned."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            for phase in Phase:
                run = (await plant.begin(phase)).decision.state.run
                assert run is not None
                before_s = run.run_s
                plant.turn_clock(jump_s)
                scanned = await plant.scan()
                assert scanned.decision.state.run is not None
                assert scanned.decision.state.run.run_s - before_s <= 2.0 * SCAN_S
                ended = await plant.to_the_end()
                assert ended.water_l >= ended.recipe.water_l and not ended.given_up
                assert ended.channels["a"].injected_l == pytest.approx(ended.recipe.channels[0].stock_l, rel=0.06)
                plant.turn_clock(-jump_s)

    uvloop.run(night())


def test_t4_the_zone_is_changed_in_a_run(tmp_path: Path) -> None:
    """The computer's zone is nobody's business: the record is in UTC, and the timetable in the site's own zone."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            before = (await plant.begin(Phase.INJECT)).stamp
            os.environ["TZ"] = "Pacific/Auckland"
            tzset()
            after = (await plant.scan()).stamp
            assert timedelta(0) < after.utc - before.utc <= timedelta(seconds=2.0 * SCAN_S)
            await plant.to_the_end()

    was = os.environ.get("TZ")
    try:
        uvloop.run(night())
    finally:
        if was is None:
            os.environ.pop("TZ", None)
        else:
            os.environ["TZ"] = was
        tzset()


def test_t5_a_run_over_the_end_of_32_bit_time_and_a_leap_second(tmp_path: Path) -> None:
    """The moment is read back as it was; a second that comes twice, as a leap second does in UTC, moves nothing."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            plant.turn_clock((_LAST_OF_32_BITS - START).total_seconds() - 120.0)
            await plant.begin(Phase.INJECT)
            plant.turn_clock(-1.0)
            ended = await plant.to_the_end()
            assert ended.water_l >= ended.recipe.water_l
            assert plant.spoilt.service.is_on_record()
            (report,) = last_runs(plant.spoilt.service.ledger.path, 1)
            assert report.ended is not None
            assert report.started.at_ms < 1000 * 2**31 < report.ended.at_ms

    uvloop.run(night())


@pytest.mark.parametrize("gap_s", [3.0, 30.0, 3600.0])
def test_t6_the_computer_is_suspended_in_each_phase(gap_s: float, tmp_path: Path) -> None:
    """Nobody scans: the module lets go in its time. Awake again, no stock before the water is proven anew."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            for phase in Phase:

                async def suspend() -> None:
                    injected_l = (await plant.truth())["stock_injected_l"]["a"]
                    await plant.sleep(min(gap_s, WATCHDOG_S + SCAN_S))
                    truth = await plant.truth()
                    if gap_s > WATCHDOG_S:
                        assert not any((*truth["outputs"].values(), *truth["contactors"].values()))
                    await plant.sleep(max(0.0, gap_s - WATCHDOG_S - SCAN_S))
                    after_l = (await plant.truth())["stock_injected_l"]["a"]
                    assert after_l - injected_l <= 0.2 * (WATCHDOG_S + SCAN_S), "more than the module's own time"

                seen = await plant.faulty_run(phase, suspend)
                assert seen.state in (ProcedureState.COMPLETE, ProcedureState.STOPPED), seen
                assert gap_s < WATCHDOG_S or seen.off_s <= gap_s + SCAN_S, seen

    uvloop.run(night())


def test_t7_a_jump_over_midnight_between_runs_gives_nothing_twice(tmp_path: Path) -> None:
    """The second run is planned by what the record says of the first, wherever the clock stood meanwhile."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            clock = plant.spoilt.service.clock
            assert isinstance(clock, SteppedClock)
            for jump_s in (86_400.0, -2.0 * 86_400.0, 86_400.0):
                await plant.begin(Phase.PREWET)
                plant.turn_clock(jump_s)
                ended = await plant.to_the_end()
                assert ended.channels["a"].injected_l <= 1.1 * ended.recipe.channels[0].stock_l
            assert plant.spoilt.service.is_on_record()
            runs = last_runs(plant.spoilt.service.ledger.path, 10)
            assert len({run.started.row.run for run in runs}) == 3

    uvloop.run(night())
