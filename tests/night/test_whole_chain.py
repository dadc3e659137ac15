"""The whole chain: a recommendation as CSV, a stock, a program, and a night that the timetable starts by itself."""

import asyncio
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import time_machine

from daemon.cli import main as command_line
from daemon.cli.night import charge_tanks, ledger_of, read_decisions, record_decisions
from daemon.cli.simulator import Simulator
from daemon.clock import SteppedClock
from daemon.control.states import ACTIVE
from daemon.ledger.nights import claims_of, newest_plan
from daemon.ledger.reports import last_runs, run_report
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.service import Service
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.night.sites import BLOCK, write_scenario

pytestmark = pytest.mark.plant

ZONE = ZoneInfo("Australia/Adelaide")
AT = datetime(2026, 10, 13, 22, tzinfo=ZONE)
CYCLE = """
[cycle.mandarins]
crop = "mandarins"
blocks = ["creek"]
starts = 2026-10-13
ends = 2026-12-21
stages = [{ name = "fruit_set", starts = 2026-10-13 }]
"""
RECOMMENDED = """recommendation,cycle,by,on (YYYY-MM-DD),basis,every (days),nutrient,figures,amount (kg/ha),stage 1 (%)
plan,mandarins,R. Okafor,2026-10-01,leaf test,7,N,elemental,3.0,100
"""
SHARE_KG_HA = 0.3
"""Of 3 kg N/ha in ten weeks, one in 7 days: a tenth."""


async def _service(site: Path, folder: Path, simulator: Simulator, start: datetime, **options: bool) -> Service:
    plant = parse_site(site.read_text("utf-8"), load_profiles())
    clock = SteppedClock(simulator.advance, start)
    service = Service(Hold(plant, load_profiles(), folder, clock), Notifier(None, None), lambda text: None, **options)
    await service.start()
    return service


async def _run(*words: str) -> None:
    assert await asyncio.to_thread(command_line.main, words) == 0, words


async def test_from_a_recommendation_to_what_the_block_received(tmp_path: Path) -> None:
    """Agronomist, operator, timetable, scheduler, scan and plant: the block has its share of the recommendation."""
    site, decisions_file = write_scenario(tmp_path)
    decisions_file.write_text(decisions_file.read_text("utf-8").partition("[program.")[0] + CYCLE, "utf-8")
    recommended = tmp_path / "recommendations.csv"
    recommended.write_text(RECOMMENDED, "utf-8")
    folder = tmp_path / "db"
    simulator = await Simulator.start(site, ["--perfect"])
    try:
        with time_machine.travel(AT - timedelta(hours=6), tick=True):
            service = await _service(site, folder, simulator, AT - timedelta(hours=6))
            await record_decisions(service, read_decisions(decisions_file), "Mina")
            await service.step()
            await service.stop()
            await _run("import", "recommendations", str(recommended), str(site), "--db", str(folder))
            injects = ("--inject", "calcium", "N", "recommendation=plan")
            timed = ("--start", "22:00", "--on", "tue,thu")
            what = ("creek_night", str(site), "--shift", "creek", "--water", "20min")
            await _run("program", "add", *what, "--db", str(folder), *injects, *timed)
        with time_machine.travel(AT - timedelta(seconds=0.2), tick=True):
            service = await _service(site, folder, simulator, AT - timedelta(seconds=2), by_scheduler=True)
            try:
                await charge_tanks(service, simulator)
                scanned = await service.step()
                for _ in range(3000):
                    if service.clock.stamp().utc >= AT and scanned.decision.state.unit.procedure not in ACTIVE:
                        if last_runs(ledger_of(folder), 1):
                            break
                        await asyncio.sleep(0.01)  # stepped time runs ahead of the scheduler's own timer
                    scanned = await service.step()
                truth = await simulator.ask("truth")
            finally:
                await service.stop()
    finally:
        await simulator.close()
    (newest,) = last_runs(ledger_of(folder), 2)
    report = run_report(ledger_of(folder), newest.started.row.run)
    assert report is not None and report.ended is not None
    assert (report.ended.row.state, report.ended.row.outcome) == ("COMPLETE", "DELIVERED")
    (claim,) = claims_of(ledger_of(folder), ["2026-10-13"])
    assert (claim.timetable, claim.command) == ("creek_night", "night-2026-10-13-creek_night-0-0")
    assert newest_plan(ledger_of(folder), "2026-10-13") is not None
    area_ha = service.plant.site.block[BLOCK].area_ha
    delivered_kg = sum(dose.delivered_mg for dose in report.metered if dose.nutrient == "N") / 1e6
    assert truth["blocks"][BLOCK]["delivered_kg"]["N"] == pytest.approx(SHARE_KG_HA * area_ha, rel=0.01)
    assert delivered_kg == pytest.approx(SHARE_KG_HA * area_ha, rel=0.01)
