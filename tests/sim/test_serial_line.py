"""Buses with RTU frames: the line itself, and the simulator at the end of it, on a line and behind a converter."""

import asyncio
import os
import socket
import tty
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
import pytest_asyncio
from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.client.base import ModbusBaseClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.framer import FramerType
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from sim import server
from sim.instruments import Instruments
from sim.plant import Plant
from sim.serial_line import LineError, SerialLine
from sim.server import BusServer, SimulatedDevice
from sim.site import Site

RELAYS = 1
_PATIENCE_S = 3.0
_SILENCE_S = 0.15
"""Longer than the simulator takes to answer, and than it waits for the rest of a frame."""
_SWITCH_OUT3 = bytes.fromhex("01 05 00 02 FF 00 2D FA")
"""Write single coil 2 of unit 1, and its echo."""


class Rtu:
    """A plant whose relays are on an RTU bus, a client of pymodbus's on it, and a way to put bare bytes on it."""

    def __init__(self, plant: Plant, bus: BusServer, where: int | str) -> None:
        self.plant = plant
        self.bus = bus
        self.where = where

    async def client(self, timeout_s: float = _PATIENCE_S) -> ModbusBaseClient:
        """Return a client that is connected."""
        client: ModbusBaseClient
        if isinstance(self.where, str):
            client = AsyncModbusSerialClient(self.where, baudrate=19200, stopbits=2, timeout=timeout_s, retries=0)
        else:
            rtu = FramerType.RTU
            client = AsyncModbusTcpClient("127.0.0.1", port=self.where, framer=rtu, timeout=timeout_s, retries=0)
        assert await client.connect()
        return client

    @contextmanager
    def bare(self) -> Iterator[int]:
        """Open the bus for bare bytes."""
        if isinstance(self.where, str):
            with _raw_port(Path(self.where)) as end:
                yield end
        else:
            with socket.create_connection(("127.0.0.1", self.where), _PATIENCE_S) as connection:
                connection.setblocking(False)
                yield connection.fileno()


@contextmanager
def _raw_port(path: Path) -> Iterator[int]:
    end = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        tty.setraw(end)
        yield end
    finally:
        os.close(end)


async def _ask(end: int, frame: bytes, size: int) -> bytes:
    """Send bare bytes and return what comes back: `size` bytes if they come in time; for 0 what a silence brings."""
    os.write(end, frame)
    until_s = asyncio.get_running_loop().time() + (_PATIENCE_S if size else _SILENCE_S)
    answer = b""
    while asyncio.get_running_loop().time() < until_s and not 0 < size <= len(answer):
        await asyncio.sleep(0.005)
        with suppress(BlockingIOError):
            answer += os.read(end, 512)
    return answer


@pytest_asyncio.fixture(params=["rtu", "rtu_over_tcp"])
async def rtu(request: pytest.FixtureRequest, site: Site, plant: Plant, tmp_path: Path) -> AsyncIterator[Rtu]:
    """Kestrel Bend's relay block on a serial line, or behind a converter."""
    bus = _relays(site, plant, request.param, tmp_path / "line")
    yield Rtu(plant, bus, await bus.start(0))
    await bus.stop()
    await asyncio.sleep(0)


def _relays(
    site: Site, plant: Plant, kind: str, line: Path, *, baud: int = 19200, parity: str = "N", paced: bool = False
) -> BusServer:
    bus = replace(site.bus["relays"], kind=kind, line=str(line), baud=baud, parity=parity)
    relays = SimulatedDevice("relays", site.device["relays"], plant, Instruments(plant))
    return BusServer(bus, [relays], lambda: plant.time_s, paced=paced)


async def test_it_reads_writes_and_says_what_it_is(rtu: Rtu) -> None:
    """Guards the same device behind RTU frames: coils, their states, its identification, one request counted each."""
    client = await rtu.client()
    await client.write_coils(0, [True, False, True], device_id=RELAYS)
    coils = await client.read_coils(0, count=8, device_id=RELAYS)
    states = await client.read_input_registers(1, count=1, device_id=RELAYS)
    refused = await client.read_input_registers(5, count=2, device_id=RELAYS)
    identity = await client.read_device_information(device_id=RELAYS)
    client.close()
    assert coils.bits == [True, False, True, False, False, False, False, False]
    assert states.registers == [0b101]
    assert refused.exception_code == 2
    assert isinstance(identity, ReadDeviceInformationResponse)
    assert identity.information[1] == b"SIMULATOR"
    assert rtu.bus.requests == 5


@pytest.mark.parametrize("unit", [0, 2, 247])
async def test_a_unit_that_is_not_there_is_silent(rtu: Rtu, unit: int) -> None:
    """Guards a serial line's way: no gateway speaks for an absent unit, and what is asked of it changes nothing."""
    hasty = await rtu.client(_SILENCE_S)
    for ask in (
        hasty.read_input_registers(0, count=2, device_id=unit),
        hasty.write_coil(0, True, device_id=unit),
        hasty.read_device_information(device_id=unit),
    ):
        with pytest.raises(ModbusIOException):
            await ask
    hasty.close()
    client = await rtu.client()
    assert (await client.read_coils(0, count=8, device_id=RELAYS)).bits == [False] * 8
    client.close()
    assert rtu.bus.requests == 4


