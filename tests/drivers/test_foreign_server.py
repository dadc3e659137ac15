"""A server that is none of ours, on libmodbus: numbers in the four word and byte orders, and how libmodbus has them.

libmodbus's own names of the orders changed their meaning with release 3.1.8 (stephane/libmodbus#665), so that its four
layouts are held to be our four, whichever is which.
"""

import asyncio
import math
import shutil
import socket
import subprocess
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from types import MappingProxyType
from typing import IO

import pytest

from drivers.codec import DeviceReader, DeviceWriter, decode
from drivers.line import TcpLine
from drivers.link import Link, ReadOk
from drivers.profile import Profile, ReadBlock, Table, parse_profile
from drivers.reading import Quality, Reading, WriteResult

_HAS_LIBMODBUS = shutil.which("cc") is not None and Path("/usr/include/modbus/modbus.h").exists()
pytestmark = [
    pytest.mark.peer,
    pytest.mark.skipif(not _HAS_LIBMODBUS, reason="cc or libmodbus is missing (Debian: apt install gcc libmodbus-dev)"),
]

_SHEET = """
title = "numbers"
max_read_registers = 125
max_read_bits = 2000
max_gap = 0
"""
_NUMBERS: Mapping[str, tuple[str, int, float]] = MappingProxyType(
    {
        "real": ("f32", 0, 123456.0),
        "count": ("u32", 2, 1_000_000.0),
        "level": ("i16", 4, -1000.0),
        "long_real": ("f64", 5, -98765.4321),
    }
)
"""Type, address and value of each number that the server holds."""
_THEIRS = 9
"""Where the server has the same float32 as libmodbus lays it out."""
_ORDERS = {"ABCD": (1, "big", "big"), "CDAB": (2, "little", "big"), "BADC": (3, "big", "little")}
_ORDERS["DCBA"] = (4, "little", "little")
"""Unit, word order and byte order, by the customary name of the order."""


def _profile(order: str, table: str) -> Profile:
    """Return the profile of a device that has the numbers in `order`."""
    _, word, byte = _ORDERS[order]
    sheet = _SHEET
    for name, (form, address, _) in _NUMBERS.items():
        sheet += f'[point.{name}]\ntable = "{table}"\naddress = {address}\ntype = "{form}"\nbyte_order = "{byte}"\n'
        if form != "i16":
            sheet += f'word_order = "{word}"\n'
    return parse_profile(order.lower(), sheet)


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the server."""
    built = tmp_path_factory.mktemp("foreign") / "foreign_server"
    source = Path(__file__).with_name("foreign_server.c")
    subprocess.run(["cc", "-Wall", "-Wextra", "-Werror", "-O1", "-o", built, source, "-lmodbus"], check=True)
    return built


@pytest.fixture
def server(program: Path) -> Iterator[tuple[int, IO[bytes]]]:
    """Run the server; give its port and what it says."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with subprocess.Popen([program, str(port)], stdout=subprocess.PIPE) as process:
        try:
            assert process.stdout is not None and process.stdout.readline() == b"ready\n"
            yield port, process.stdout
        finally:
            process.kill()


@asynccontextmanager
async def _link(port: int) -> AsyncIterator[Link]:
    link = Link("bus", TcpLine("127.0.0.1", port), 3.0, asyncio.get_running_loop().time)
    try:
        yield link
    finally:
        await link.close()


async def _read(link: Link, unit: int, profile: Profile) -> dict[str, Reading]:
    reader = DeviceReader(profile, unit, _NUMBERS)
    assert len(reader.blocks) == 1
    result = await link.read(unit, reader.blocks[0])
    assert isinstance(result, ReadOk)
    readings: dict[str, Reading] = {}
    reader.decode_into(readings, 0, result.values, result.at_s)
    return readings


@pytest.mark.parametrize("table", ["input", "holding"])
@pytest.mark.parametrize("order", _ORDERS)
async def test_every_order_is_read_as_it_was_meant(server: tuple[int, IO[bytes]], order: str, table: str) -> None:
    """Four forms in one block, in each of the four orders: the values, to the last digit, and GOOD."""
    async with _link(server[0]) as link:
        readings = await _read(link, _ORDERS[order][0], _profile(order, table))
    assert {name: reading.value for name, reading in readings.items()} == {
        name: value for name, (_, _, value) in _NUMBERS.items()
    }
    assert {reading.quality for reading in readings.values()} == {Quality.GOOD}


@pytest.mark.parametrize("wrong", _ORDERS)
@pytest.mark.parametrize("order", _ORDERS)
async def test_a_wrong_order_shows(server: tuple[int, IO[bytes]], order: str, wrong: str) -> None:
    """Whoever takes the wrong profile sees it at once: the value is BAD, of another sign, or another magnitude."""
    async with _link(server[0]) as link:
        readings = await _read(link, _ORDERS[order][0], _profile(wrong, "input"))
    for name, (form, _, value) in _NUMBERS.items():
        is_same = wrong == order or (form == "i16" and _ORDERS[wrong][2] == _ORDERS[order][2])
        seen = readings[name].value
        is_near = math.isfinite(seen) and 0.5 < seen / value < 2.0
        assert is_near is is_same, (name, seen)


async def test_libmodbus_has_the_same_four_orders(server: tuple[int, IO[bytes]]) -> None:
    """Each layout that libmodbus offers for a float32 is read right by one of our four, each by another."""
    found = []
    async with _link(server[0]) as link:
        for unit, _, _ in _ORDERS.values():
            result = await link.read(unit, ReadBlock(Table.INPUT, _THEIRS, 2))
            assert isinstance(result, ReadOk)
            points = {order: _profile(order, "input").points["real"] for order in _ORDERS}
            found += [order for order, point in points.items() if decode(point, result.values, 0.0).value == 123456.0]
    assert sorted(found) == sorted(_ORDERS)


async def test_what_is_written_arrives_as_it_was_meant(server: tuple[int, IO[bytes]]) -> None:
    """libmodbus takes each order's float32 apart by one of its names, each by another; the device shows it again."""
    port, said = server
    places = []
    async with _link(port) as link:
        for order, (unit, _, _) in _ORDERS.items():
            profile = _profile(order, "holding")
            writer = DeviceWriter(profile, unit, ["real"])
            registers = writer.encode(0, {"real": -12.625})
            assert await link.write_registers(unit, writer.blocks[0].address, registers) is WriteResult.CONFIRMED
            assert (await _read(link, unit, profile))["real"].value == -12.625
            places.append(said.readline().split().index(b"-12.625"))
    assert sorted(places) == [0, 1, 2, 3]
