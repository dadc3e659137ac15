"""Every kind of device on every kind of bus: `tests/every_kind.toml` served, and each point of it asked for."""

import asyncio
import struct
from collections.abc import AsyncIterator
from pathlib import Path

import pytest_asyncio
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.client.base import ModbusBaseClient
from pymodbus.framer import FramerType

from sim.instruments import Instruments
from sim.plant import Plant
from sim.server import BusServer, SimulatedDevice
from sim.site import Point, Site, read_site
from sim.tolerances import Tolerances
from tests.sim.conftest import PROFILES, ROOT

_PATIENCE_S = 3.0


class EveryKind:
    """The plant, its site, and a client on each of its buses."""

    def __init__(self, site: Site, plant: Plant, clients: dict[str, ModbusBaseClient]) -> None:
        self.site = site
        self.plant = plant
        self.clients = clients

    async def registers(self, device: str, point: Point) -> list[int]:
        """Read one point; raises AssertionError where the device refuses."""
        sheet = self.site.device[device]
        client = self.clients[sheet.bus]
        read = {
            "coil": client.read_coils,
            "discrete": client.read_discrete_inputs,
            "holding": client.read_holding_registers,
            "input": client.read_input_registers,
        }[point.table]
        answer = await read(point.address, count=point.width, device_id=sheet.unit)
        assert not answer.isError(), f"{device}.{point.name}"
        return list(answer.registers)


@pytest_asyncio.fixture
async def every_kind(tmp_path: Path) -> AsyncIterator[EveryKind]:
    """The plant of every kind, served on free ports and a line of the test's own."""
    line, file = tmp_path / "line", tmp_path / "site.toml"
    file.write_text((ROOT / "tests" / "every_kind.toml").read_text("utf-8").replace("/tmp/every-kind-line", str(line)))
    site = read_site(file, PROFILES)
    plant = Plant(site, Tolerances(1, perfect=True))
    instruments = Instruments(plant)
    devices = {name: SimulatedDevice(name, sheet, plant, instruments) for name, sheet in site.device.items()}
    servers, clients = [], {}
    for name, bus in site.bus.items():
        on_it = [devices[device] for device, sheet in site.device.items() if sheet.bus == name]
        servers.append(BusServer(bus, on_it, lambda: plant.time_s))
        clients[name] = _client(bus.kind, await servers[-1].start(0))
        assert await clients[name].connect()
    yield EveryKind(site, plant, clients)
    for client in clients.values():
        client.close()
    for server in servers:
        await server.stop()
    await asyncio.sleep(0)


def _client(kind: str, where: int | str) -> ModbusBaseClient:
    if isinstance(where, str):
        return AsyncModbusSerialClient(where, timeout=_PATIENCE_S, retries=0)
    framer = FramerType.SOCKET if kind == "tcp" else FramerType.RTU
    return AsyncModbusTcpClient("127.0.0.1", port=where, framer=framer, timeout=_PATIENCE_S, retries=0)


async def test_every_point_of_every_device_answers(every_kind: EveryKind) -> None:
    """Guards that no profile has a point that the simulator cannot serve."""
    for name, sheet in every_kind.site.device.items():
        for point in sheet.points.values():
            await every_kind.registers(name, point)


async def test_set_values_reach_the_plant_and_read_back(every_kind: EveryKind) -> None:
    """Guards a drive's speed by single write, an analogue output in percent as a float, and a bit of a word."""
    line, plant, points = every_kind.clients["line"], every_kind.plant, every_kind.site.device
    drive, outputs = points["drive"], points["outputs"]
    await line.write_register(1, 7500, device_id=drive.unit)
    await line.write_register(0, 0b1, device_id=drive.unit)
    await line.write_registers(0, list(struct.unpack(">2H", struct.pack(">f", 40.0))), device_id=outputs.unit)
    assert await every_kind.registers("drive", drive.points["speed_fraction_state"]) == [7500]
    assert await every_kind.registers("drive", drive.points["run_state"]) == [1 << 8]
    raw = await every_kind.registers("outputs", outputs.points["ao1_state"])
    assert struct.unpack(">f", struct.pack(">2H", *raw)) == (40.0,)
    assert plant.injectors["a"].drive == 0.4
    assert plant.water.supply.set_speed == 0.75


async def test_a_drive_shows_its_own_time_out(every_kind: EveryKind) -> None:
    """Guards the setting of the time-out where a device calls it by a name of its own."""
    line, drive = every_kind.clients["line"], every_kind.site.device["drive"]
    await line.write_register(2, 80, device_id=drive.unit)
    assert await every_kind.registers("drive", drive.points["comms_loss_s"]) == [80]
    assert every_kind.plant.modules["drive"].setting_s == 8.0
