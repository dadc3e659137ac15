"""RTU on a serial port and over TCP: late answers, silent devices, lost ports, and the silence between frames."""

import asyncio
import os
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
import uvloop

from drivers.health import Failure
from drivers.line import SerialLine
from drivers.link import DeviceIdentity, Link, ReadFailed, ReadOk
from drivers.profile import ReadBlock, Table
from drivers.reading import WriteResult
from tests.drivers.rtu import Answer, Devices, Steps, at_once, behind_gateway, good, on_port, register, sealed

_TIMEOUT_S = 0.1
_QUIET_S = 0.3
_PLENTY_S = 3.0
_NOW_S = 1234.5
_BLOCK = ReadBlock(Table.INPUT, 0, 2)

Bed = Callable[[Answer], Any]


@pytest_asyncio.fixture(autouse=True)
async def _nothing_unhandled() -> AsyncIterator[None]:
    """Fail when anything reached the event loop's handler of last resort."""
    seen: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: seen.append(context))
    yield
    await asyncio.sleep(0)
    assert seen == []


@asynccontextmanager
async def _on_port(path: Path, answer: Answer) -> AsyncIterator[Devices]:
    async with on_port(path, answer) as (devices, _):
        yield devices


@pytest.fixture(params=["serial", "tcp"])
def bed(request: pytest.FixtureRequest, tmp_path: Path) -> Bed:
    """Return where the devices of a test are: on a serial port, or behind a gateway over TCP."""
    return (lambda answer: _on_port(tmp_path / "port", answer)) if request.param == "serial" else behind_gateway


@asynccontextmanager
async def _link(devices: Devices, timeout_s: float = _PLENTY_S, quiet_s: float = 0.0) -> AsyncIterator[Link]:
    link = Link("line", devices.line, timeout_s, lambda: _NOW_S, quiet_s)
    try:
        yield link
    finally:
        await link.close()


def _forget_pauses(link: Link) -> None:
    """Let every device be tried again at once, as after its pause."""
    for tally in (link._tally, *link._devices.values()):
        tally.rest.until_s = 0.0


def _values(unit: int, block: ReadBlock) -> bytes:
    return b"".join(register(unit, block.address + place).to_bytes(2, "big") for place in range(block.count))


# Request, reply, and what they mean: a worked example of each function code that has gone round the trade's tutorials
# for years (from memory; every checksum agrees with `crc`).
_WORKED: list[tuple[str, str, Callable[[Link], Any], Any]] = [
    (
        "11 03 00 6B 00 03 76 87",
        "11 03 06 AE 41 56 52 43 40 49 AD",
        lambda link: link.read(0x11, ReadBlock(Table.HOLDING, 0x6B, 3)),
        ReadOk(b"\xae\x41\x56\x52\x43\x40", _NOW_S),
    ),
    (
        "11 04 00 08 00 01 B2 98",
        "11 04 02 00 0A F8 F4",
        lambda link: link.read(0x11, ReadBlock(Table.INPUT, 8, 1)),
        ReadOk(b"\x00\x0a", _NOW_S),
    ),
    (
        "11 02 00 C4 00 16 BA A9",
        "11 02 03 AC DB 35 20 18",
        lambda link: link.read(0x11, ReadBlock(Table.DISCRETE, 0xC4, 22)),
        ReadOk(b"\xac\xdb\x35", _NOW_S),
    ),
    (
        "11 05 00 AC FF 00 4E 8B",
        "11 05 00 AC FF 00 4E 8B",
        lambda link: link.write_bits(0x11, 0xAC, [1], single=True),
        WriteResult.CONFIRMED,
    ),
    (
        "11 06 00 01 00 03 9A 9B",
        "11 06 00 01 00 03 9A 9B",
        lambda link: link.write_registers(0x11, 1, [3], single=True),
        WriteResult.CONFIRMED,
    ),
    (
        "11 0F 00 13 00 0A 02 CD 01 BF 0B",
        "11 0F 00 13 00 0A 26 99",
        lambda link: link.write_bits(0x11, 0x13, [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]),
        WriteResult.CONFIRMED,
    ),
    (
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0",
        "11 10 00 01 00 02 12 98",
        lambda link: link.write_registers(0x11, 1, [10, 0x0102]),
        WriteResult.CONFIRMED,
    ),
]


