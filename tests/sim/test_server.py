"""The simulator over real Modbus TCP, read and written by pymodbus's own client."""

import asyncio
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from sim.instruments import Instruments
from sim.plant import Plant
from sim.server import BusServer, PortTakenError, SimulatedDevice
from sim.site import Site

RELAYS, SIGNALS = 1, 2


class Served:
    """A plant with its buses listening, and a client on each."""

    def __init__(self, plant: Plant, buses: dict[str, BusServer], clients: dict[str, AsyncModbusTcpClient]) -> None:
        self.plant = plant
        self.buses = buses
        self.relays = clients["relays"]
        self.signals = clients["signals"]


@pytest_asyncio.fixture
async def served(site: Site, plant: Plant) -> AsyncIterator[Served]:
    """Kestrel Bend without hidden tolerances on free ports."""
    instruments = Instruments(plant)
    buses, clients = {}, {}
    for name, bus in site.bus.items():
        devices = [
            SimulatedDevice(device, sheet, plant, instruments)
            for device, sheet in site.device.items()
            if sheet.bus == name
        ]
        buses[name] = BusServer(bus, devices, lambda: plant.time_s)
        port = await buses[name].start(0)
        assert isinstance(port, int)
        clients[name] = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=3.0, retries=0)
        assert await clients[name].connect()
    yield Served(plant, buses, clients)
    for client in clients.values():
        client.close()
    for server in buses.values():
        await server.stop()
    await asyncio.sleep(0)


async def test_one_block_read_shows_the_whole_signal_block(served: Served) -> None:
    """Guards the registers of the signal block: microamperes, counters of two registers, the set value read back."""
    await served.relays.write_coils(0, [True, True, True, True], device_id=RELAYS)
    await served.signals.write_register(0, 5000, device_id=SIGNALS)
    served.plant.advance(300.0)
    answer = await served.signals.read_input_registers(0, count=18, device_id=SIGNALS)
    flow_m3_h = (answer.registers[0] / 1000.0 - 4.0) / 16.0 * 60.0
    assert flow_m3_h == pytest.approx(served.plant.meter.flow_l_s * 3.6, abs=0.01)
    assert answer.registers[8] << 16 | answer.registers[9] == int(served.plant.meter.counted_l / 10.0)
    assert answer.registers[10] << 16 | answer.registers[11] == int(served.plant.injectors["a"].metered_l / 0.01)
    assert answer.registers[16] == 5000
    assert served.plant.injectors["a"].drive == 0.5


async def test_coils_read_back_at_once(served: Served) -> None:
    """Guards the read-back: what a master has just written shows in coils and in the states, with no time passing."""
    await served.relays.write_coils(0, [True, False, True], device_id=RELAYS)
    await served.relays.write_coil(1, True, device_id=RELAYS)
    coils = await served.relays.read_coils(0, count=8, device_id=RELAYS)
    assert coils.bits == [True, True, True, False, False, False, False, False]
    states = await served.relays.read_input_registers(1, count=1, device_id=RELAYS)
    assert states.registers == [0b111]


async def test_the_time_out_shows_until_the_next_write(served: Served) -> None:
    """Guards the relay block's own registers: setting, trip, and outputs gone after silence in plant time."""
    await served.relays.write_register(0, 50, device_id=RELAYS)
    await served.relays.write_coils(0, [True] * 8, device_id=RELAYS)
    served.plant.advance(6.0)
    answer = await served.relays.read_input_registers(0, count=6, device_id=RELAYS)
    assert answer.registers[1] == 0
    assert answer.registers[3] == 5
    assert answer.registers[4:] == [50, 1]
    assert (await served.relays.read_coils(0, count=8, device_id=RELAYS)).bits == [False] * 8
    await served.relays.write_coil(0, False, device_id=RELAYS)
    assert (await served.relays.read_input_registers(5, count=1, device_id=RELAYS)).registers == [0]


async def test_what_the_time_out_dropped_shows_as_off_after_a_write_elsewhere(served: Served) -> None:
    """Guards the read-back of relays that a master has not written since they dropped."""
    await served.relays.write_register(0, 50, device_id=RELAYS)
    await served.relays.write_coils(0, [True] * 8, device_id=RELAYS)
    served.plant.advance(6.0)
    await served.relays.write_coil(7, True, device_id=RELAYS)
    coils = await served.relays.read_coils(0, count=8, device_id=RELAYS)
    states = await served.relays.read_input_registers(1, count=1, device_id=RELAYS)
    assert coils.bits == [False] * 7 + [True]
    assert states.registers == [0x80]


