"""One bus: one connection, one request in flight, and no reply believed that is not what the request allows.

pymodbus 3.16 pairs replies with requests but takes a reply of another function, length, address or value for a good
one, and raises out of the event loop on a frame it cannot decode. So every byte from the device passes a gate first:
the reply must be, byte for byte, one that the request in flight allows. Anything else is a protocol failure; it is
counted, the connection is given up with whatever else is under way on it, and no value comes of it.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Final

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from drivers.profile import BIT_TABLES, ReadBlock, Table
from drivers.reading import WriteResult

# pymodbus adds its last twenty packets to every error it logs; every failure is returned and counted here instead.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

_IDENTIFY = 0x2B

_FIRST_PAUSE_S = 0.5
_LONGEST_PAUSE_S = 10.0

_Ask = Callable[[AsyncModbusTcpClient], Awaitable[ModbusPDU]]

_READ: Final = MappingProxyType(
    {
        Table.COIL: AsyncModbusTcpClient.read_coils,
        Table.DISCRETE: AsyncModbusTcpClient.read_discrete_inputs,
        Table.INPUT: AsyncModbusTcpClient.read_input_registers,
        Table.HOLDING: AsyncModbusTcpClient.read_holding_registers,
    }
)

_EXCEPTION_NAMES: Final[Mapping[int, str]] = MappingProxyType(
    {
        1: "ILLEGAL FUNCTION",
        2: "ILLEGAL DATA ADDRESS",
        3: "ILLEGAL DATA VALUE",
        4: "SERVER DEVICE FAILURE",
        5: "ACKNOWLEDGE",
        6: "SERVER DEVICE BUSY",
        8: "MEMORY PARITY ERROR",
        10: "GATEWAY PATH UNAVAILABLE",
        11: "GATEWAY TARGET DEVICE FAILED TO RESPOND",
    }
)
"""Modbus Application Protocol V1.1b3, section 7."""

_NOT_CARRIED_OUT: Final = frozenset({1, 2, 3, 6, 10})
"""Exceptions that come before the device acts. After any other the output may have changed."""


class Failure(Enum):
    """Why a request brought nothing."""

    TIMEOUT = "TIMEOUT"
    DISCONNECTED = "DISCONNECTED"
    EXCEPTION = "EXCEPTION"
    """The device answered that it will not or cannot. The link is well."""
    PROTOCOL = "PROTOCOL"
    """The answer was not one that the request allows."""
    BACKING_OFF = "BACKING_OFF"
    """Not asked: the link failed a moment ago and rests."""


@dataclass(frozen=True, slots=True)
class ReadOk:
    """What a block read brought."""

    values: Sequence[int]
    """Exactly as many registers, 0 to 65535, or bits, 0 or 1, as the block has."""
    at_s: float
    """When they were received, in seconds of the clock that the link was handed."""


@dataclass(frozen=True, slots=True)
class ReadFailed:
    """A request that brought nothing, and why."""

    reason: Failure
    detail: str
    exception_code: int = 0
    """The Modbus exception code, where the device gave one."""


@dataclass(frozen=True, slots=True)
class DeviceIdentity:
    """What a device says it is (Modbus function 43/14, basic objects)."""

    vendor: str
    product_code: str
    revision: str


@dataclass(frozen=True, slots=True)
class Health:
    """Counters of one link since it was made. Requests answered at once while backing off are not counted."""

    requests: int
    ok: int
    timeouts: int
    exceptions: int
    protocol: int
    disconnects: int
    last_failure: str
    """The newest failure in words; empty when there was none yet."""
    consecutive_failures: int
    """Requests in a row with no believable answer. A device's exception is an answer."""
    connected: bool


class _Gate:
    """Stands between one connection and pymodbus; lets nothing through but a whole reply that the request allows."""

    def __init__(self) -> None:
        self.sent = b""
        """The request in flight; empty when there is none."""
        self.violation = ""
        """What came that no request allows; empty when nothing did."""
        self.up = False

    def connection(self, up: bool) -> None:
        """Note that the connection was made or lost (pymodbus's trace_connect)."""
        self.up = up

    def packet(self, sending: bool, data: bytes) -> bytes:
        """Return what pymodbus may send or decode (its trace_packet). `data` is all that came since the request."""
        if sending:
            self.sent = data
            return data
        if not self.sent or self.violation:
            self.violation = self.violation or f"bytes nobody asked for: {data.hex(' ')}"
            return b""
        head, size = _good_reply(self.sent, data)
        if not _begins(data, head, size):
            head, size = _exception_reply(self.sent)
            if not _begins(data, head, size):
                return self._violated(data)
        if len(data) < size:
            return b""
        return data if data[7] != _IDENTIFY or _has_whole_objects(data) else self._violated(data)

    def _violated(self, data: bytes) -> bytes:
        """Note the violation, and end the wait with an exception reply in the device's stead."""
        self.violation = f"sent {self.sent.hex(' ')}, got {data.hex(' ')}"
        head, _ = _exception_reply(self.sent)
        return head + b"\x00"


