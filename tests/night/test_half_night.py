"""A power cut in a night that the timetable started: what is still owed is planned anew and runs, never twice."""

import asyncio
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.cli.night import charge_tanks, ledger_of, read_decisions, record_decisions
from daemon.cli.simulator import Simulator
from daemon.clock import SteppedClock
from daemon.control.decide import State
from daemon.control.states import ACTIVE, Phase
from daemon.ledger.nights import claims_of, runs_marked
from daemon.ledger.reports import last_runs
from daemon.runtime.notify import Notifier
from daemon.runtime.service import Service
from daemon.runtime.start import mark_of
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.night.sites import SHORT_NIGHT, write_scenario

pytestmark = pytest.mark.plant

AT = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo("Australia/Adelaide"))
NIGHT = "2026-10-13"
TIMETABLE = """
[program.creek_rinse]
shift = "creek"
water_m3 = 1.0
order = "together"

[timetable.nightly]
programs = ["creek_night", "creek_rinse"]
starts = [22:00:00]
late_min = 60
"""
OFF_MIN = 20.0


class Farm:
    """A plant that goes on while its controller comes and goes."""

    def __init__(self, folder: Path, simulator: Simulator, site: Path) -> None:
        self.folder, self.simulator = folder, simulator
        self.plant = parse_site(site.read_text("utf-8"), load_profiles())
        self.now = AT - timedelta(seconds=90)
        self.said: list[str] = []

    async def boot(self) -> Service:
        """Start a controller at the moment that it is."""
        clock = SteppedClock(self._advance, self.now)
        service = Service(self.plant, load_profiles(), self.folder, clock, Notifier(None, None), self.said.append)
        await service.start()
        return service

    async def _advance(self, seconds: float) -> None:
        await self.simulator.advance(seconds)
        self.now += timedelta(seconds=seconds)

    async def cut(self, service: Service, off_min: float) -> None:
        """Take the controller's power: no step of its end runs, and the module's watchdog drops the outputs."""
        if service._nights is not None:
            await service._nights.end()
        if service._server is not None:
            await service._server.close()
        await asyncio.to_thread(service.ledger.close, 10.0)
        await service.field.close()
        service._lock.close()
        await self._advance(off_min * 60.0)

    async def run(self, service: Service, until: Callable[[State], bool], most: int = 4000) -> None:
        for _ in range(most):
            scanned = await service.step()
            if until(scanned.decision.state):
                return
        raise AssertionError("it did not come to that")


def _is_in(phase: Phase, share: float) -> Callable[[State], bool]:
    def reached(state: State) -> bool:
        if state.run is None or state.unit.phase is not phase or state.run.recipe.shift != "creek":
            return False
        whole_l = {Phase.PREWET: state.run.recipe.prewet_l, Phase.INJECT: state.run.recipe.inject_l}
        return state.run.phase_water_l >= share * whole_l.get(phase, 1000.0)

    return reached


async def _night(tmp_path: Path, cuts: list[Callable[[State], bool]], off_min: float = OFF_MIN) -> Farm:
    site, decisions = write_scenario(tmp_path, decisions=SHORT_NIGHT)
    decisions.write_text(decisions.read_text("utf-8") + TIMETABLE, "utf-8")
    simulator = await Simulator.start(site, ["--perfect"])
    try:
        farm = Farm(tmp_path / "db", simulator, site)
        service = await farm.boot()
        await record_decisions(service, read_decisions(decisions), "Mina")
        await charge_tanks(service, simulator)
        for reached in cuts:
            await farm.run(service, reached)
            await farm.cut(service, off_min)
            service = await farm.boot()
        quiet_s = 0.0

        def is_over(state: State) -> bool:
            nonlocal quiet_s
            quiet_s = 0.0 if state.unit.procedure in ACTIVE else quiet_s + 1.0
            return quiet_s > 150.0

        await farm.run(service, is_over)
        await service.stop()
        return farm
    finally:
        await simulator.close()


def _planned_l(farm: Farm) -> float:
    """Return what the night's first run was to inject."""
    claim = claims_of(ledger_of(farm.folder), [NIGHT])[0]
    (first, *_) = runs_marked(ledger_of(farm.folder), mark_of(claim.command)).values()
    return first.recipe.channels[0].stock_l


def _injected_l(farm: Farm) -> list[float]:
    """Return what each run of the night injected, in their order."""
    claims = claims_of(ledger_of(farm.folder), [NIGHT])
    marked = [runs_marked(ledger_of(farm.folder), mark_of(claim.command)) for claim in claims]
    return [sum(run.injected_l.values()) for runs in marked for run in runs.values()]


@pytest.mark.parametrize(
    "reached",
    [_is_in(Phase.PREWET, 0.5), _is_in(Phase.INJECT, 0.3), _is_in(Phase.INJECT, 0.8), _is_in(Phase.FLUSH, 1.0)],
    ids=["in pre-wet", "early in inject", "late in inject", "in flush"],
)
async def test_what_a_cut_left_over_is_given_once(tmp_path: Path, reached: Callable[[State], bool]) -> None:
    """Invariant 8 over a cut: all runs of the night together inject the plan, and the program after it runs too."""
    farm = await _night(tmp_path, [reached])
    claims = claims_of(ledger_of(farm.folder), [NIGHT])
    assert [claim.part for claim in claims] == [0, 1]
    planned_l, injected_l = _planned_l(farm), _injected_l(farm)
    assert sum(injected_l) <= 1.02 * planned_l
    assert sum(injected_l) == pytest.approx(planned_l, rel=0.06)
    ended = [run.ended.row for run in last_runs(ledger_of(farm.folder), 10) if run.ended is not None]
    assert [end.state for end in reversed(ended)] == ["ABORTED", "COMPLETE", "COMPLETE"]
    assert any("It goes on with" in text for text in farm.said)


async def test_a_second_cut_gives_nothing_twice_either(tmp_path: Path) -> None:
    """Power that fails twice in one injection: what both runs injected is off the third's plan."""
    farm = await _night(tmp_path, [_is_in(Phase.INJECT, 0.3), _is_in(Phase.INJECT, 0.3)])
    assert [claim.part for claim in claims_of(ledger_of(farm.folder), [NIGHT])] == [0, 1, 2]
    assert sum(_injected_l(farm)) == pytest.approx(_planned_l(farm), rel=0.06)


async def test_a_cut_that_lasts_too_long_leaves_the_night(tmp_path: Path) -> None:
    """Past the timetable's own lateness nothing goes on by itself: somebody decides in the morning."""
    farm = await _night(tmp_path, [_is_in(Phase.INJECT, 0.5)], off_min=70.0)
    claims = claims_of(ledger_of(farm.folder), [NIGHT])
    assert [(claim.part, claim.command) for claim in claims[1:]] == [(1, "")]
    assert claims[1].why.endswith(
        "(creek_night, creek_rinse), and it does not go on: the controller was off for too long"
    )
    assert len(_injected_l(farm)) == 1