async def test_any_request_feeds_the_time_out(served: Served) -> None:
    """Guards that a read keeps the outputs, and that a request to another device does not."""
    await served.relays.write_register(0, 50, device_id=RELAYS)
    await served.relays.write_coil(0, True, device_id=RELAYS)
    for _ in range(4):
        served.plant.advance(4.0)
        await served.relays.read_input_registers(0, count=1, device_id=RELAYS)
    assert served.plant.output_is_on("relays.out1")
    for _ in range(2):
        served.plant.advance(4.0)
        await served.signals.read_input_registers(0, count=1, device_id=SIGNALS)
    assert not served.plant.output_is_on("relays.out1")


@pytest.mark.parametrize("unit", [0, 2, 9, 247])
async def test_a_unit_that_is_not_there_never_answers_as_another(served: Served, unit: int) -> None:
    """Guards addressing: reads, writes and identification of an absent unit get exception 0B, and change nothing."""
    read = await served.relays.read_input_registers(0, count=2, device_id=unit)
    write = await served.relays.write_coil(0, True, device_id=unit)
    identity = await served.relays.read_device_information(device_id=unit)
    assert [answer.exception_code for answer in (read, write, identity)] == [0x0B] * 3
    assert not served.plant.output_is_on("relays.out1")


async def test_addresses_outside_the_profile_are_refused(served: Served) -> None:
    """Guards the tables' ends: exception 02 past the last point, although pymodbus rounds bit tables up to 16."""
    answers = [
        await served.relays.read_coils(8, count=1, device_id=RELAYS),
        await served.relays.write_coils(4, [True] * 5, device_id=RELAYS),
        await served.relays.read_input_registers(5, count=2, device_id=RELAYS),
        await served.relays.read_discrete_inputs(0, count=1, device_id=RELAYS),
        await served.signals.write_register(2, 1, device_id=SIGNALS),
    ]
    assert [answer.exception_code for answer in answers] == [2] * len(answers)


async def test_it_says_that_it_is_the_simulator(served: Served) -> None:
    """Guards the lock on stepped time: identification is the only sign by which a controller knows it from a plant."""
    answer = await served.signals.read_device_information(device_id=SIGNALS)
    assert isinstance(answer, ReadDeviceInformationResponse)
    assert answer.information[0] == b"shiftwright"
    assert answer.information[1] == b"SIMULATOR"


async def test_requests_are_counted_by_bus(served: Served) -> None:
    """Guards the count: one for each request, also for a write, which pymodbus looks up twice."""
    await served.relays.write_coil(0, False, device_id=RELAYS)
    await served.relays.read_coils(0, count=8, device_id=RELAYS)
    await served.signals.write_register(0, 0, device_id=SIGNALS)
    assert {name: bus.requests for name, bus in served.buses.items()} == {"relays": 2, "signals": 1}


async def test_golden_frame(served: Served, site: Site) -> None:
    """Guards the wire: the frames of the Modbus specification for one coil, by hand, transaction number and all."""
    host, port = served.relays.comm_params.host, served.relays.comm_params.port
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(bytes.fromhex("00 2A 00 00 00 06 01 05 00 02 FF 00"))
    assert await asyncio.wait_for(reader.readexactly(12), 3.0) == bytes.fromhex("00 2A 00 00 00 06 01 05 00 02 FF 00")
    writer.write(bytes.fromhex("00 2B 00 00 00 06 01 01 00 00 00 08"))
    assert await asyncio.wait_for(reader.readexactly(10), 3.0) == bytes.fromhex("00 2B 00 00 00 04 01 01 01 04")
    writer.close()
    await writer.wait_closed()
    assert served.plant.output_is_on("relays.out3")


async def test_a_taken_port_is_one_clear_error(served: Served, site: Site) -> None:
    """Guards the start: a port in use is an error that names it."""
    taken = int(served.relays.comm_params.port)
    with pytest.raises(PortTakenError, match=f"127.0.0.1:{taken}"):
        await BusServer(site.bus["relays"], [], lambda: 0.0).start(taken)
