"""One night on the simulator in stepped time: what `demo` runs, through the same service and scan as in the shed."""

import asyncio
import hashlib
import socket
import tomllib
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from daemon.agronomy.contents import Contents
from daemon.agronomy.tank import contents_at
from daemon.cli.errors import InputError
from daemon.cli.simulator import Simulator, SimulatorError
from daemon.clock import SteppedClock, real_seconds
from daemon.control.states import ACTIVE
from daemon.decisions.timetable import Timetable
from daemon.folder import LEDGER
from daemon.ledger.in_force import parse_decision
from daemon.messages import Command, Verb
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles

_LONGEST_S = 24 * 3600.0


class NightError(Exception):
    """The night could not be run. Says why."""

    code = "night"


@dataclass(frozen=True, slots=True)
class Night:
    """What a night left behind, besides its ledger."""

    plant: Plant
    runs: tuple[str, ...]
    """Those of this night, in their order."""
    truth: dict[str, Any]
    simulated_s: float
    wall_s: float
    scans: int
    requests: int


def free_ports(count: int) -> list[int]:
    """Return ports of the loopback that are free now."""
    sockets = [socket.socket() for _ in range(count)]
    try:
        for listener in sockets:
            listener.bind(("127.0.0.1", 0))
        return [listener.getsockname()[1] for listener in sockets]
    finally:
        for listener in sockets:
            listener.close()


def on_free_ports(site: str) -> str:
    """Return the text of a site file with every bus on a free port, so that two demos never meet."""
    ports = iter(free_ports(site.count("\nport = ")))
    lines = (f"port = {next(ports)}" if line.startswith("port = ") else line for line in site.splitlines())
    return "\n".join(lines) + "\n"


async def run_night(
    site_file: Path,
    decisions_file: Path,
    programs: Sequence[str],
    folder: Path,
    start: datetime,
    *,
    options: Sequence[str] = (),
    faults: Sequence[tuple[str, float]] = (),
    watch: Callable[[Service, Simulator, Scanned], None] = lambda service, simulator, scanned: None,
    after: Callable[[Service, Night], Awaitable[None]] | None = None,
) -> Night:
    """Run `programs` once, one after the other, and return what came of it. The ledger stands in `folder`.

    Timetables are left out: a night that is started here must not start by itself as well. `options` go to the
    simulator; `faults` are (name, second of the night); `after` is awaited before the service is stopped. Raises
    NightError when the run is refused or does not end, and what the service raises when it cannot start.
    """
    decisions = {name: body for name, body in read_decisions(decisions_file).items() if name[0] != Timetable.kind}
    simulator = await Simulator.start(site_file, options)
    try:
        plant = parse_site(site_file.read_text("utf-8"), load_profiles())
        service = Service(
            Hold(plant, load_profiles(), folder, SteppedClock(simulator.advance, start)), Notifier(None, None), _mute
        )
        try:
            await service.start()
            await record_decisions(service, decisions, "demo")
            await charge_tanks(service, simulator)
            for name, at_s in faults:
                await _schedule(simulator, name, at_s)
            night = await _run(service, simulator, programs, watch)
            if after is not None:
                await after(service, night)
            return night
        finally:
            await service.stop()
    finally:
        await simulator.close()


async def _run(
    service: Service,
    simulator: Simulator,
    programs: Sequence[str],
    watch: Callable[[Service, Simulator, Scanned], None],
) -> Night:
    began_s = real_seconds()
    await service.step()
    from daemon.ledger.reports import last_runs  # heavy: `run` imports this file before the safe outputs are written

    before = last_runs(ledger_of(service.folder), 1)
    number = before[0].started.seq if before else 0  # a record may hold earlier nights, whose commands are done
    command = Command(f"demo-start-{number}", "demo", "operator", Verb.START, {"programs": list(programs)})
    asked = asyncio.ensure_future(service.command(command))
    await asyncio.sleep(0)
    scanned = await service.step()
    answer = await asked
    state = scanned.decision.state
    if not answer.accepted or state.run is None:
        raise NightError(answer.reason)
    runs = (state.run.recipe.run, *(recipe.run for recipe in state.queue))
    while scanned.decision.state.unit.procedure in ACTIVE:
        scanned = await service.step()
        watch(service, simulator, scanned)
        if service.clock.monotonic_s() > _LONGEST_S:
            raise NightError("the run did not end within a day")
    wall_s = real_seconds() - began_s
    truth = await simulator.ask("truth")
    return Night(
        plant=service.plant,
        runs=runs,
        truth=truth,
        simulated_s=service.clock.monotonic_s(),
        wall_s=wall_s,
        scans=scanned.number,
        requests=sum(truth["requests"].values()),
    )


async def _schedule(simulator: Simulator, fault: str, at_s: float) -> None:
    try:
        await simulator.ask("fault", name=fault, on=True, at_s=at_s)
    except SimulatorError as error:
        raise InputError(f"--fault: {error}") from None


Decisions = dict[tuple[str, str], dict[str, Any]]
"""The bodies of decisions by (kind, key)."""


def read_decisions(file: Path) -> Decisions:
    """Return the decisions of a TOML file: [kind.key] with the decision's own keys.

    Raises InputError when the file cannot be read, DecisionError with what is wrong with a decision.
    """
    try:
        content = tomllib.loads(file.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(f"{file}: cannot be read ({error}); expected a TOML file of decisions in UTF-8") from None
    decisions: Decisions = {}
    for kind, items in content.items():
        for key, body in items.items() if isinstance(items, dict) else ((kind, items),):
            parse_decision(kind, key, body)
            decisions[kind, key] = body
    return decisions


async def record_decisions(service: Service, decisions: Decisions, who: str) -> None:
    """Record those decisions that are new or changed, all or none. Raises DecisionError when they do not fit."""
    changed = [
        {"kind": kind, "key": key, "body": body, "expected_version": service.decided.version_of(kind, key)}
        for (kind, key), body in decisions.items()
        if service.decided.newest.get((kind, key)) != parse_decision(kind, key, body)
    ]
    if changed:
        await service.decided.record({"id": _id_of(changed), "who": who, "decisions": changed})


def _id_of(changed: Sequence[Mapping[str, Any]]) -> str:
    """Return an id by what is asked and on which versions: the same night writes the same record."""
    return f"file-{hashlib.sha256(repr(changed).encode()).hexdigest()[:16]}"


async def charge_tanks(service: Service, simulator: Simulator) -> None:
    """Fill each simulated tank with what the decisions say is in it now."""
    now = service.clock.stamp().utc
    for tank in service.plant.site.tank:
        contents = contents_at(tank, service.decided.newest, now)
        if contents is not None:
            await charge_tank(simulator, contents, contents.litres)


async def charge_tank(simulator: Simulator, contents: Contents, litres: float) -> None:
    """Fill a simulated tank with so many litres of a solution; one without products is left as it is."""
    if contents.product_g_l:
        await simulator.ask(
            "charge",
            tank=contents.tank,
            litres=litres,
            nutrients_g_l=contents.nutrients_g_l,
            product_g_l=contents.product_g_l,
            ec_ms_cm_per_g_l=contents.products_ec_ms_cm_per_g_l or 0.0,
            strength_accuracy_pct=contents.strength_accuracy_pct,
        )


def ledger_of(folder: Path) -> Path:
    """Return where a service keeps its ledger in `folder`."""
    return folder / LEDGER


def _mute(text: str) -> None:
    """Say nothing: the night's own report does."""