def _good_reply(sent: bytes, received: bytes) -> tuple[bytes, int]:
    """Return (first bytes, size) of the good reply that a Modbus TCP request allows.

    Layouts: Modbus Messaging on TCP/IP V1.0b, 3.1.3, and Modbus Application Protocol V1.1b3, section 6.
    """
    function, count = sent[7], int.from_bytes(sent[10:12], "big")
    if function in (1, 2, 3, 4):
        byte_count = 2 * count if function > 2 else (count + 7) // 8
        head = sent[:4] + (3 + byte_count).to_bytes(2, "big") + sent[6:8] + byte_count.to_bytes(1, "big")
        return head, 9 + byte_count
    if function in (15, 16):
        return sent[:4] + b"\x00\x06" + sent[6:12], 12
    # An identification has a length of its own: 8 at least; any, until its two bytes are here.
    length = int.from_bytes(received[4:6].ljust(2, b"\xff"), "big")
    return sent[:4] + received[4:6] + sent[6:10], 6 + length if length >= 8 else 0


def _exception_reply(sent: bytes) -> tuple[bytes, int]:
    """Return (first bytes, size) of the exception reply that a request allows."""
    return sent[:4] + b"\x00\x03" + sent[6:7] + bytes((sent[7] | 0x80,)), 9


def _begins(received: bytes, head: bytes, size: int) -> bool:
    """Return whether what was received is, or may become, a reply of `size` bytes that begins with `head`."""
    return len(received) <= size and received[: len(head)] == head[: len(received)]


def _has_whole_objects(reply: bytes) -> bool:
    """Return whether the objects of an identification reply fill it exactly, each of them once."""
    place, seen = 14, set()
    while place + 2 <= len(reply):
        seen.add(reply[place])
        place += 2 + reply[place + 1]
    return place == len(reply) and len(seen) == reply[13]