@pytest.mark.parametrize(("request_hex", "reply_hex", "ask", "meant"), _WORKED)
async def test_worked_examples(
    bed: Bed, request_hex: str, reply_hex: str, ask: Callable[[Link], Any], meant: object
) -> None:
    """Byte for byte what the trade's tutorials show goes out, and what comes back means what they say."""
    async with bed(lambda _: [(0.0, bytes.fromhex(reply_hex))]) as devices, _link(devices) as link:
        assert await ask(link) == meant
        assert devices.requests == [bytes.fromhex(request_hex)]


async def test_a_device_says_what_it_is_and_refuses(bed: Bed) -> None:
    """Identification has no fixed length, so its objects say where it ends; an exception is five bytes."""
    identity = sealed(b"\x05\x2b\x0e\x01\x01\x00\x00\x03\x00\x02Ab\x01\x01C\x02\x031.0")
    async with bed(lambda _: [(0.0, identity[:12]), (0.01, identity[12:])]) as devices, _link(devices) as link:
        assert await link.identify(5) == DeviceIdentity("Ab", "C", "1.0")
        devices.answer = lambda request: [(0.0, sealed(bytes((5, request[1] | 0x80, 2))))]
        assert await link.read(5, _BLOCK) == ReadFailed(Failure.EXCEPTION, "exception 02 ILLEGAL DATA ADDRESS", 2)
        assert await link.write_registers(5, 0, [1]) is WriteResult.REFUSED
        assert (link.health.exceptions, link.health.consecutive_failures) == (2, 0)


_WRONG: dict[str, Callable[[bytes], bytes]] = {
    "other device": lambda r: good(bytes((r[0] + 1,)) + r[1:]),
    "other function": lambda r: sealed(b"\x01\x03" + good(r)[2:-2]),
    "other checksum": lambda r: good(r)[:-1] + bytes((good(r)[-1] ^ 1,)),
    "checksum the other way round": lambda r: good(r)[:-2] + good(r)[:-3:-1],
    "no checksum": lambda r: good(r)[:-2] + b"\x00\x00",
    "one bit of a value": lambda r: good(r)[:4] + bytes((good(r)[4] ^ 0x10,)) + good(r)[5:],
    "short list": lambda _: sealed(b"\x01\x04\x02\x42\xf6"),
    "long list": lambda _: sealed(b"\x01\x04\x06\x42\xf6\xe9\x79\x00\x00"),
    "byte count below the frame": lambda _: sealed(b"\x01\x04\x02\x42\xf6\xe9\x79"),
    "write echo to a read": lambda r: sealed(b"\x01\x10" + r[2:6]),
    "the request itself": lambda r: r,
    "exception of another function": lambda _: sealed(b"\x01\x83\x02"),
    "exception with a wrong checksum": lambda _: sealed(b"\x01\x84\x02")[:-1] + b"\x00",
    "a byte before": lambda r: b"\x00" + good(r),
    "a byte behind": lambda r: good(r) + b"\x00",
    "two answers": lambda r: good(r) * 2,
    "Modbus TCP": lambda _: b"\x00\x01\x00\x00\x00\x07\x01\x04\x04\x42\xf6\xe9\x79",
}


