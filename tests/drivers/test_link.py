"""The link against the real pymodbus server, and against a device that answers everything wrongly."""

import asyncio
import logging
import random
import socket
import struct
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from types import TracebackType
from typing import Any, Self, cast

import pytest
import pytest_asyncio
from pymodbus.constants import ExcCodes
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.health import DeviceState, Failure
from drivers.line import TcpLine
from drivers.link import DeviceIdentity, Link, ReadFailed, ReadOk
from drivers.profile import ReadBlock, Table
from drivers.reading import WriteResult

_BLOCK = ReadBlock(Table.INPUT, 0, 2)
_TIMEOUT_S = 0.2
_PLENTY_S = 3.0
_NOW_S = 1234.5


@pytest_asyncio.fixture(autouse=True)
async def _nothing_unhandled() -> AsyncIterator[None]:
    """Fail when anything reached the event loop's handler of last resort."""
    seen: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: seen.append(context))
    yield
    await asyncio.sleep(0)
    assert seen == []


@asynccontextmanager
async def _link(port: int, timeout_s: float = _PLENTY_S) -> AsyncIterator[Link]:
    link = Link("bus", TcpLine("127.0.0.1", port), timeout_s, lambda: _NOW_S)
    try:
        yield link
    finally:
        await link.close()


def _forget_pause(link: Link) -> None:
    """Let the link try again at once, as after its pause."""
    for tally in (link._tally, *link._devices.values()):
        tally.rest.until_s = 0.0


# --- the real pymodbus server ---------------------------------------------------------------------------------------


@asynccontextmanager
async def _plant(refuse: ExcCodes | None = None, at: int = 0) -> AsyncIterator[tuple[ModbusTcpServer, int]]:
    async def action(*_: object) -> ExcCodes | None:
        return refuse

    device = SimDevice(
        id=1,
        simdata=(
            [SimData(0, count=16, values=False, datatype=DataType.BITS)],
            [SimData(0, values=[True, False, True] + [False] * 13, datatype=DataType.BITS)],
            [SimData(0, count=10, values=7, datatype=DataType.REGISTERS)],
            [SimData(0, values=[0x42F6, 0xE979, 3], datatype=DataType.REGISTERS)],
        ),
        action=action,
    )
    names = {"VendorName": "shiftwright", "ProductCode": "plant", "MajorMinorRevision": "1.0"}
    identity = ModbusDeviceIdentification(info_name=names)  # type: ignore[no-untyped-call]
    server = ModbusTcpServer([device], identity=identity, address=("127.0.0.1", at))
    await server.serve_forever(background=True)
    try:
        yield server, cast(asyncio.Server, server.transport).sockets[0].getsockname()[1]
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]
        await asyncio.sleep(0)


async def test_every_table_is_read() -> None:
    """Each table has its own function code; bits come without their padding."""
    async with _plant() as (_, port), _link(port) as link:
        assert await link.read(1, _BLOCK) == ReadOk(b"\x42\xf6\xe9\x79", _NOW_S)
        assert await link.read(1, ReadBlock(Table.HOLDING, 2, 3)) == ReadOk(b"\x00\x07" * 3, _NOW_S)
        assert await link.read(1, ReadBlock(Table.DISCRETE, 0, 5)) == ReadOk(b"\x05", _NOW_S)
        assert await link.read(1, ReadBlock(Table.COIL, 0, 9)) == ReadOk(bytes(2), _NOW_S)
        health = link.health
    assert (health.requests, health.ok, health.consecutive_failures, health.connected) == (4, 4, 0, True)
    assert not link.health.connected


async def test_writes_arrive_and_are_confirmed() -> None:
    """FC15 and FC16 reach the device; CONFIRMED is its echo."""
    async with _plant() as (server, port), _link(port) as link:
        assert await link.write_bits(1, 3, [1, 0, 1]) is WriteResult.CONFIRMED
        assert await link.write_registers(1, 4, [10, 65535]) is WriteResult.CONFIRMED
        assert (await server.async_getValues(1, 1, 0, 16))[2:7] == [False, True, False, True, False]
        assert await server.async_getValues(1, 3, 3, 4) == [7, 10, 65535, 7]


