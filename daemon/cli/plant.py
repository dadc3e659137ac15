"""`check`, `sim` and `run`: the commands that take a site file."""

import argparse
import asyncio
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path

import uvloop

from daemon.cli.client import add_folder
from daemon.cli.errors import InputError
from daemon.clock import Clock, RealClock, ScaledClock
from daemon.commissioning.status import unknown_required
from daemon.commissioning.steps import STEPS
from daemon.decisions.kinds import KINDS
from daemon.planning.decided import Decided, parse_decisions
from daemon.planning.review import check_decisions
from daemon.site import Plant
from daemon.site_file import Inspected, inspect_site
from drivers.profile import Problem, load_profiles

_MOST_SPEED = 10_000.0


def read_plant(file: Path) -> Plant:
    """Return the plant of a site file. Raises InputError with all that is wrong with it."""
    found = _inspected(file)
    if found.plant is None:
        raise InputError(_told(file, found.problems))
    return found.plant


def _inspected(file: Path) -> Inspected:
    return inspect_site(_text(file), load_profiles())


def _text(file: Path) -> str:
    try:
        return file.read_text("utf-8")
    except FileNotFoundError:
        raise InputError(f"{file}: no such file. A site to start from: shiftwright demo --copy DIR") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file in UTF-8") from None


def _told(file: Path, problems: Sequence[Problem]) -> str:
    return "\n".join((f"{file}: {len(problems)} error{'s' if len(problems) > 1 else ''}", *map(str, problems)))


def add_check(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of check."""
    parser.add_argument("site", type=Path, help="the site file")
    parser.add_argument("--decisions", type=Path, metavar="FILE", help="check the decisions of this TOML file as well")


def check(arguments: argparse.Namespace) -> int:
    """Read the site file, and the decisions, and say all that is wrong with them at once. Touches nothing else."""
    found = _inspected(arguments.site)
    told = [_told(arguments.site, found.problems)] if found.problems else []
    decided = Decided({}, frozenset(), ())
    if arguments.decisions is not None:
        decided = parse_decisions(_text(arguments.decisions))
        problems = (*decided.problems, *check_decisions(found, decided))
        told += [_told(arguments.decisions, problems)] if problems else []
    if told or found.plant is None:
        raise InputError("\n".join(told))
    site = found.plant.site
    print(
        f"{arguments.site}: {site.site.name}, {len(site.block)} block(s), {len(site.injector)} injection channel(s), "
        f"{len(site.device)} device(s) on {len(site.bus)} bus(es). No errors."
    )
    for name in unknown_required(site):
        print(f"Warning: {_not_there(name, found.plant)}. Nothing is injected until this is put right; water runs.")
    if arguments.decisions is not None:
        counted = {kind: len(decided.names(model)) for kind, model in KINDS.items()}
        counts = ", ".join(f"{count} of {kind}" for kind, count in counted.items() if count)
        print(f"{arguments.decisions}: {counts}. No errors.")
    return 0


def _not_there(name: str, plant: Plant) -> Problem:
    step = STEPS[name.partition(".")[0]]
    subjects = ", ".join(f"{step.name}.{subject}" for subject in step.subjects(plant.site))
    return Problem("commissioning.required", repr(name), f"{step.name}, or one of {subjects or 'none: there is none'}")


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
    from daemon.cli.night import charge_tanks, read_decisions, record_decisions
    from daemon.cli.simulator import Simulator
    from daemon.runtime.notify import Notifier
    from daemon.runtime.service import Service

    decisions = read_decisions(arguments.decisions) if arguments.decisions is not None else {}
    stop = asyncio.Event()
    for signal_number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(signal_number, stop.set)
    speed = arguments.speed
    clock: Clock = ScaledClock(speed) if speed else RealClock()
    simulator = None
    if arguments.all:
        simulator = await Simulator.start(arguments.site, ["--pace", str(speed or 1.0)])
    beside = contextlib.AsyncExitStack()
    try:
        notifier = Notifier.from_environment(os.environ)
        service = Service(plant, load_profiles(), arguments.db, clock, notifier, _say)
        try:
            if await service.start(stop):
                await record_decisions(service, decisions, "run")
                if simulator is not None:
                    await charge_tanks(service, simulator)
                if arguments.all:
                    from daemon.cli.serve import api_beside

                    await beside.enter_async_context(api_beside(arguments.site, arguments.db))
                _say(f"{plant.site.site.name}: running. Commands: shiftwright status --db {arguments.db}")
                while not stop.is_set():
                    await service.step()
        finally:
            await beside.aclose()
            await service.stop()
    finally:
        if simulator is not None:
            await simulator.close()


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