@pytest.mark.parametrize("name", _WRONG)
async def test_a_wrong_answer_is_never_a_value(bed: Bed, name: str) -> None:
    """PROTOCOL, counted, the line kept and left alone for the gap; then the device is believed again."""
    async with bed(lambda r: [(0.0, _WRONG[name](r))]) as devices, _link(devices, quiet_s=0.02) as link:
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed) and failed.reason is Failure.PROTOCOL
        assert (link.health.protocol, link.health.ok, link.health.connected) == (1, 0, True)
        devices.answer = at_once
        assert await link.read(2, _BLOCK) == ReadOk(_values(2, _BLOCK), _NOW_S)
        assert devices.heard_at_s[1] - devices.heard_at_s[0] >= 0.02
        _forget_pauses(link)
        assert await link.read(1, _BLOCK) == ReadOk(_values(1, _BLOCK), _NOW_S)
        assert devices.connections == 1


@pytest.mark.parametrize("size", range(1, 9))
async def test_no_part_of_an_answer_is_an_answer(bed: Bed, size: int) -> None:
    """A good reply cut after any of its bytes brings no value."""
    async with bed(lambda r: [(0.0, good(r)[:size])]) as devices, _link(devices, _TIMEOUT_S) as link:
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed) and failed.reason is Failure.TIMEOUT


async def test_without_a_gap_answers_are_shifted(bed: Bed) -> None:
    """The fault that the gap is for, seen on this bed: an answer just later than its time-out is taken for the next."""
    asked: list[bytes] = []

    def answer(request: bytes) -> Steps:
        asked.append(request)
        return [(0.0, good(earlier)) for earlier in asked[-2:-1]]

    async with bed(answer) as devices, _link(devices, _TIMEOUT_S) as link:
        assert isinstance(await link.read(1, ReadBlock(Table.INPUT, 50, 2)), ReadFailed)
        _forget_pauses(link)
        shifted = await link.read(1, ReadBlock(Table.INPUT, 60, 2))
        assert shifted == ReadOk(_values(1, ReadBlock(Table.INPUT, 50, 2)), _NOW_S)


async def test_a_late_answer_never_meets_a_later_request(bed: Bed) -> None:
    """Answers as late as the gap allows, again and again: every value is the one that was asked for."""
    late_s = iter([lateness * _TIMEOUT_S for lateness in (1.02, 1.5, 2.0, 3.0, 3.9)])
    turn = 0

    def answer(request: bytes) -> Steps:
        nonlocal turn
        turn += 1
        return [(next(late_s) if turn % 4 == 0 else 0.0, good(request))]

    failed = []
    async with bed(answer) as devices, _link(devices, _TIMEOUT_S, _QUIET_S) as link:
        for address in range(0, 40, 2):
            block = ReadBlock(Table.INPUT, address, 2)
            reply = await link.read(1, block)
            if isinstance(reply, ReadFailed):
                failed.append(len(devices.requests))
                _forget_pauses(link)
            else:
                assert reply.values == _values(1, block)
        # On a busy machine a prompt answer may be late as well.
        assert 5 <= len(failed) == link.health.timeouts <= 10
        assert (link.health.ok, devices.connections) == (20 - len(failed), 1)
        for place in failed:
            if 0 < place < len(devices.heard_at_s):
                assert devices.heard_at_s[place] - devices.heard_at_s[place - 1] >= _QUIET_S


async def test_a_late_echo_confirms_no_later_write(bed: Bed) -> None:
    """FC15's echo names no values: the late echo of "on" must not confirm an urgent "off" that nobody carried out."""

    def answer(request: bytes) -> Steps:
        return [(1.5 * _TIMEOUT_S, good(request))] if request[7] else []

    async with bed(answer) as devices, _link(devices, _TIMEOUT_S, _QUIET_S) as link:
        assert await link.write_bits(1, 3, [1]) is WriteResult.UNCONFIRMED
        assert await link.write_bits(1, 3, [0], urgent=True) is WriteResult.UNCONFIRMED
        assert len(devices.requests) == 2


