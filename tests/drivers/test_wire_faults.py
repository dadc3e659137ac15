"""Every wire fault, in each of its forms, on every kind of transaction, through the real link and pymodbus's server.

Invariant 8: a bad peer never yields a wrong value with quality GOOD, nor a CONFIRMED write that the device has not got.
The device changes what it shows with every access, so that an answer to any other request is a wrong value.
"""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import cast

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.constants import ExcCodes
from pymodbus.exceptions import ModbusException
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.line import TcpLine
from drivers.link import DeviceIdentity, Link, ReadFailed, ReadOk
from drivers.profile import BIT_TABLES, ReadBlock, Table
from drivers.reading import WriteResult
from sim.wire_faults import EXCEPTIONS, WIRE_FAULTS
from sim.wire_proxy import Strike, WireFaultError, WireProxy

_TIMEOUT_S = 0.05
_UNIT = 1
_ADDRESS = 2
_COUNT = 3
_STEP = 0x0105
"""From one access to the next: it changes the bits that are read, and both bytes of a register."""
_IDENTITY = DeviceIdentity("shiftwright", "plant", "1.0")
_TRIES = 50
"""Of a request to a device that is well again, on a machine that may be busy."""
_AT_ONCE = 9
_FORMS = {"late": 3, "garbage": 4, "wrong_transaction": 3, "wrong_length": 2, "wrong_echo": 2, "drip": 2}
_FORMS |= {"exception": len(EXCEPTIONS), "cut": 3 * 15}
"""Forms of a fault; of a cut, three ends at each byte of the longest reply but the identification."""
_MAY_PASS = {"late": {0, 1}, "drip": {1}, "garbage": {3}}
"""Forms that bring the right reply, in time if the machine is quick: it may be taken."""


_New = list[int] | list[bool] | None


@dataclass(slots=True)
class _Device:
    """What pymodbus's server was asked for and shows. Every access changes what it shows."""

    server_port: int = 0
    accesses: int = 0
    wanted: int = 0
    """Writes asked for; each brings other values than the one before."""
    writes: list[tuple[int, int, list[int]]] = field(default_factory=list)
    """(function, address, values) of each write that was carried out."""

    async def answer(
        self, function: int, start: int, address: int, count: int, registers: list[int], new: _New
    ) -> ExcCodes | None:
        """Take a write, or show the number of this access."""
        self.accesses += 1
        if new is not None:
            self.writes.append((function, address, [int(value) for value in new]))
            return None
        for place in range(len(registers)):
            registers[place] = self.accesses * _STEP + place & 0xFFFF
        return None

    @staticmethod
    def shown(table: Table, access: int) -> bytes:
        """Return the values that one access was shown."""
        first = access * _STEP & 0xFFFF
        if table in BIT_TABLES:
            return bytes((first >> _ADDRESS & (1 << _COUNT) - 1,))
        return b"".join((first + _ADDRESS + place).to_bytes(2, "big") for place in range(_COUNT))


@asynccontextmanager
async def _device() -> AsyncIterator[_Device]:
    device = _Device()
    tables = (
        [SimData(0, count=16, values=False, datatype=DataType.BITS)],
        [SimData(0, count=16, values=False, datatype=DataType.BITS)],
        [SimData(0, count=10, values=0, datatype=DataType.REGISTERS)],
        [SimData(0, count=10, values=0, datatype=DataType.REGISTERS)],
    )
    names = {"VendorName": "shiftwright", "ProductCode": "plant", "MajorMinorRevision": "1.0"}
    identity = ModbusDeviceIdentification(info_name=names)  # type: ignore[no-untyped-call]
    served = SimDevice(id=_UNIT, simdata=tables, action=device.answer)
    server = ModbusTcpServer([served], identity=identity, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    device.server_port = cast(asyncio.Server, server.transport).sockets[0].getsockname()[1]
    try:
        yield device
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]
        await asyncio.sleep(0)


@asynccontextmanager
async def _proxied() -> AsyncIterator[tuple[_Device, WireProxy, Link]]:
    """A device, a proxy before it, and a link to the proxy."""
    async with _device() as device:
        proxy = WireProxy("127.0.0.1", _TIMEOUT_S)
        port = await proxy.start(0, device.server_port)
        link = Link("bus", TcpLine("127.0.0.1", port), _TIMEOUT_S, asyncio.get_running_loop().time)
        try:
            yield device, proxy, link
        finally:
            await link.close()
            await proxy.stop()


def _forget_pause(link: Link) -> None:
    """Let the link try again at once, as after its pause."""
    for tally in (link._tally, *link._devices.values()):
        tally.rest.over()


_Ask = Callable[[_Device, Link], Awaitable[bool]]
"""Makes one transaction; returns whether it brought what was asked for. Fails when it brought anything else."""


def _reads(table: Table) -> _Ask:
    async def ask(device: _Device, link: Link) -> bool:
        before = device.accesses
        result = await link.read(_UNIT, ReadBlock(table, _ADDRESS, _COUNT))
        if isinstance(result, ReadFailed):
            return False
        assert isinstance(result, ReadOk)
        # A request that was given up may still reach the device while this one waits.
        fresh = [device.shown(table, access) for access in range(before + 1, device.accesses + 1)]
        assert result.values in fresh, "the values are not what this request was answered"
        return True

    return ask