async def test_single_writes_arrive_and_are_confirmed() -> None:
    """FC05 and FC06 reach the device too, one coil or register each."""
    async with _plant() as (server, port), _link(port) as link:
        assert await link.write_bits(1, 3, [1], single=True) is WriteResult.CONFIRMED
        assert await link.write_registers(1, 4, [65535], single=True) is WriteResult.CONFIRMED
        assert (await server.async_getValues(1, 1, 0, 16))[2:6] == [False, True, False, False]
        assert await server.async_getValues(1, 3, 3, 3) == [7, 65535, 7]
        with pytest.raises(ValueError, match="too many values"):
            await link.write_bits(1, 3, [1, 0], single=True)


async def test_the_device_says_what_it_is() -> None:
    """Modbus device identification (function 43/14, basic) tells a simulator from a plant."""
    async with _plant() as (_, port), _link(port) as link:
        assert await link.identify(1) == DeviceIdentity("shiftwright", "plant", "1.0")


async def test_an_exception_of_the_real_server_is_no_link_failure() -> None:
    """A device that refuses is a device that answers: no pause, no reconnection."""
    async with _plant(refuse=ExcCodes.DEVICE_BUSY) as (_, port), _link(port) as link:
        for _ in range(3):
            failed = await link.read(1, _BLOCK)
            assert failed == ReadFailed(Failure.EXCEPTION, "exception 06 SERVER DEVICE BUSY", 6)
        assert (link.health.exceptions, link.health.consecutive_failures, link.health.connected) == (3, 0, True)


async def test_requests_of_many_tasks_take_their_turn() -> None:
    """One bus has one request in flight, whoever asks."""
    async with _plant() as (_, port), _link(port) as link:
        replies = await asyncio.gather(*(link.read(1, ReadBlock(Table.INPUT, 0, n)) for n in (1, 2, 3) * 10))
    assert [len(reply.values) for reply in replies if isinstance(reply, ReadOk)] == [2, 4, 6] * 10


async def test_a_device_that_comes_back_is_found_again() -> None:
    """A bus that was down works again once its pause is over; nothing has to be restarted."""
    async with AsyncExitStack() as stack:
        async with _plant() as (_, port):
            link = await stack.enter_async_context(_link(port))
            assert isinstance(await link.read(1, _BLOCK), ReadOk)
        await asyncio.sleep(0.05)
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed) and failed.reason is Failure.DISCONNECTED
        async with _plant(at=port):
            _forget_pause(link)
            assert isinstance(await link.read(1, _BLOCK), ReadOk)
            await link.close()
        assert (link.health.ok, link.health.disconnects) == (2, 1)


# --- a device that answers wrongly ----------------------------------------------------------------------------------

_Steps = Sequence[tuple[float, bytes | None]]
"""(seconds to wait, bytes to send; None closes the connection), one after the other."""


class _Rogue:
    """A Modbus TCP device that answers each request with what `answer` makes of it."""

    def __init__(self, answer: Callable[[bytes], _Steps]) -> None:
        self.answer = answer
        self.connections = 0
        self._tasks: set[asyncio.Task[None]] = set()

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port: int = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: type[BaseException] | BaseException | TracebackType | None) -> None:
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            while True:
                head = await reader.readexactly(6)
                for pause_s, data in self.answer(head + await reader.readexactly(int.from_bytes(head[4:6], "big"))):
                    await asyncio.sleep(pause_s)
                    if data is None:
                        return
                    writer.write(data)
                    await writer.drain()
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass
        finally:
            writer.close()
            self._tasks.discard(task)


def _frame(request: bytes, pdu: bytes, *, transaction: int = 0, unit: int = 0) -> bytes:
    """Return `pdu` in the header that answers `request`, with what is added to transaction and unit."""
    number, protocol, _, of_unit = struct.unpack(">HHHB", request[:7])
    return struct.pack(">HHHB", number + transaction, protocol, 1 + len(pdu), of_unit + unit) + pdu


