"""How each device answers, on the snapshot's counters: absent at the start, there, lost, and back by itself."""

import asyncio
from pathlib import Path

import pytest
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from daemon.cli.night import free_ports
from daemon.clock import RealClock
from daemon.runtime.field import Field
from daemon.site_file import parse_site
from drivers.health import DeviceState
from drivers.profile import load_profiles
from drivers.reading import Quality

_CREEK = Path(__file__).parents[2] / "creek" / "site.toml"
_PROBE = """
[device.probe]
bus = "shed"
unit = 9
profile = "ec_transmitter"
"""
_STATION_EC = 'line_ec = { point = "station.ai4", at_low = 0.0, at_high = 5.0, '
_PATIENCE_S = 10.0


async def _server(port: int, *units: int) -> ModbusTcpServer:
    bits, words = SimData(0, count=32, values=False, datatype=DataType.BITS), SimData(0, 64, 6, DataType.REGISTERS)
    devices = [SimDevice(unit, ([bits], [bits], [words], [words])) for unit in units]
    server = ModbusTcpServer(devices, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    return server


async def _until(field: Field, states: dict[str, DeviceState]) -> None:
    """Scan until the devices are in these states."""
    async with asyncio.timeout(_PATIENCE_S):
        while {name: health.state for name, health in field.device_health().items()} != states:
            await field.read()
            await asyncio.sleep(0.05)


@pytest.fixture
def field() -> Field:
    """The creek plant with its line probe on a device of its own, at a port where nothing listens yet."""
    (port,) = free_ports(1)
    text = _CREEK.read_text("utf-8").replace("port = 15020", f"port = {port}") + _PROBE
    text = text.replace("timeout_s = 0.5", "timeout_s = 0.2").replace(
        _STATION_EC, 'line_ec = { point = "probe.ec_ms_cm", '
    )
    return Field(parse_site(text, load_profiles()), load_profiles(), RealClock().monotonic_s)


async def test_absent_lost_and_back(field: Field) -> None:
    """A device that is off takes no other one with it, and nobody has to do anything once it is on again."""
    port = int(field._plant.site.bus["shed"].endpoint.partition(":")[2])
    never, answering, lost = DeviceState.NEVER_SEEN, DeviceState.ANSWERING, DeviceState.LOST
    await field.read()
    assert {health.state for health in field.device_health().values()} == {never}

    server = await _server(port, 1, 9)
    await _until(field, {"station": answering, "probe": answering})
    readings = await field.read()
    assert readings["probe.ec_ms_cm"].quality is not Quality.BAD and readings["station.count1"].quality is Quality.GOOD
    await server.shutdown()  # type: ignore[no-untyped-call]
    await _until(field, {"station": lost, "probe": lost})
    assert all(reading.quality is Quality.BAD for reading in (await field.read()).values())

    server = await _server(port, 1, 9)
    await _until(field, {"station": answering, "probe": answering})
    health = field.device_health()["station"]
    assert health.ok > 0 and health.disconnects + health.timeouts > 0 and health.last_failure
    await server.shutdown()  # type: ignore[no-untyped-call]
    await field.close()