async def test_requests_to_others_do_not_feed_a_time_out(rtu: Rtu) -> None:
    """Guards the output module's own watchdog on a shared line."""
    client = await rtu.client()
    await client.write_register(0, 50, device_id=RELAYS)
    await client.write_coil(0, True, device_id=RELAYS)
    rtu.plant.advance(4.0)
    await client.read_coils(0, count=8, device_id=RELAYS)
    rtu.plant.advance(4.0)
    assert rtu.plant.output_is_on("relays.out1")
    client.close()
    hasty = await rtu.client(_SILENCE_S)
    with pytest.raises(ModbusIOException):
        await hasty.read_coils(0, count=8, device_id=7)
    hasty.close()
    rtu.plant.advance(4.0)
    assert not rtu.plant.output_is_on("relays.out1")


async def test_golden_frame(rtu: Rtu) -> None:
    """Guards the wire: unit, function, address, value, CRC low byte first, and nothing else."""
    with rtu.bare() as end:
        assert await _ask(end, _SWITCH_OUT3, 8) == _SWITCH_OUT3
    assert rtu.plant.output_is_on("relays.out3")


async def test_a_frame_may_come_in_pieces(rtu: Rtu, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards that pieces of a frame with no silence between them are one."""
    monkeypatch.setattr(server, "_SILENCE_S", _PATIENCE_S)
    with rtu.bare() as end:
        for piece in (_SWITCH_OUT3[:3], _SWITCH_OUT3[3:6]):
            assert await _ask(end, piece, 0) == b""
        assert await _ask(end, _SWITCH_OUT3[6:], 8) == _SWITCH_OUT3


@pytest.mark.parametrize("spoilt", [_SWITCH_OUT3[:-1] + b"\xfb", _SWITCH_OUT3[:-3], b"\x01\x41\x00\x00", b"\x01"])
async def test_a_spoilt_frame_gets_no_answer_and_spoils_no_other(rtu: Rtu, spoilt: bytes) -> None:
    """Guards that a frame with a wrong CRC, half a frame and noise are passed over, and the next frame is whole."""
    with rtu.bare() as end:
        assert await _ask(end, spoilt, 0) == b""
        assert await _ask(end, _SWITCH_OUT3, 8) == _SWITCH_OUT3


async def test_a_line_may_be_opened_again(rtu: Rtu) -> None:
    """Guards a master's restart."""
    for _ in range(3):
        with rtu.bare() as end:
            assert await _ask(end, _SWITCH_OUT3, 8) == _SWITCH_OUT3


async def test_a_parity_is_refused(site: Site, plant: Plant, tmp_path: Path) -> None:
    """Guards that nobody looks for a broken wire where a pseudo-terminal without a parity is all that is wrong."""
    bus = _relays(site, plant, "rtu", tmp_path / "line", parity="E")
    with pytest.raises(LineError, match=r'got parity "E".*parity = "N"'):
        await bus.start(0)
    assert not (tmp_path / "line").is_symlink()


async def test_the_link_leads_to_the_line_while_it_stands(tmp_path: Path) -> None:
    """Guards start and stop: the link is made and removed; one that is no longer ours stays."""
    link = tmp_path / "line"
    line = SerialLine(link)
    assert os.readlink(link).startswith("/dev/pts/")
    line.close()
    line.close()
    assert not link.is_symlink()
    line = SerialLine(link)
    link.unlink()
    link.symlink_to("/dev/null")
    line.close()
    assert os.readlink(link) == "/dev/null"


async def test_a_link_that_a_dead_simulator_left_is_taken_over(tmp_path: Path) -> None:
    """Guards the start after a kill."""
    link = tmp_path / "line"
    link.symlink_to("/dev/pts/99999")
    line = SerialLine(link)
    assert link.is_char_device()
    line.close()


async def test_nothing_else_is_ever_replaced(tmp_path: Path) -> None:
    """Guards what is not ours: a file, another link, a line in use, and everything under /dev, by any path."""
    link, file, folder = (tmp_path / name for name in ("line", "file", "folder"))
    file.write_text("mine", encoding="utf-8")
    folder.symlink_to("/dev")
    (tmp_path / "other").symlink_to(file)
    line = SerialLine(link)
    for path, says in (
        (link, "is in use"),
        (file, "no simulator made"),
        (tmp_path / "other", "no simulator made"),
        (Path("/dev/ttyUSB7"), "outside /dev"),
        (tmp_path / os.path.relpath("/dev/shm/line", tmp_path), "outside /dev"),
        (folder / "line", "outside /dev"),
        (tmp_path / "none" / "line", "No such file"),
    ):
        with pytest.raises(LineError, match=says) as caught:
            SerialLine(path)
        assert str(path) in str(caught.value)
    line.close()
    assert file.read_text(encoding="utf-8") == "mine"


async def test_a_paced_line_takes_the_time_of_its_bit_rate(site: Site, plant: Plant, tmp_path: Path) -> None:
    """Guards the pace: 8 bytes there and 8 back with 11 bits each take 146.7 ms at 1200 baud."""
    bus = _relays(site, plant, "rtu", tmp_path / "line", baud=1200, paced=True)
    where = await bus.start(0)
    assert isinstance(where, str)
    began_s = asyncio.get_running_loop().time()
    with _raw_port(Path(where)) as end:
        answer = await _ask(end, _SWITCH_OUT3, 8)
    took_s = asyncio.get_running_loop().time() - began_s
    await bus.stop()
    assert answer == _SWITCH_OUT3
    assert 0.146 < took_s < 1.0
