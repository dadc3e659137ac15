"""`sim` and `run`, and the reading of a site file for every command that takes one."""

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvloop

from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.clock import Clock, RealClock, ScaledClock
from daemon.site import Plant
from daemon.site_file import Inspected, inspect_site
from drivers.profile import Problem, load_profiles

if TYPE_CHECKING:  # heavy: the safe outputs are written before it is imported
    from daemon.cli.simulator import Simulator
    from daemon.runtime.service import Service

_MOST_SPEED = 10_000.0


def read_plant(file: Path) -> Plant:
    """Return the plant of a site file. Raises InputError with all that is wrong with it."""
    found = inspected(file)
    if found.plant is None:
        raise InputError(told(file, found.problems))
    return found.plant


def inspected(file: Path) -> Inspected:
    """Return what a site file holds, and what is wrong with it. Raises InputError where it cannot be read."""
    return inspect_site(text_of(file), load_profiles())


def text_of(file: Path) -> str:
    """Return the text of a TOML file. Raises InputError where it cannot be read."""
    try:
        return file.read_text("utf-8")
    except FileNotFoundError:
        raise InputError(f"{file}: no such file. A site to start from: shiftwright demo --copy DIR") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file in UTF-8") from None


def told(file: Path, problems: Sequence[Problem]) -> str:
    """Return what is wrong with a file, as lines."""
    return "\n".join((f"{file}: {len(problems)} error{'s' if len(problems) > 1 else ''}", *map(str, problems)))


def add_sim(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of sim: they are the simulator's own."""
    parser.add_argument("arguments", nargs=argparse.REMAINDER, metavar="SITE.toml ...", help="see sim --help")


def sim(arguments: argparse.Namespace) -> int:
    """Become the simulator: a program of its own that shares nothing with the daemon."""
    os.execv(sys.executable, [sys.executable, "-P", "-m", "sim", *arguments.arguments])


def add_run(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of run."""
    parser.add_argument("site", type=Path, help="the site file")
    add_folder(parser)
    parser.add_argument("--all", action="store_true", help="start the simulator and the api as well, and stop them")
    parser.add_argument("--decisions", type=Path, metavar="FILE", help="record the decisions of this TOML file first")
    parser.add_argument(
        "--speed", type=_speed, default=0.0, metavar="N", help="simulated time, N times as fast as real time"
    )


def _speed(text: str) -> float:
    speed = float(text)
    if not 0.0 < speed <= _MOST_SPEED:
        raise argparse.ArgumentTypeError(f"got {text}; expected a number above 0 and up to {_MOST_SPEED:g}")
    return speed


def run(arguments: argparse.Namespace) -> int:
    """Run the daemon until SIGTERM or SIGINT, which stop it in order."""
    plant = read_plant(arguments.site)
    uvloop.run(_run(arguments, plant))
    return 0


async def _run(arguments: argparse.Namespace, plant: Plant) -> None:
    from daemon.cli.simulator import Simulator
    from daemon.runtime.hold import Hold

    decisions: dict[tuple[str, str], dict[str, Any]] = {}
    if arguments.decisions is not None:
        from daemon.cli.night import read_decisions

        decisions = read_decisions(arguments.decisions)
    stop = asyncio.Event()
    for signal_number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(signal_number, stop.set)
    speed = arguments.speed
    clock: Clock = ScaledClock(speed) if speed else RealClock()
    simulator = None
    if arguments.all:
        simulator = await Simulator.start(arguments.site, ["--pace", str(speed or 1.0)])
    hold = Hold(plant, load_profiles(), arguments.db, clock)
    service = None
    try:
        if await hold.take(_say, stop):
            from daemon.runtime.notify import Notifier
            from daemon.runtime.service import Service

            service = Service(hold, Notifier.from_environment(os.environ), _say)
            await _serve(arguments, service, decisions, simulator, stop)
    finally:
        try:
            await (hold.give_up() if service is None else service.stop())
        finally:
            if simulator is not None:
                await simulator.close()


async def _serve(
    arguments: argparse.Namespace,
    service: "Service",
    decisions: dict[tuple[str, str], dict[str, Any]],
    simulator: "Simulator | None",
    stop: asyncio.Event,
) -> None:
    """Scan until `stop` is set, with whatever the command asks for beside it."""
    from daemon.cli.night import charge_tanks, record_decisions

    async with contextlib.AsyncExitStack() as beside:
        if not await service.start(stop):
            return
        await record_decisions(service, decisions, "run")
        if simulator is not None:
            await charge_tanks(service, simulator)
        if arguments.all:
            from daemon.cli.serve import api_beside

            await beside.enter_async_context(api_beside(arguments.site, arguments.db))
        _say(f"{service.plant.site.site.name}: running. Commands: shiftwright status --db {arguments.db}")
        while not stop.is_set():
            await service.step()


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