def _good(request: bytes) -> bytes:
    """Return the one right answer to a request, written from the protocol's tables."""
    function, address, count = struct.unpack(">BHH", request[7:12])
    if function in (3, 4):
        return _frame(request, bytes((function, 2 * count)) + b"\x42\xf6\xe9\x79" * (count // 2))
    if function in (1, 2):
        return _frame(request, bytes((function, (count + 7) // 8)) + b"\x05" * ((count + 7) // 8))
    return _frame(request, struct.pack(">BHH", function, address, count))


_READ_PDU = b"\x04\x04\x42\xf6\xe9\x79"

_WRONG_READS: dict[str, Callable[[bytes], bytes]] = {
    "other function code": lambda r: _frame(r, b"\x03" + _READ_PDU[1:]),
    "unknown function code": lambda r: _frame(r, b"\x63" + _READ_PDU[1:]),
    "function code 0": lambda r: _frame(r, b"\x00" + _READ_PDU[1:]),
    "short list": lambda r: _frame(r, b"\x04\x02\x42\xf6"),
    "empty list": lambda r: _frame(r, b"\x04\x00"),
    "long list": lambda r: _frame(r, b"\x04\x06\x42\xf6\xe9\x79\x00\x00"),
    "odd byte count": lambda r: _frame(r, b"\x04\x05\x42\xf6\xe9\x79\x00"),
    "byte count beyond the frame": lambda r: _frame(r, b"\x04\x08\x42\xf6\xe9\x79"),
    "byte count below the frame": lambda r: _frame(r, b"\x04\x02\x42\xf6\xe9\x79"),
    "bits for registers": lambda r: _frame(r, b"\x01\x04\x42\xf6\xe9\x79"),
    "write echo to a read": lambda r: _frame(r, b"\x10\x00\x00\x00\x02"),
    "wrong unit": lambda r: _frame(r, _READ_PDU, unit=1),
    "wrong transaction": lambda r: _frame(r, _READ_PDU, transaction=1),
    "transaction 0": lambda r: b"\x00\x00" + _frame(r, _READ_PDU)[2:],
    "wrong protocol": lambda r: r[:2] + b"\x00\x01" + _frame(r, _READ_PDU)[4:],
    "answer and more": lambda r: _good(r) + b"\x00",
    "two answers": lambda r: _good(r) + _good(r),
    "a stale answer before the right one": lambda r: _frame(r, _READ_PDU, transaction=-1) + _good(r),
    "exception of another function": lambda r: _frame(r, b"\x83\x02"),
    "exception with more": lambda r: _frame(r, b"\x84\x02\x00"),
    "no function code": lambda r: _frame(r, b""),
    "garbage": lambda _: bytes(range(200, 240)),
    "more at once than any frame holds": lambda r: b"\x00" * 300 + _good(r),
    "text": lambda _: b"HTTP/1.1 400 Bad Request\r\n\r\n",
}


@pytest.mark.parametrize("name", _WRONG_READS)
async def test_a_wrong_answer_is_never_a_value(name: str) -> None:
    """pymodbus 3.16 takes several of these for good. Here none is: PROTOCOL, counted, and the connection given up."""
    async with _Rogue(lambda request: [(0.0, _WRONG_READS[name](request))]) as rogue, _link(rogue.port) as link:
        failed = await link.read(1, _BLOCK)
        health = link.health
        assert isinstance(failed, ReadFailed)
        assert (failed.reason, health.protocol) == (Failure.PROTOCOL, 1)
        assert (health.ok, health.requests, health.consecutive_failures, health.connected) == (0, 1, 1, False)
        assert health.last_failure.startswith(failed.reason.value)
        rogue.answer = lambda request: [(0.0, _good(request))]
        _forget_pause(link)
        assert await link.read(1, _BLOCK) == ReadOk(b"\x42\xf6\xe9\x79", _NOW_S)
        assert (rogue.connections, link.health.consecutive_failures) == (2, 0)


@pytest.mark.parametrize(
    "pdu", [b"\x01\x01\x05", b"\x01\x03\x05\x05\x05", b"\x01\x02\x05", b"\x01\x01\x05\x05", b"\x02\x02\x05\x05"]
)
async def test_bits_of_another_count_are_never_values(pdu: bytes) -> None:
    """Nine coils take two bytes, no fewer and no more, and the byte count says so; pymodbus looks at neither."""
    async with _Rogue(lambda request: [(0.0, _frame(request, pdu))]) as rogue, _link(rogue.port) as link:
        failed = await link.read(1, ReadBlock(Table.COIL, 0, 9))
        assert isinstance(failed, ReadFailed) and failed.reason is Failure.PROTOCOL


_WRONG_WRITES: dict[str, bytes] = {
    "other address": b"\x0f\x00\x04\x00\x02",
    "other count": b"\x0f\x00\x03\x00\x03",
    "echo of registers": b"\x10\x00\x03\x00\x02",
    "echo of one coil": b"\x05\x00\x03\xff\x00",
    "a read reply": b"\x01\x01\x03",
    "short echo": b"\x0f\x00\x03\x00",
    "long echo": b"\x0f\x00\x03\x00\x02\x00",
    "exception of a read": b"\x81\x02",
}


@pytest.mark.parametrize("name", _WRONG_WRITES)
async def test_a_wrong_echo_confirms_nothing(name: str) -> None:
    """A write is CONFIRMED by its own echo alone; after anything else the output may or may not have changed."""
    answer = _WRONG_WRITES[name]
    async with _Rogue(lambda request: [(0.0, _frame(request, answer))]) as rogue, _link(rogue.port) as link:
        assert await link.write_bits(1, 3, [1, 1]) is WriteResult.UNCONFIRMED
        assert (link.health.protocol, link.health.ok) == (1, 0)


@pytest.mark.parametrize(
    "answer",
    [
        b"\x05\x00\x04\xff\x00",
        b"\x05\x00\x03\x00\x00",
        b"\x05\x00\x03\xff\x01",
        b"\x0f\x00\x03\x00\x01",
        b"\x06\x00\x03\xff\x00",
        b"\x05\x00\x03\xff",
    ],
)
async def test_an_echo_of_a_single_write_is_held_to_its_value(answer: bytes) -> None:
    """FC05 and FC06 echo the whole request (Modbus Application Protocol V1.1b3, 6.5 and 6.6), value included."""
    async with _Rogue(lambda request: [(0.0, _frame(request, answer))]) as rogue, _link(rogue.port) as link:
        assert await link.write_bits(1, 3, [1], single=True) is WriteResult.UNCONFIRMED
        register = b"\x06" + answer[1:3] + b"\x12\x35"
        answer = register
        assert await link.write_registers(1, 3, [0x1234], urgent=True, single=True) is WriteResult.UNCONFIRMED
        assert (link.health.protocol, link.health.ok) == (2, 0)


async def test_an_echo_of_registers_is_held_to_address_and_count() -> None:
    """FC16's echo carries address and count (Modbus Application Protocol V1.1b3, 6.12), and both are held to it."""
    answers = iter([b"\x10\x00\x04\x00\x02", b"\x10\x00\x03\x00\x01", b"\x06\x00\x03\x00\x02", b"\x10\x00\x03\x00\x02"])
    async with _Rogue(lambda request: [(0.0, _frame(request, next(answers)))]) as rogue, _link(rogue.port) as link:
        results = [await link.write_registers(1, 3, [1, 2], urgent=True) for _ in range(4)]
    assert results == [WriteResult.UNCONFIRMED] * 3 + [WriteResult.CONFIRMED]


@pytest.mark.parametrize("code", [code for code in range(256) if code != 0x0B])
async def test_every_exception_code(code: int) -> None:
    """An exception answers the request, whatever its code. Only those that come before the device acts are REFUSED."""
    async with (
        _Rogue(lambda request: [(0.0, _frame(request, bytes((request[7] | 0x80, code))))]) as rogue,
        _link(rogue.port) as link,
    ):
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed)
        assert (failed.reason, failed.exception_code) == (Failure.EXCEPTION, code)
        refused = await link.write_bits(1, 0, [1])
        assert refused is (WriteResult.REFUSED if code in (1, 2, 3, 6, 10) else WriteResult.UNCONFIRMED)
        assert await link.identify(1) is None
        assert (link.health.exceptions, link.health.ok, rogue.connections) == (3, 0, 1)


async def test_a_gateway_that_finds_no_device_lets_that_device_rest() -> None:
    """Exception 0B costs the gateway's own time-out each time; the other devices behind it are asked as ever."""

    def answer(request: bytes) -> _Steps:
        return [(0.0, _frame(request, bytes((request[7] | 0x80, 0x0B))) if request[6] == 2 else _good(request))]

    async with _Rogue(answer) as rogue, _link(rogue.port) as link:
        silent = await link.read(2, _BLOCK)
        assert isinstance(silent, ReadFailed) and silent.exception_code == 0x0B
        resting = await link.read(2, _BLOCK)
        assert isinstance(resting, ReadFailed) and resting.reason is Failure.BACKING_OFF
        assert isinstance(await link.read(1, _BLOCK), ReadOk)
        assert await link.write_bits(2, 0, [0], urgent=True) is WriteResult.UNCONFIRMED
        device = link.device_health(2)
        assert (device.state, device.resting, device.exceptions) == (DeviceState.NEVER_SEEN, True, 2)
        assert (link.health.consecutive_failures, rogue.connections) == (0, 1)


async def test_exceptions_are_named() -> None:
    """The names are those of Modbus Application Protocol V1.1b3, section 7."""
    async with _Rogue(lambda request: [(0.0, _frame(request, b"\x84\x02"))]) as rogue, _link(rogue.port) as link:
        failed = await link.read(1, _BLOCK)
    assert isinstance(failed, ReadFailed) and failed.detail == "exception 02 ILLEGAL DATA ADDRESS"


_SILENCES: dict[str, tuple[Callable[[bytes], _Steps], Failure]] = {
    "no answer": (lambda _: [], Failure.TIMEOUT),
    "byte drip": (lambda r: [(_TIMEOUT_S / 4, bytes((byte,))) for byte in _good(r)], Failure.TIMEOUT),
    "half an answer": (lambda r: [(0.0, _good(r)[:11])], Failure.TIMEOUT),
    "length beyond the frame": (lambda r: [(0.0, r[:4] + b"\x00\x07\x01\x04\x04\x42\xf6")], Failure.TIMEOUT),
    "closed at once": (lambda _: [(0.0, None)], Failure.DISCONNECTED),
    "closed mid-frame": (lambda r: [(0.0, _good(r)[:10]), (0.0, None)], Failure.DISCONNECTED),
}


@pytest.mark.parametrize("name", _SILENCES)
async def test_no_whole_answer_costs_one_timeout(name: str) -> None:
    """A dead device holds a scan up for one time-out, once; after that the bus rests and answers at once."""
    answer, reason = _SILENCES[name]
    loop = asyncio.get_running_loop()
    async with _Rogue(answer) as rogue, _link(rogue.port, _TIMEOUT_S) as link:
        start_s = loop.time()
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed) and failed.reason is reason
        assert loop.time() - start_s < 2.0 * _TIMEOUT_S
        start_s = loop.time()
        resting = await link.read(1, _BLOCK)
        assert isinstance(resting, ReadFailed) and resting.reason is Failure.BACKING_OFF
        assert loop.time() - start_s < 0.5 * _TIMEOUT_S
        assert link.health.requests == 1


async def test_no_part_of_an_answer_is_an_answer() -> None:
    """A good reply cut after any of its bytes, with the connection left open or closed, brings no value."""

    async def cut(size: int, end: _Steps) -> ReadOk | ReadFailed:
        async with (
            _Rogue(lambda request: [(0.0, _good(request)[:size]), *end]) as rogue,
            _link(rogue.port, _TIMEOUT_S) as link,
        ):
            return await link.read(1, _BLOCK)

    results = await asyncio.gather(*(cut(size, end) for size in range(1, 13) for end in ([], [(0.0, None)])))
    assert all(isinstance(result, ReadFailed) for result in results)


async def test_an_answer_in_pieces_is_an_answer() -> None:
    """TCP may cut a frame anywhere; as long as all of it comes in time it is one answer."""
    async with (
        _Rogue(lambda r: [(0.001, bytes((byte,))) for byte in _good(r)]) as rogue,
        _link(rogue.port) as link,
    ):
        assert await link.read(1, _BLOCK) == ReadOk(b"\x42\xf6\xe9\x79", _NOW_S)


async def test_who_takes_a_connection_and_hangs_up_holds_up_nobody() -> None:
    """A module that has no seat left hangs up at once: one attempt a request, never a scan that does not end."""
    taken = 0

    async def hang_up(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal taken
        taken += 1
        writer.close()
        await writer.wait_closed()

    server = await asyncio.start_server(hang_up, "127.0.0.1", 0)
    async with server, _link(server.sockets[0].getsockname()[1], _TIMEOUT_S) as link:
        failed = await asyncio.wait_for(link.read(1, _BLOCK), _PLENTY_S)
    assert isinstance(failed, ReadFailed) and failed.reason is Failure.DISCONNECTED
    assert taken <= 2


async def test_a_late_answer_never_meets_a_later_request() -> None:
    """The answer to a request that timed out arrives during the next one: nobody hears it."""
    values = iter([b"\xde\xad\xde\xad", b"\x00\x01\x00\x02"])
    delays = iter([1.4 * _TIMEOUT_S, 0.6 * _TIMEOUT_S])

    def answer(request: bytes) -> _Steps:
        return [(next(delays), _frame(request, b"\x04\x04" + next(values)))]

    async with _Rogue(answer) as rogue, _link(rogue.port, _TIMEOUT_S) as link:
        assert isinstance(await link.read(1, _BLOCK), ReadFailed)
        _forget_pause(link)
        assert await link.read(1, _BLOCK) == ReadOk(b"\x00\x01\x00\x02", _NOW_S)


async def test_a_cancelled_request_leaves_no_answer_behind() -> None:
    """A scan that gives up waits for nothing, and the answer it did not wait for meets nobody."""
    values = iter([b"\xde\xad\xde\xad", b"\x00\x01\x00\x02"])

    def answer(request: bytes) -> _Steps:
        return [(0.03, _frame(request, b"\x04\x04" + next(values)))]

    async with _Rogue(answer) as rogue, _link(rogue.port) as link:
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.02):
                await link.read(1, _BLOCK)
        assert await link.read(1, _BLOCK) == ReadOk(b"\x00\x01\x00\x02", _NOW_S)
        assert rogue.connections == 2


async def test_a_request_that_is_cancelled_in_the_queue_holds_up_nobody() -> None:
    """It was never sent: the one under way is answered, and so is the next."""
    async with _Rogue(lambda request: [(0.03, _good(request))]) as rogue, _link(rogue.port) as link:
        first, waits, last = (asyncio.ensure_future(link.read(1, _BLOCK)) for _ in range(3))
        await asyncio.sleep(0.01)
        waits.cancel()
        assert isinstance(await first, ReadOk) and isinstance(await last, ReadOk)
        assert waits.cancelled() and (link.health.requests, rogue.connections) == (2, 1)


@pytest.mark.parametrize("ahead", [0, 1])
async def test_bytes_nobody_asked_for_end_the_connection(ahead: int) -> None:
    """A device that speaks unasked may answer the next request before it is put: that connection is not used again."""
    async with (
        _Rogue(lambda request: [(0.0, _good(request)), (0.01, _frame(request, _READ_PDU, transaction=ahead))]) as rogue,
        _link(rogue.port) as link,
    ):
        assert isinstance(await link.read(1, _BLOCK), ReadOk)
        await asyncio.sleep(0.03)
        assert isinstance(await link.read(1, _BLOCK), ReadOk)
        assert (rogue.connections, link.health.protocol) == (2, 1)


async def test_a_connection_lost_at_rest_is_made_anew() -> None:
    """A device may close an idle connection; the next request connects again and is answered."""
    async with _Rogue(lambda request: [(0.0, _good(request)), (0.0, None)]) as rogue, _link(rogue.port) as link:
        for _ in range(3):
            assert isinstance(await link.read(1, _BLOCK), ReadOk)
            await asyncio.sleep(0.01)
        assert (rogue.connections, link.health.ok, link.health.connected) == (3, 3, False)


# --- a dead bus -----------------------------------------------------------------------------------------------------


@contextmanager
def _closed_port() -> Iterator[int]:
    """Yield a port that nobody listens on, and that nobody else is given meanwhile."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        yield taken.getsockname()[1]


async def test_the_pause_doubles_to_ten_seconds_and_ends_with_success() -> None:
    """A dead bus is asked ever less often, and as often as ever once it has answered."""
    loop = asyncio.get_running_loop()
    with _closed_port() as port:
        async with _link(port, _TIMEOUT_S) as link:
            pauses = []
            for _ in range(7):
                _forget_pause(link)
                failed = await link.read(1, _BLOCK)
                assert isinstance(failed, ReadFailed) and failed.reason is Failure.DISCONNECTED
                pauses.append(link._tally.rest.until_s - loop.time())
            assert pauses == pytest.approx([0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0], abs=0.1)
            assert (link.health.disconnects, link.health.consecutive_failures) == (7, 7)
            async with _Rogue(lambda request: [(0.0, _good(request))]) as rogue:
                link._line = TcpLine("127.0.0.1", rogue.port)
                _forget_pause(link)
                assert isinstance(await link.read(1, _BLOCK), ReadOk)
                link._line = TcpLine("127.0.0.1", port)
                rogue.answer = lambda _: [(0.0, None)]
                await link.read(1, _BLOCK)
                assert link._tally.rest.until_s - loop.time() == pytest.approx(0.5, abs=0.1)


async def test_an_urgent_write_is_tried_during_a_pause_and_does_not_prolong_it() -> None:
    """Switching off is always tried, and a bus that fails it every scan still gets its reads back."""
    with _closed_port() as port:
        async with _link(port) as link:
            await link.read(1, _BLOCK)
            retry_at_s = link._tally.rest.until_s
            assert await link.write_bits(1, 0, [0]) is WriteResult.UNCONFIRMED
            assert link.health.requests == 1
            for _ in range(3):
                assert await link.write_bits(1, 0, [0], urgent=True) is WriteResult.UNCONFIRMED
                assert await link.write_registers(1, 0, [0], urgent=True) is WriteResult.UNCONFIRMED
            assert (link.health.requests, link._tally.rest.until_s) == (7, retry_at_s)
            async with _Rogue(lambda request: [(0.0, _good(request))]) as rogue:
                link._line = TcpLine("127.0.0.1", rogue.port)
                assert await link.write_bits(1, 0, [0], urgent=True) is WriteResult.CONFIRMED
                assert isinstance(await link.read(1, _BLOCK), ReadOk)


async def test_pymodbus_is_silent(caplog: pytest.LogCaptureFixture) -> None:
    """pymodbus dumps its last packets at every error; failures are counted in the link's health instead."""
    with caplog.at_level(logging.DEBUG), _closed_port() as port:
        async with _link(port) as link:
            await link.read(1, _BLOCK)
        async with _Rogue(lambda _: []) as rogue, _link(rogue.port, _TIMEOUT_S) as link:
            await link.read(1, _BLOCK)
    assert [record for record in caplog.records if record.name.startswith("pymodbus")] == []


# --- identification -------------------------------------------------------------------------------------------------

_IDENTITY = b"\x2b\x0e\x01\x01\x00\x00\x03\x00\x02Ab\x01\x01C\x02\x031.0"


@pytest.mark.parametrize(
    "pdu",
    [
        _IDENTITY[:-1],
        _IDENTITY + b"\x00",
        _IDENTITY[:6] + b"\x02" + _IDENTITY[7:],
        _IDENTITY[:8] + b"\xff" + _IDENTITY[9:],
        b"\x2b\x0e\x02" + _IDENTITY[3:],
        b"\x2b\x0d" + _IDENTITY[2:],
        b"\x2b\x0e\x01\x01\x00\x00\x02\x00\x02Ab\x01\x01C",
        b"\x2b\x0e\x01\x01\x00\x00\x03\x00\x02Ab\x00\x01C\x02\x031.0",
        b"\x2b",
        b"\x2b\x0e\x01\x01\x00\x00",
        _READ_PDU,
    ],
)
async def test_a_wrong_identification_is_none(pdu: bytes) -> None:
    """Only a whole basic identification (Modbus Application Protocol V1.1b3, 6.21) tells what a device is."""
    answer = _IDENTITY
    async with _Rogue(lambda request: [(0.0, _frame(request, answer))]) as rogue, _link(rogue.port) as link:
        assert await link.identify(1) == DeviceIdentity("Ab", "C", "1.0")
        answer = pdu
        assert await link.identify(1) is None


# --- fuzz -----------------------------------------------------------------------------------------------------------


def _is_right(request: bytes, reply: bytes) -> bool:
    """Return whether `reply` is a good reply to `request`, field by field from the protocol's tables."""
    if len(reply) < 9:
        return False
    number, protocol, length, unit, function = struct.unpack(">HHHBB", reply[:8])
    header = (number, protocol, unit, function) == (int.from_bytes(request[:2], "big"), 0, request[6], request[7])
    if not header or length != len(reply) - 6:
        return False
    count = int.from_bytes(request[10:12], "big")
    if function in (3, 4):
        return reply[8] == 2 * count and len(reply) == 9 + 2 * count
    if function in (1, 2):
        return reply[8] == -(-count // 8) and len(reply) == 9 + -(-count // 8)
    return len(reply) == 12 and reply[8:12] == request[8:12]


def _spoilt(frame: bytes, dice: random.Random) -> bytes:
    """Return the frame with bytes changed, added, taken from its head, doubled or made up; sometimes as it was."""
    raw = bytearray(frame)
    kind = dice.choices(("as it was", "change", "bit", "add", "take", "double", "noise"), (1, 4, 8, 2, 2, 1, 1))[0]
    place = dice.randrange(len(raw))
    if kind == "change":
        for _ in range(dice.randint(1, 3)):
            raw[dice.randrange(min(12, len(raw)))] = dice.randrange(256)
    elif kind == "bit":
        raw[place] ^= 1 << dice.randrange(8)
    elif kind == "add":
        raw[place:place] = dice.randbytes(dice.randint(1, 4))
    elif kind == "take":
        del raw[place % 9]
    elif kind == "double":
        raw *= 2
    elif kind == "noise":
        raw = bytearray(dice.randbytes(dice.randint(1, 40)))
    return bytes(raw)


async def test_no_wrong_frame_is_ever_accepted() -> None:
    """Four thousand spoilt replies: what is accepted is exactly what a check from the protocol's tables accepts."""
    dice = random.Random(20240229)
    sent: list[tuple[bytes, bytes]] = []

    def answer(request: bytes) -> _Steps:
        sent.append((request, _spoilt(_good(request), dice)))
        return [(0.0, sent[-1][1])]

    blocks = (ReadBlock(Table.INPUT, 5, 4), ReadBlock(Table.DISCRETE, 2, 13))
    accepted = 0
    async with _Rogue(answer) as rogue, _link(rogue.port) as link:
        for turn in range(4000):
            _forget_pause(link)
            connections = rogue.connections
            if turn % 4 < 2:
                block = blocks[turn % 4]
                result = await link.read(9, block)
                right = _is_right(*sent[-1])
                assert isinstance(result, ReadOk) == right, sent[-1]
                assert not isinstance(result, ReadOk) or result.values == sent[-1][1][9:]
            else:
                write = link.write_bits if turn % 4 == 2 else link.write_registers
                written = await write(9, 3, [1, 0, 1])
                right = _is_right(*sent[-1])
                assert (written is WriteResult.CONFIRMED) == right, sent[-1]
            accepted += right
            assert rogue.connections - connections <= 1
        health = link.health
    assert (len(sent), health.requests, health.ok) == (4000, 4000, accepted)
    assert accepted > 200
    assert health.ok + health.timeouts + health.exceptions + health.protocol + health.disconnects == 4000
