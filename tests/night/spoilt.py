"""A plant on two buses with a proxy before each, in stepped time, and clean lines straight to its servers."""

import asyncio
import contextlib
import itertools
import math
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from pymodbus.client import AsyncModbusTcpClient

from daemon.cli.night import charge_tanks, read_decisions, record_decisions
from daemon.cli.simulator import Simulator
from daemon.clock import Clock, SteppedClock
from daemon.control.states import ACTIVE
from daemon.messages import Command, Verb
from daemon.runtime.hold import Hold
from daemon.runtime.notify import Notifier
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from daemon.site_file import parse_site
from drivers import health
from drivers.health import Rest
from drivers.profile import load_profiles
from drivers.reading import Quality, Reading
from sim.wire_proxy import Strike, WireProxy
from tests.night.sites import PROGRAM, START, TWO_BUSES, edited

ANY, READ, WRITE_COILS, WRITE_REGISTERS = 0, 4, 15, 16
"""Modbus functions that a scan uses; 0 for all of them."""
_TIMEOUT_S = 0.04
_DECISIONS = Path(__file__).parents[1] / "creek" / "decisions.toml"
_PORTS = {"relays": "port = 15020", "signals": "port = 15021"}
_DRIVE_ADDRESS, _SIGNALS_UNIT = 0, 2
_COMMANDS = itertools.count()
"""Of commands: a repeated id is answered and not done."""


class _PlantRest(Rest):
    """A link's rest that ends by the plant's time, which stands still while a stepped scan waits for the wire."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._end_s = 0.0
        super().__init__()

    def failed(self, now_s: float) -> None:
        """Begin a pause, as in the shed: scans are there as far apart as here."""
        super().failed(self._clock.monotonic_s())

    @property
    def until_s(self) -> float:
        """For ever while the plant's time has not come, else over."""
        return math.inf if self._clock.monotonic_s() < self._end_s else 0.0

    @until_s.setter
    def until_s(self, end_s: float) -> None:
        self._end_s = end_s


@dataclass(slots=True)
class SpoiltPlant:
    """A started service, its plant, and what stands between them."""

    service: Service
    simulator: Simulator
    proxies: Mapping[str, WireProxy]
    clean: Mapping[str, AsyncModbusTcpClient]
    compares: bool = True
    """Whether each scan's readings are compared with the clean lines'. Those feed the modules' own time-outs."""
    compared: int = 0
    """GOOD readings that were compared."""
    wrong: list[str] = field(default_factory=list)
    """Those that were not what the device itself showed at that moment, in words."""

    async def scan(self) -> Scanned:
        """Do one scan."""
        return await self.service.step()

    async def truth(self) -> dict[str, Any]:
        """Return the plant's own account."""
        return await self.simulator.ask("truth")

    async def command(self, verb: Verb, **arguments: Any) -> Scanned:
        """Do a scan with a command that must be accepted."""
        command = Command(f"test-{next(_COMMANDS)}", "test", "technician", verb, arguments)
        asked = asyncio.ensure_future(self.service.command(command))
        await asyncio.sleep(0)
        scanned = await self.scan()
        answer = await asked
        assert answer.accepted, answer.reason
        return scanned

    async def start_run(self) -> None:
        """Start the night's program."""
        newest = self.service.scanner.newest
        if newest is not None and newest.decision.verdict.needs_technician:  # run after run met the same fault
            await self.command(Verb.RESET)
        await self.command(Verb.START, programs=[PROGRAM])

    def spoil(self, bus: str, function: int, fault: str, turn: int = 0, times: int | None = None) -> Strike:
        """Spoil a bus's transactions of one function, or of all."""
        strike = Strike(fault, when=lambda request: function in (ANY, request[7]), turn=turn, times=times)
        self.proxies[bus].strike = strike
        return strike

    def calm(self) -> None:
        """Let everything pass again."""
        for proxy in self.proxies.values():
            proxy.strike = None

    async def nudge_drive(self) -> None:
        """Set the injector's drive from elsewhere, two steps beside what is wanted: the next scan must set it again."""
        wanted = self.service.scanner.state.outputs.channels.get("a")
        steps = round(10_000.0 * wanted.drive) if wanted is not None else 0
        await self.clean["signals"].write_registers(_DRIVE_ADDRESS, [steps + 2], device_id=_SIGNALS_UNIT)

    async def compare(self, readings: Mapping[str, Reading]) -> None:
        """Compare GOOD readings with what the devices show at this very moment: the plant stands still meanwhile."""
        for bus, stations in self.service.field._stations.items():
            for station in stations:
                for index, block in enumerate(station.reader.blocks):
                    reply = await self.clean[bus].read_input_registers(
                        block.address, count=block.count, device_id=station.device.unit
                    )
                    for name, shown in station.reader.decode(index, reply.registers, 0.0).items():
                        if readings[name].quality is Quality.GOOD:
                            self.compared += 1
                            if readings[name].value != shown.value:
                                self.wrong.append(f"{name}: got {readings[name].value}, the device has {shown.value}")