async def test_a_cancelled_request_leaves_no_answer_behind(bed: Bed) -> None:
    """A scan that gives up waits for nothing, and the answer it did not wait for meets nobody."""
    late_s = iter([0.06])
    async with (
        bed(lambda request: [(next(late_s, 0.0), good(request))]) as devices,
        _link(devices, quiet_s=_QUIET_S) as link,
    ):
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(_QUIET_S + 0.03):
                await link.read(1, _BLOCK)
        block = ReadBlock(Table.INPUT, 9, 2)
        assert await link.read(1, block) == ReadOk(_values(1, block), _NOW_S)
        assert devices.connections == 1


def test_an_answer_that_came_while_the_loop_was_busy_is_not_the_next(tmp_path: Path) -> None:
    """uvloop runs timers before it reads: a late answer that waits in the port must still be heard first."""

    async def shift() -> ReadOk | ReadFailed:
        loop = asyncio.get_running_loop()
        heard, poke = os.pipe()

        def busy() -> None:
            os.read(heard, 1)
            devices.say(good(devices.requests[0]))
            threading.Event().wait(0.6 * _QUIET_S)

        async with _on_port(tmp_path / "port", lambda _: []) as devices, _link(devices, _TIMEOUT_S, _QUIET_S) as link:
            assert isinstance(await link.read(1, _BLOCK), ReadFailed)
            _forget_pauses(link)
            devices.answer = lambda request: [(0.3 * _TIMEOUT_S, good(request))]
            loop.add_reader(heard, busy)
            loop.call_later(0.5 * _QUIET_S, os.write, poke, b"!")
            reply = await link.read(1, ReadBlock(Table.INPUT, 9, 2))
            loop.remove_reader(heard)
        os.close(heard)
        os.close(poke)
        return reply

    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        assert runner.run(shift()) == ReadOk(_values(1, ReadBlock(Table.INPUT, 9, 2)), _NOW_S)


async def test_what_comes_as_the_line_is_opened_is_for_somebody_else(bed: Bed) -> None:
    """After a crash the answer to the last process's request may still be on its way."""
    async with bed(at_once) as devices, _link(devices, quiet_s=_QUIET_S) as link:
        asked = asyncio.create_task(link.read(1, ReadBlock(Table.INPUT, 9, 2)))
        await asyncio.sleep(0.5 * _QUIET_S)
        devices.say(good(sealed(b"\x01\x04\x00\x00\x00\x02")))
        assert await asked == ReadOk(_values(1, ReadBlock(Table.INPUT, 9, 2)), _NOW_S)
        assert (link.health.ok, link.health.protocol) == (1, 0)


async def test_bytes_nobody_asked_for_are_counted_and_let_pass(bed: Bed) -> None:
    """A line on which somebody speaks unasked is left alone for the gap before the next request."""
    async with bed(at_once) as devices, _link(devices, quiet_s=_QUIET_S) as link:
        assert isinstance(await link.read(1, _BLOCK), ReadOk)
        await asyncio.sleep(0.01)
        devices.say(good(devices.requests[0]))
        await asyncio.sleep(0.01)
        assert isinstance(await link.read(1, ReadBlock(Table.INPUT, 9, 2)), ReadOk)
        assert devices.heard_at_s[1] - devices.heard_at_s[0] >= _QUIET_S
        assert (link.health.ok, link.health.protocol, devices.connections) == (2, 1, 1)


async def test_a_silent_device_takes_no_other_down(bed: Bed) -> None:
    """It costs one time-out and one gap, then its requests fail at once; the other devices are read every time."""
    loop = asyncio.get_running_loop()
    async with (
        bed(lambda request: at_once(request) if request[0] != 2 else []) as devices,
        _link(devices, 3.0 * _TIMEOUT_S, _QUIET_S) as link,
    ):
        for scan in range(4):
            started_s = loop.time()
            replies = [await link.read(unit, _BLOCK) for unit in (1, 2, 3)]
            assert [isinstance(reply, ReadOk) for reply in replies] == [True, False, True]
            silent = replies[1]
            assert isinstance(silent, ReadFailed)
            assert silent.reason is (Failure.BACKING_OFF if scan else Failure.TIMEOUT)
            assert scan == 0 or loop.time() - started_s < _TIMEOUT_S + _QUIET_S
            rest = link._devices[2].rest
            rest.until_s = loop.time() + 60.0  # however slow this machine is
        health = link.health
        assert (health.requests, health.ok, health.timeouts, health.consecutive_failures) == (9, 8, 1, 0)
        until_s = rest.until_s
        assert await link.write_bits(2, 0, [0], urgent=True) is WriteResult.UNCONFIRMED
        assert rest.until_s == until_s


