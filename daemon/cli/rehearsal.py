"""A planned night run on the simulator first, in stepped time, start after start: the very recipes of the plan.

It has a site and a record of its own in a folder that is thrown away: nothing reaches the plant or its ledger.
"""

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from daemon.agronomy.tank import contents_at
from daemon.cli.errors import InputError
from daemon.cli.night import NightError, charge_tank, ledger_of, on_free_ports
from daemon.cli.night_view import Masses, truth_kg_of
from daemon.cli.simulator import Simulator
from daemon.clock import SteppedClock, real_seconds
from daemon.control.states import ACTIVE
from daemon.decisions.base import Decisions
from daemon.equipment import RtuBus
from daemon.ledger.reports import RunReport, run_report
from daemon.messages import Command, Verb
from daemon.planning.outlook import Outlook, TonightStart
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.service import Service
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles

_HERE = "127.0.0.1"
_LONGEST = timedelta(hours=36)


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a night on the simulator left behind."""

    reports: tuple[RunReport, ...]
    """Of the runs that began, in their order."""
    refused: tuple[str, ...]
    """Why a start was not taken."""
    truth_kg: Mapping[str, Masses]
    """By run, block and nutrient: what left the simulator's emitters from its start to the next."""
    simulated_s: float
    wall_s: float


async def rehearse(
    site_file: Path, plant: Plant, decisions: Decisions, outlook: Outlook, held_l: Mapping[str, float], folder: Path
) -> Rehearsal:
    """Run what an outlook plans on the simulator, with its files in `folder`. Tanks hold `held_l`.

    Something must run on it. Raises InputError where the simulator cannot be kept apart from the plant, NightError when
    the night does not end, and what the service raises.
    """
    starts = [start for start in outlook.starts if any(run.recipe is not None for run in start.runs)]
    copy = folder / "site.toml"
    copy.write_text(apart(site_file.read_text("utf-8"), plant, folder), "utf-8")
    begins = min(run.begins for run in starts[0].runs)
    simulator = await Simulator.start(copy)
    try:
        here = parse_site(copy.read_text("utf-8"), load_profiles())
        clock = SteppedClock(simulator.advance, begins)
        service = Service(Hold(here, load_profiles(), folder / "db", clock), Notifier(None, None), lambda text: None)
        try:
            await service.start()
            for tank in plant.site.tank:
                contents = contents_at(tank, decisions, begins)
                if contents is not None:
                    await charge_tank(simulator, contents, held_l.get(tank, contents.litres))
            began_s = real_seconds()
            await service.step()
            truth_kg: dict[str, Masses] = {}
            refused: list[str] = []
            for start in starts:
                before = await _delivered_kg(simulator)
                why = await _run(service, start)
                left = _difference(await _delivered_kg(simulator), before)
                truth_kg |= {run.recipe.run: left for run in start.runs if run.recipe is not None}
                refused += [why] if why else []
            wall_s = real_seconds() - began_s
        finally:
            await service.stop()
    finally:
        await simulator.close()
    reports = tuple(found for name in truth_kg if (found := run_report(ledger_of(folder / "db"), name)) is not None)
    return Rehearsal(reports, tuple(refused), truth_kg, clock.monotonic_s(), wall_s)


async def _run(service: Service, start: TonightStart) -> str:
    """Wait for a start's time and run it to its end; return why it was not taken, or nothing."""
    recipes = tuple(run.recipe for run in start.runs if run.recipe is not None)
    begins = min(run.begins for run in start.runs)
    while service.clock.stamp().utc < begins:
        await service.step()
    command = Command("-".join(map(str, start.start.name)), "rehearsal", "operator", Verb.START, {})
    asked = asyncio.ensure_future(service.scanner.ask(command, recipes))
    await asyncio.sleep(0)
    scanned = await service.step()
    answer = await asked
    while scanned.decision.state.unit.procedure in ACTIVE:
        scanned = await service.step()
        if service.clock.stamp().utc > begins + _LONGEST:
            raise NightError(f"what {start.start.timetable} started did not end within a day and a half")
    return "" if answer.accepted else f"{start.start.timetable}: {answer.reason}"


async def _delivered_kg(simulator: Simulator) -> Masses:
    return truth_kg_of(await simulator.ask("truth"))


def _difference(after: Masses, before: Masses) -> Masses:
    return {
        block: {nutrient: kg - before[block].get(nutrient, 0.0) for nutrient, kg in masses.items()}
        for block, masses in after.items()
    }


def apart(text: str, plant: Plant, folder: Path) -> str:
    """Return a site file whose every bus is on this computer, on a free port or a line of its own.

    Raises InputError where that cannot be made sure of: a rehearsal must never meet the plant.
    """
    for number, bus in enumerate(plant.site.bus.values()):
        theirs, ours = (bus.line, str(folder / f"line{number}")) if isinstance(bus, RtuBus) else (bus.host, _HERE)
        text = text.replace(f'"{theirs}"', f'"{ours}"')
    text = on_free_ports(text)
    theirs_all = {bus.endpoint for bus in plant.site.bus.values()}
    for name, bus in parse_site(text, load_profiles()).site.bus.items():
        is_here = bus.line.startswith(str(folder)) if isinstance(bus, RtuBus) else bus.host == _HERE
        if not is_here or bus.endpoint in theirs_all:
            raise InputError(
                f"--simulate: bus.{name} is still at {bus.endpoint}; expected the site file to have `host`, `port` and "
                'line each as a key of its own line, such as host = "192.168.1.10"'
            )
    return text