@contextlib.asynccontextmanager
async def spoilt_plant(
    folder: Path, site: Mapping[str, str], decisions: Mapping[str, str]
) -> AsyncIterator[SpoiltPlant]:
    """Start the plant of two buses with these changes, its proxies, and a service that meets it through them."""
    folder.mkdir(parents=True, exist_ok=True)
    plant_site, decisions_file = folder / "plant.toml", folder / "decisions.toml"
    text = edited(TWO_BUSES.read_text("utf-8"), site).replace("timeout_s = 0.5", f"timeout_s = {_TIMEOUT_S}")
    plant_site.write_text(edited(text, dict.fromkeys(_PORTS.values(), "port = 0")), "utf-8")
    decisions_file.write_text(edited(_DECISIONS.read_text("utf-8"), decisions), "utf-8")
    async with contextlib.AsyncExitStack() as closing:
        simulator = await Simulator.start(plant_site, ["--perfect"])
        closing.push_async_callback(simulator.close)
        proxies, ports, clean = {}, {}, {}
        for bus, server_port in simulator.ports.items():
            proxies[bus] = WireProxy("127.0.0.1", _TIMEOUT_S)
            closing.push_async_callback(proxies[bus].stop)
            ports[_PORTS[bus]] = f"port = {await proxies[bus].start(0, server_port)}"
            clean[bus] = AsyncModbusTcpClient("127.0.0.1", port=server_port, timeout=3.0, retries=0)
            closing.callback(clean[bus].close)
            assert await clean[bus].connect()
        profiles = load_profiles()
        plant = parse_site(edited(text, ports), profiles)
        clock = SteppedClock(simulator.advance, START)
        patch = closing.enter_context(pytest.MonkeyPatch.context())
        patch.setattr(health, "Rest", lambda: _PlantRest(clock))
        service = Service(Hold(plant, profiles, folder / "db", clock), Notifier(None, None), lambda text: None)
        closing.push_async_callback(service.stop)
        await service.start()
        await record_decisions(service, read_decisions(decisions_file), "test")
        await charge_tanks(service, simulator)
        spoilt = SpoiltPlant(service, simulator, proxies, clean)
        closing.callback(spoilt.calm)
        read = service.field.read

        async def read_and_compare() -> dict[str, Reading]:
            readings = await read()
            if spoilt.compares:
                await spoilt.compare(readings)
            return readings

        patch.setattr(service.field, "read", read_and_compare)
        await spoilt.scan()
        yield spoilt


def is_active(scanned: Scanned) -> bool:
    """Return whether the procedure has not ended."""
    return scanned.decision.state.unit.procedure in ACTIVE


def is_injecting(scanned: Scanned) -> bool:
    """Return whether an injector is commanded on."""
    return any(channel.run for channel in scanned.decision.outputs.channels.values())
