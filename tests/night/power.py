"""A plant of the creek whose controller loses its power, and a timetable that starts its night."""

import asyncio
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from daemon.cli.night import charge_tanks, read_decisions, record_decisions
from daemon.cli.simulator import Simulator
from daemon.clock import SteppedClock
from daemon.control.decide import State
from daemon.control.states import ACTIVE, Phase
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.service import Service
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.night.sites import SHORT_NIGHT, write_scenario

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
        service = Service(Hold(self.plant, load_profiles(), self.folder, clock), Notifier(None, None), self.said.append)
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
        service.hold._lock.close()
        await self._advance(off_min * 60.0)

    async def run(self, service: Service, until: Callable[[State], bool], most: int = 4000) -> None:
        """Scan until something holds."""
        for _ in range(most):
            scanned = await service.step()
            if until(scanned.decision.state):
                return
        raise AssertionError("it did not come to that")


async def timed_night(
    folder: Path, cuts: Sequence[Callable[[State], bool]] = (), off_min: float = 20.0, *, more: str = ""
) -> Farm:
    """Run the night that the timetable starts, with power cuts, to its end. `more` is further decisions."""
    site, decisions = write_scenario(folder, decisions=SHORT_NIGHT)
    decisions.write_text(decisions.read_text("utf-8") + TIMETABLE + more, "utf-8")
    simulator = await Simulator.start(site, ["--perfect"])
    try:
        farm = Farm(folder / "db", simulator, site)
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


def is_in(phase: Phase, share: float) -> Callable[[State], bool]:
    """Return whether the creek's run has so much of a phase's water behind it."""

    def reached(state: State) -> bool:
        if state.run is None or state.unit.phase is not phase or state.run.recipe.shift != "creek":
            return False
        whole_l = {Phase.PREWET: state.run.recipe.prewet_l, Phase.INJECT: state.run.recipe.inject_l}
        return state.run.phase_water_l >= share * whole_l.get(phase, 1000.0)

    return reached