class Link:
    """One Modbus TCP bus. Safe to share between tasks: requests wait for each other.

    A request takes `timeout_s` at most, connecting included, once those before it are done. After a time-out, a lost
    connection or a reply that was not allowed the connection is given up, so that a late answer can never meet a later
    request, and requests fail at once for a pause that doubles from 0.5 s to 10 s until one succeeds.
    """

    def __init__(self, name: str, host: str, port: int, timeout_s: float, now: Callable[[], float]) -> None:
        """Make the link; nothing is opened before the first request.

        `now` gives the monotonic seconds that readings are stamped with. Time-outs and pauses are in real seconds.
        """
        self.name = name
        self._host = host
        self._port = port
        self._timeout_s = timeout_s
        self._now = now
        self._lock = asyncio.Lock()
        self._client: AsyncModbusTcpClient | None = None
        self._gate = _Gate()
        self._pause_s = _FIRST_PAUSE_S
        self._retry_at_s = 0.0
        self._requests = 0
        self._ok = 0
        self._failures = dict.fromkeys(Failure, 0)
        self._in_a_row = 0
        self._last_failure = ""

    @property
    def health(self) -> Health:
        """The counters as they stand."""
        return Health(
            requests=self._requests,
            ok=self._ok,
            timeouts=self._failures[Failure.TIMEOUT],
            exceptions=self._failures[Failure.EXCEPTION],
            protocol=self._failures[Failure.PROTOCOL],
            disconnects=self._failures[Failure.DISCONNECTED],
            last_failure=self._last_failure,
            consecutive_failures=self._in_a_row,
            connected=self._gate.up,
        )

    async def read(self, unit: int, block: ReadBlock) -> ReadOk | ReadFailed:
        """Return the values of `block` of device `unit`."""
        read = _READ[block.table]
        reply = await self._request(lambda client: read(client, block.address, count=block.count, device_id=unit))
        if isinstance(reply, ReadFailed):
            return reply
        # A bit reply is padded to whole bytes.
        values = reply.bits[: block.count] if block.table in BIT_TABLES else reply.registers
        return ReadOk(values, self._now())

    async def write_bits(self, unit: int, address: int, values: Sequence[int], *, urgent: bool = False) -> WriteResult:
        """Set the coils of device `unit` from `address` on (FC15). `urgent` tries even while backing off."""
        bits = [bool(value) for value in values]
        return await self._write(lambda client: client.write_coils(address, bits, device_id=unit), urgent)

    async def write_registers(
        self, unit: int, address: int, values: Sequence[int], *, urgent: bool = False
    ) -> WriteResult:
        """Set holding registers of device `unit` from `address` on (FC16). `urgent` tries even while backing off."""
        return await self._write(lambda client: client.write_registers(address, values, device_id=unit), urgent)

    async def identify(self, unit: int) -> DeviceIdentity | None:
        """Return what device `unit` says it is; None when it does not say or cannot be asked."""
        reply = await self._request(lambda client: client.read_device_information(device_id=unit))
        if not isinstance(reply, ReadDeviceInformationResponse) or not {0, 1, 2} <= reply.information.keys():
            return None
        vendor, product_code, revision = (reply.information[n].decode("ascii", "replace") for n in (0, 1, 2))
        return DeviceIdentity(vendor, product_code, revision)

    async def close(self) -> None:
        """Close the connection, after any request under way. A later request would open it again."""
        async with self._lock:
            self._drop()
        # The event loop closes the socket itself on its next turn.
        await asyncio.sleep(0)

    async def _write(self, ask: _Ask, urgent: bool) -> WriteResult:
        reply = await self._request(ask, urgent)
        if not isinstance(reply, ReadFailed):
            return WriteResult.CONFIRMED
        return WriteResult.REFUSED if reply.exception_code in _NOT_CARRIED_OUT else WriteResult.UNCONFIRMED

    async def _request(self, ask: _Ask, urgent: bool = False) -> ModbusPDU | ReadFailed:
        """Ask within the deadline. A reply that comes back has passed the gate."""
        async with self._lock:
            if self._retry_at_s and not urgent and asyncio.get_running_loop().time() < self._retry_at_s:
                return ReadFailed(Failure.BACKING_OFF, self._last_failure)
            self._requests += 1
            try:
                if self._client is not None and self._gate.up and not self._gate.violation:
                    reply = await ask(self._client)
                else:
                    # pymodbus's own deadline holds for the request alone; this one holds for connecting as well.
                    async with asyncio.timeout(self._timeout_s):
                        reply = await ask(await self._connect())
            except (TimeoutError, ModbusIOException, ConnectionException, OSError, RuntimeError):
                # The last two: a connection that is lost while pymodbus writes to it.
                return self._failed()
            except BaseException:
                # Cancelled: the answer may still come, and must not meet the next request.
                self._drop()
                raise
            if self._gate.violation:
                return self._failed()
            self._gate.sent = b""
            self._in_a_row, self._pause_s, self._retry_at_s = 0, _FIRST_PAUSE_S, 0.0
            if reply.isError():
                return self._excepted(reply.exception_code)
            self._ok += 1
            return reply

    async def _connect(self) -> AsyncModbusTcpClient:
        """Return a client with a connection of its own. Raises ConnectionException."""
        if self._gate.violation:
            self._count(Failure.PROTOCOL, self._gate.violation)
        self._drop()
        # A new client for each connection: what an old socket still has to say reaches nobody.
        gate = self._gate
        self._client = AsyncModbusTcpClient(
            self._host,
            port=self._port,
            name=self.name,
            timeout=self._timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=gate.packet,
            trace_connect=gate.connection,
        )
        if not await self._client.connect():
            raise ConnectionException(f"no connection to {self._host}:{self._port}")
        return self._client

    def _failed(self) -> ReadFailed:
        """Count the failure of the link, give the connection up, and rest before the next attempt."""
        gate = self._gate
        if gate.violation:
            reason, detail = Failure.PROTOCOL, gate.violation
        elif not gate.up:
            reason, detail = Failure.DISCONNECTED, f"no connection to {self._host}:{self._port}"
        else:
            reason, detail = Failure.TIMEOUT, f"no whole answer within {self._timeout_s:g} s"
        self._drop()
        self._in_a_row += 1
        now_s = asyncio.get_running_loop().time()
        # An urgent attempt during a pause does not prolong it: the reads would never have their turn.
        if now_s >= self._retry_at_s:
            self._retry_at_s = now_s + self._pause_s
            self._pause_s = min(2.0 * self._pause_s, _LONGEST_PAUSE_S)
        self._count(reason, detail)
        return ReadFailed(reason, detail)

    def _excepted(self, code: int) -> ReadFailed:
        detail = f"exception {code:02X} {_EXCEPTION_NAMES.get(code, 'of no known name')}"
        self._count(Failure.EXCEPTION, detail)
        return ReadFailed(Failure.EXCEPTION, detail, code)

    def _count(self, reason: Failure, detail: str) -> None:
        self._failures[reason] += 1
        self._last_failure = f"{reason.value}: {detail}"

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client, self._gate = None, _Gate()