def _writes(function: int) -> _Ask:
    async def ask(device: _Device, link: Link) -> bool:
        write = link.write_bits if function == 15 else link.write_registers
        device.wanted += 1
        values = [device.wanted >> place & 1 for place in range(_COUNT)]
        result = await write(_UNIT, _ADDRESS, values, urgent=True)
        carried_out = device.writes[-1:] == [(function, _ADDRESS, values)]
        assert result is WriteResult.UNCONFIRMED or carried_out is (result is WriteResult.CONFIRMED)
        return result is WriteResult.CONFIRMED

    return ask


async def _identifies(device: _Device, link: Link) -> bool:
    identity = await link.identify(_UNIT)
    assert identity in (None, _IDENTITY)
    return identity is not None


_KINDS: dict[str, _Ask] = {
    "coils": _reads(Table.COIL),
    "discrete inputs": _reads(Table.DISCRETE),
    "holding registers": _reads(Table.HOLDING),
    "input registers": _reads(Table.INPUT),
    "write coils": _writes(15),
    "write registers": _writes(16),
    "identify": _identifies,
}


def test_there_are_fourteen() -> None:
    """M1 to M14 of the chaos list: a fault that is taken out, or one that nothing here has forms for, shows."""
    assert len(WIRE_FAULTS) == 14 and _FORMS.keys() <= WIRE_FAULTS.keys()


@pytest.mark.parametrize("kind", _KINDS)
@pytest.mark.parametrize("fault", WIRE_FAULTS)
async def test_a_spoilt_transaction_is_never_taken_for_good(fault: str, kind: str) -> None:
    """Two in a row are spoilt, in every form: neither brings a wrong value, and the link recovers."""
    at_once = asyncio.Semaphore(_AT_ONCE)
    await asyncio.gather(*(_spoil(fault, _KINDS[kind], turn, at_once) for turn in range(_FORMS.get(fault, 1))))


async def _spoil(fault: str, ask: _Ask, turn: int, at_once: asyncio.Semaphore) -> None:
    forms, may_pass = _FORMS.get(fault, 1), _MAY_PASS.get(fault, set())
    async with at_once, _proxied() as (device, proxy, link):
        assert await _asked_until_right(ask, device, link), "the device does not answer while all is well"
        proxy.strike = Strike(fault, turn=turn)
        for struck in (1, 2):
            is_good = False
            for _ in range(_TRIES):  # on a busy machine a link may not be open again when it is asked
                _forget_pause(link)
                is_good = await ask(device, link)
                if proxy.strike.struck == struck:
                    break
                assert not is_good, "answered past the fault"
            assert proxy.strike.struck == struck
            assert not is_good or (turn + struck - 1) % forms in may_pass, f"{fault} was taken for good"
        proxy.strike = None
        assert await _asked_until_right(ask, device, link), "no recovery"


async def _asked_until_right(ask: _Ask, device: _Device, link: Link) -> bool:
    """Ask as a scan does, once for each pause; return whether it was answered in the end."""
    for _ in range(_TRIES):
        _forget_pause(link)
        if await ask(device, link):
            return True
    return False


@pytest.mark.parametrize("fault", ["wrong_function", "wrong_length", "wrong_echo", "other_kind"])
async def test_a_client_that_does_not_check_is_fooled(fault: str) -> None:
    """The same faults against bare pymodbus, which pairs replies with requests and looks no further: they do bite."""
    async with _device() as device:
        proxy = WireProxy("127.0.0.1", _TIMEOUT_S)
        port = await proxy.start(0, device.server_port)
        client = AsyncModbusTcpClient("127.0.0.1", port=port, timeout=_TIMEOUT_S, retries=0)
        try:
            await client.connect()
            proxy.strike = Strike(fault)
            taken = []
            for asked in (
                client.read_input_registers(_ADDRESS, count=_COUNT, device_id=_UNIT),
                client.write_coils(_ADDRESS, [True] * _COUNT, device_id=_UNIT),
            ):
                try:
                    taken.append(not (await asked).isError())
                except ModbusException:
                    taken.append(False)
            assert any(taken)
        finally:
            client.close()
            await proxy.stop()


async def test_faults_strike_whom_they_are_told_to() -> None:
    """By function, after so many others, each so-manieth, so many times; everything else passes."""
    async with _proxied() as (device, proxy, link):
        proxy.strike = Strike("exception", when=lambda r: r[7] == 4, skip=1, every=2, times=2)
        reads = [await _KINDS["input registers"](device, link) for _ in range(8)]
        assert reads == [True, False, True, False, True, True, True, True]
        assert await _KINDS["write coils"](device, link)
        assert (proxy.strike.met, proxy.strike.struck) == (4, 2)


def test_a_fault_nobody_knows_is_refused() -> None:
    """With the ones that are known."""
    with pytest.raises(WireFaultError, match=r"'garbled'.*garbage"):
        Strike("garbled")
