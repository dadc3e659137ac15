"""A technician at Kestrel Bend: leads an attempt through its stages; the plant's truth fills jug, cans and watch.

What is entered comes from the simulator's truth with a person's reading noise, never from the daemon.
"""

import asyncio
import random
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Protocol

from daemon.cli.night import charge_tanks, on_free_ports, read_decisions, record_decisions
from daemon.cli.simulator import Simulator
from daemon.clock import SteppedClock
from daemon.messages import OPERATOR, TECHNICIAN, Answer, Command, Verb
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.service import Service
from daemon.site_file import parse_site
from drivers.profile import load_profiles
from tests.night.sites import START, edited

WHO = "Tomas"
A_RUN, A_PROGRAM, HELD = "a run of water", "a program", "water that is held on"
Answers = Callable[["Technician", str], Awaitable[dict[str, Any]]]
"""What is entered at a stage."""


class StageError(Exception):
    """A stage was cut off."""


class Cans(Protocol):
    """Cans under some emitters of a block."""

    def caught_ml(self, mean_ml: float) -> list[float]:
        """Return what each caught where the mean of all emitters gave so much."""
        ...


class Technician:
    """One person at one plant."""

    def __init__(self, service: Service, simulator: Simulator, seed: int) -> None:
        self.service, self.simulator = service, simulator
        self.random = random.Random(seed)
        self.before: dict[str, Any] = {}
        """The truth as it was when the stage before was entered."""
        self.fault = ""
        """That provokes the interlock under test."""
        self.provoked_s: float | None = None
        self.answered_s: float | None = None
        """When the plant's contactors changed after it."""
        self.contactors: dict[str, bool] = {}
        self.during = A_RUN
        self.water = "creek"
        """That runs while the readings are held against gauges."""
        self.cans: Cans | None = None
        """Under the emitters of the block, in the uniformity step."""
        self.reads = 0
        """Of a meter in the hand."""
        self.passed_l = 0.0
        """By the reference in the test of the main meter."""
        self.count = 0

    async def until(self, asked: Awaitable[Answer]) -> Answer:
        """Let the plant go on until something is answered."""
        answering = asyncio.ensure_future(asked)
        await asyncio.sleep(0)
        while not answering.done():
            await self.service.step()
        return await answering

    async def ask(self, do: str, **given: Any) -> Answer:
        """Ask for something of the commissioning."""
        self.count += 1
        asked = {
            "id": f"t{self.count}-{self.service.clock.stamp().ms}",
            "who": WHO,
            "role": TECHNICIAN,
            "do": do,
            **given,
        }
        return await self.until(self.service.commissioning.answer(asked))

    async def command(self, verb: Verb, role: str = OPERATOR, **arguments: Any) -> Answer:
        """Give a control command."""
        self.count += 1
        command = Command(f"c{self.count}-{self.service.clock.stamp().ms}", WHO, role, verb, arguments)
        return await self.until(self.service.command(command))

    async def command_run(self, block: str = "creek") -> None:
        """Start water of a block."""
        assert (await self.command(Verb.START, block=block, minutes=30.0)).accepted

    async def command_stop(self) -> None:
        """Stop what runs."""
        await self.command(Verb.STOP_EVERYTHING)

    async def restart(self) -> None:
        """Stop the controller as a signal does, and start it on the same record."""
        old = self.service
        then, folder = old.clock.stamp().utc, old.ledger.path.parent
        await old.stop()
        clock = SteppedClock(self.simulator.advance, then)
        self.service = Service(Hold(old.plant, load_profiles(), folder, clock), Notifier(None, None), _mute)
        await self.service.start()
        await self.service.step()

    async def at_rest(self, most_scans: int = 120) -> bool:
        """Return whether the controller comes to rest soon, and the plant's own outputs with it."""
        for _ in range(most_scans):
            await self.service.step()
            on = (await self.truth())["outputs"]
            if self.service.scanner.is_at_rest() and not any(on.values()):
                return True
        return False

    async def truth(self) -> dict[str, Any]:
        """Return the plant's truth."""
        return await self.simulator.ask("truth")

    async def _provoke(self) -> None:
        contactors = (await self.truth())["contactors"]
        is_ready = any(on for name, on in contactors.items() if name != "pump") or self.during != A_PROGRAM
        if self.provoked_s is None and is_ready:
            self.contactors = contactors
            self.provoked_s = self.service.clock.monotonic_s()
            await self.simulator.ask("fault", name=self.fault, on=True)

    def read(self, value: float, deviation: float) -> float:
        """Return what a person reads of something."""
        return max(0.0, value + self.random.gauss(0.0, deviation))

    @property
    def view(self) -> dict[str, Any]:
        """What the daemon shows."""
        return self.service.commissioning.view

    async def to_entry(self, most_scans: int = 20_000) -> str:
        """Let the daemon go on until a stage asks for something; return its name, empty at the end."""
        for _ in range(most_scans):
            view = self.view
            if view["cut_off"]:
                raise StageError(f"{view['step']} {view['stage']['name']}: {view['cut_off']}")
            if view["stage"] is None and (view["result"] is not None or view["problem"]):
                return ""
            if view["stage"] is not None and not view["stage"]["by_daemon"]:
                return str(view["stage"]["name"])
            if view["stage"] is not None and view["stage"]["name"] == "provoke" and view["stage"]["on_s"] > 10.0:
                await self._provoke()
            await self.service.step()
            if self.provoked_s is not None and self.answered_s is None:
                on = (await self.truth())["contactors"]
                self.answered_s = self.service.clock.monotonic_s() if on != self.contactors else None
        raise AssertionError(f"the stage did not end: {self.view}")

    async def lead(self, step: str, subject: str, answers: Answers, *, accept: bool = True) -> dict[str, Any]:
        """Lead an attempt to its end; return its result."""
        begun = await self.ask("begin", step=step, subject=subject)
        assert begun.accepted, begun.reason
        while stage := await self.to_entry():
            values = await answers(self, stage)
            entered = await self.ask("enter", stage=stage, values=values)
            assert entered.accepted, (stage, values, entered.reason)
        view = self.view
        assert view["result"] is not None, view["problem"]
        if accept:
            accepted = await self.ask("accept")
            assert accepted.accepted, accepted.reason
            assert self.view == {}
        return dict(view["result"])