async def test_a_device_at_rest_waits_for_nobody(bed: Bed) -> None:
    """Its requests fail at once, though the line is busy with another device or left alone."""
    async with (
        bed(lambda request: [(_QUIET_S, good(request))] if request[0] != 2 else []) as devices,
        _link(devices, 2.0 * _QUIET_S, _QUIET_S) as link,
    ):
        await link.read(2, _BLOCK)
        busy = asyncio.create_task(link.read(1, _BLOCK))
        await asyncio.sleep(0)
        async with asyncio.timeout(0.3 * _QUIET_S):
            resting = await link.read(2, _BLOCK)
        assert isinstance(resting, ReadFailed) and resting.reason is Failure.BACKING_OFF
        assert isinstance(await busy, ReadOk)


async def test_absent_lost_and_back_is_told_of_each_device(bed: Bed) -> None:
    """A technician sees which device never answered, which one was lost, and that it is back."""
    present = {1}

    def state(unit: int) -> tuple[str, bool, int]:
        health = link.device_health(unit)
        return health.state.value, health.resting, health.consecutive_failures

    async with (
        bed(lambda request: at_once(request) if request[0] in present else []) as devices,
        _link(devices, 3.0 * _TIMEOUT_S, 0.02) as link,
    ):

        async def scan() -> None:
            for unit in (1, 2):
                await link.read(unit, _BLOCK)

        assert (state(1), state(2)) == (("never seen", False, 0), ("never seen", False, 0))
        await scan()
        assert (state(1), state(2)) == (("answering", False, 0), ("never seen", True, 1))
        _forget_pauses(link)
        present = {2}
        await scan()
        assert (state(1), state(2)) == (("lost", True, 1), ("answering", False, 0))
        _forget_pauses(link)
        assert state(1) == ("lost", False, 1)
        present = {1, 2}
        await scan()
        back = link.device_health(1)
        assert (back.state.value, back.requests, back.ok, back.timeouts) == ("answering", 3, 2, 1)
        assert back.last_failure == "TIMEOUT: no whole answer within 0.3 s"
        total, parts = link.health, [link.device_health(unit) for unit in (1, 2)]
        assert (total.requests, total.ok) == (sum(p.requests for p in parts), sum(p.ok for p in parts)) == (6, 4)


async def test_a_gateway_that_says_nothing_is_connected_to_anew() -> None:
    """A connection on which three requests in a row brought nothing may be a dead one; before that it is kept."""
    async with behind_gateway(lambda _: []) as devices, _link(devices, _TIMEOUT_S) as link:
        for unit in (1, 2, 3):
            await link.read(unit, _BLOCK)
            assert link.health.connected == (unit < 3)
        devices.answer = at_once
        assert isinstance(await link.read(4, _BLOCK), ReadOk)
        assert (devices.connections, link.health.timeouts, link.health.disconnects) == (2, 3, 0)


async def test_a_port_pulled_out_and_put_in_again(tmp_path: Path) -> None:
    """DISCONNECTED, every device of it lost, one attempt a pause; and it comes back by itself."""
    async with on_port(tmp_path / "port", at_once) as (devices, port), _link(devices, _TIMEOUT_S, 0.02) as link:
        for unit in (1, 2):
            assert isinstance(await link.read(unit, _BLOCK), ReadOk)
        port.pull()
        for unit, reason in ((1, Failure.DISCONNECTED), (1, Failure.BACKING_OFF), (2, Failure.BACKING_OFF)):
            failed = await link.read(unit, _BLOCK)
            assert isinstance(failed, ReadFailed) and failed.reason is reason
        assert [link.device_health(unit).state.value for unit in (1, 2, 3)] == ["lost", "lost", "never seen"]
        assert await link.write_bits(1, 0, [0], urgent=True) is WriteResult.UNCONFIRMED
        assert (link.health.disconnects, link.health.connected) == (2, False)
        port.plug()
        _forget_pauses(link)
        for unit in (2, 1):
            assert isinstance(await link.read(unit, _BLOCK), ReadOk)
        assert [link.device_health(unit).state.value for unit in (1, 2)] == ["answering", "answering"]


async def test_a_port_pulled_out_during_a_request(tmp_path: Path) -> None:
    """The request ends within its time-out, and the next one finds the port again."""
    async with on_port(tmp_path / "port", lambda _: []) as (devices, port), _link(devices, _TIMEOUT_S) as link:
        asyncio.get_running_loop().call_later(0.5 * _TIMEOUT_S, port.pull)
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed) and failed.reason is Failure.DISCONNECTED
        port.plug()
        devices.answer = at_once
        _forget_pauses(link)
        assert isinstance(await link.read(1, _BLOCK), ReadOk)


@pytest.mark.parametrize("kind", ["missing", "a file", "no such parity"])
async def test_a_port_that_cannot_be_opened(tmp_path: Path, kind: str) -> None:
    """A wrong path or setting is DISCONNECTED with the port's name in the message, and nothing worse."""
    path = tmp_path / "port"
    async with on_port(path, at_once) as (_, port):
        if kind != "no such parity":
            port.pull()
        if kind == "a file":
            path.write_bytes(b"")
        line = SerialLine(str(path), 19200, "X" if kind == "no such parity" else "N", 1)
        link = Link("line", line, _TIMEOUT_S, lambda: _NOW_S)
        failed = await link.read(1, _BLOCK)
        assert isinstance(failed, ReadFailed)
        assert (failed.reason, failed.detail) == (Failure.DISCONNECTED, f"no connection to {line.where}")
        await link.close()


async def test_frames_are_parted_by_silence(tmp_path: Path) -> None:
    """Between the end of a reply and the next request 3.5 characters pass (Modbus over Serial Line V1.02, 2.5.1.1)."""
    async with _on_port(tmp_path / "port", at_once) as devices, _link(devices) as link:
        gaps_s = []
        for _ in range(20):
            said_at_s = devices.said_at_s
            assert isinstance(await link.read(1, _BLOCK), ReadOk)
            gaps_s.append(devices.heard_at_s[-1] - said_at_s)
    assert min(gaps_s[1:]) >= 3.5 * 10 / 19200


@pytest.mark.parametrize(
    ("baud", "parity", "stop_bits", "character_ms", "silence_ms"),
    [
        (19200, "E", 1, 0.5729, 2.005),
        (19200, "N", 1, 0.5208, 1.823),
        (9600, "O", 1, 1.1458, 4.010),
        (9600, "N", 2, 1.1458, 4.010),
        (115200, "N", 1, 0.0868, 1.75),
    ],
)
def test_the_time_of_a_character(
    baud: int, parity: str, stop_bits: int, character_ms: float, silence_ms: float
) -> None:
    """Bits over baud, worked out by hand; the silence is 3.5 of them, and 1.75 ms where that would be shorter."""
    line = SerialLine("/dev/ttyS0", baud, parity, stop_bits)
    assert line.character_s * 1000.0 == pytest.approx(character_ms, abs=0.0001)
    assert line.silence_s * 1000.0 == pytest.approx(silence_ms, abs=0.001)
    assert line.where == f"/dev/ttyS0 ({baud} baud, 8{parity}{stop_bits})"