def value_of(result: Mapping[str, Any], name: str) -> float:
    """Return a figure of a result."""
    return float(next(one["value"] for one in result["figures"] if one["name"] == name))


def u_of(result: Mapping[str, Any], name: str) -> float:
    """Return the k = 2 of a figure."""
    return float(next(one["u"] for one in result["figures"] if one["name"] == name))


@asynccontextmanager
async def at_the_plant(
    site: Path,
    decisions: Path,
    folder: Path,
    *,
    seed: int = 1,
    options: tuple[str, ...] = (),
    otherwise: Mapping[str, str] | None = None,
) -> AsyncIterator[Technician]:
    """Start the simulated plant and its controller, charge the tanks, and put the unit in SEMI_AUTOMATIC.

    `otherwise` is what the site file has and what the plant itself is, where the two differ.
    """
    text = on_free_ports(site.read_text("utf-8"))
    site.write_text(text, "utf-8")
    plants = site.with_suffix(".plant.toml")
    plants.write_text(edited(text, otherwise or {}), "utf-8")
    simulator = await Simulator.start(plants, ["--seed", str(seed), *options])
    try:
        plant = parse_site(text, load_profiles())
        service = Service(
            Hold(plant, load_profiles(), folder, SteppedClock(simulator.advance, START)), Notifier(None, None), _mute
        )
        try:
            await service.start()
            await record_decisions(service, read_decisions(decisions), "Mina")
            await charge_tanks(service, simulator)
            await service.step()
            technician = Technician(service, simulator, seed)
            mode = await technician.command(Verb.MODE, mode="SEMI_AUTOMATIC")
            assert mode.accepted, mode.reason
            try:
                yield technician
            finally:
                if technician.service is not service:
                    await technician.service.stop()
        finally:
            await service.stop()
    finally:
        await simulator.close()


def _mute(text: str) -> None:
    pass
