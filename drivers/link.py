"""One bus: one connection, one request in flight, and no reply believed that is not what the request allows.

Every byte from a device passes the gate (drivers/gate.py) first. What the gate refuses is a protocol failure: it is
counted, and no value comes of it. On Modbus TCP a connection that failed is given up with whatever is still under way
on it. RTU frames carry nothing that tells a late answer from a prompt one, so there the line is left alone until no
answer can come any more.
"""

import asyncio
import logging
import termios
from collections import defaultdict
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, NamedTuple, cast

from pymodbus.client.base import ModbusBaseClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse

from drivers.gate import READ_REPLIES, RTU, Gate, ReadReply
from drivers.health import DeviceHealth, Failure, Health, Tally
from drivers.line import Line
from drivers.profile import ReadBlock, Table
from drivers.reading import WriteResult

# pymodbus adds its last twenty packets to every error it logs; every failure is returned and counted here instead.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)

_Ask = Callable[[ModbusBaseClient], Awaitable[ModbusPDU]]

_READ: Final = MappingProxyType(
    {
        Table.COIL: ModbusBaseClient.read_coils,
        Table.DISCRETE: ModbusBaseClient.read_discrete_inputs,
        Table.INPUT: ModbusBaseClient.read_input_registers,
        Table.HOLDING: ModbusBaseClient.read_holding_registers,
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

_CLOCK_S = 0.001
"""The steps of uvloop's clock: a pause may turn out that much shorter."""

_NO_DEVICE = 11
"""The exception by which a gateway says that the device behind it is silent."""


class ReadOk(NamedTuple):
    """What a block read brought."""

    values: bytes
    """As they came: two bytes, the high one first, for each register of the block, or its bits, eight to a byte from
    the lowest on."""
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


class Link:
    """One bus. Safe to share between tasks: requests wait for each other.

    Once those before it are done a request takes `timeout_s` at most, connecting included, after `quiet_s` at most. A
    device that does not answer, or answers wrongly, rests: its requests fail at once for a pause that doubles from
    0.5 s to 10 s until it answers, and the other devices of the line are asked as ever. When there is no connection
    the whole line rests so.
    """

    def __init__(self, name: str, line: Line, timeout_s: float, now: Callable[[], float], quiet_s: float = 0.0) -> None:
        """Make the link; nothing is opened before the first request.

        `now` gives the monotonic seconds that readings are stamped with. Time-outs and pauses are in real seconds.
        Nothing is sent for `quiet_s` after a failure, nor, on a line of RTU frames, after it was opened: on such a
        line it must be longer than the latest answer, counted from the time-out, takes to be over.
        """
        self.name = name
        self._line = line
        self._timeout_s = timeout_s
        self._now = now
        self._silence_s = line.silence_s and line.silence_s + _CLOCK_S
        self._quiet_s = max(quiet_s, self._silence_s)
        self._lock = asyncio.Lock()
        self._client: ModbusBaseClient | None = None
        self._gate = Gate(line.framing)
        self._free_at_s = 0.0
        """Event loop time before which nothing is sent; 0 when it has passed."""
        self._tally = Tally()
        self._devices: defaultdict[int, Tally] = defaultdict(Tally)

    @property
    def health(self) -> Health:
        """The line's counters as they stand, all of its devices together."""
        return self._tally.line(self._gate.up)

    def device_health(self, unit: int) -> DeviceHealth:
        """Return the counters of device `unit` as they stand. Needs a running event loop."""
        return self._devices.get(unit, Tally()).device(self._tally, asyncio.get_running_loop().time())

    async def read(self, unit: int, block: ReadBlock) -> ReadOk | ReadFailed:
        """Return the values of `block` of device `unit`."""
        read = _READ[block.table]
        reply = await self._request(unit, lambda client: read(client, block.address, count=block.count, device_id=unit))
        return reply if isinstance(reply, ReadFailed) else ReadOk(cast(ReadReply, reply).data, self._now())

    async def write_bits(
        self, unit: int, address: int, values: Sequence[int], *, urgent: bool = False, single: bool = False
    ) -> WriteResult:
        """Set the coils of device `unit` from `address` on (FC15, or FC05 for a `single` one).

        `urgent` tries even while resting.
        """
        bits = [bool(value) for value in values]
        if single:
            (bit,) = bits
            return await self._write(unit, lambda client: client.write_coil(address, bit, device_id=unit), urgent)
        return await self._write(unit, lambda client: client.write_coils(address, bits, device_id=unit), urgent)

    async def write_registers(
        self, unit: int, address: int, values: Sequence[int], *, urgent: bool = False, single: bool = False
    ) -> WriteResult:
        """Set holding registers of device `unit` from `address` on (FC16, or FC06 for a `single` one).

        `urgent` tries even while resting.
        """
        if single:
            (value,) = values
            return await self._write(unit, lambda client: client.write_register(address, value, device_id=unit), urgent)
        return await self._write(unit, lambda client: client.write_registers(address, values, device_id=unit), urgent)

    async def identify(self, unit: int) -> DeviceIdentity | None:
        """Return what device `unit` says it is; None when it does not say or cannot be asked."""
        reply = await self._request(unit, lambda client: client.read_device_information(device_id=unit))
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

    async def _write(self, unit: int, ask: _Ask, urgent: bool) -> WriteResult:
        reply = await self._request(unit, ask, urgent)
        if not isinstance(reply, ReadFailed):
            return WriteResult.CONFIRMED
        return WriteResult.REFUSED if reply.exception_code in _NOT_CARRIED_OUT else WriteResult.UNCONFIRMED

    async def _request(self, unit: int, ask: _Ask, urgent: bool = False) -> ModbusPDU | ReadFailed:
        """Ask when it is this request's turn. A reply that comes back has passed the gate."""
        device = self._devices[unit]
        # Before the lock, so that a device at rest waits for nobody; behind it, for what failed meanwhile.
        if not urgent and (resting := self._resting(device)):
            return resting
        # `async with` would cost every request two coroutines more.
        await self._lock.acquire()
        try:
            if not urgent and (resting := self._resting(device)):
                return resting
            return await self._ask(device, ask)
        finally:
            self._lock.release()

    async def _ask(self, device: Tally, ask: _Ask) -> ModbusPDU | ReadFailed:
        """Ask within the deadline, and count what came of it."""
        self._tally.requests += 1
        device.requests += 1
        try:
            if self._client is not None and self._gate.up and not self._gate.violation and not self._free_at_s:
                reply = await ask(self._client)
            else:
                # pymodbus's own deadline holds for the request alone; this one holds for what comes before it too.
                async with asyncio.timeout(self._timeout_s + self._quiet_s):
                    reply = await ask(await self._ready())
        except (TimeoutError, ModbusIOException, ConnectionException, OSError, RuntimeError):
            # The last two: a connection that is lost while pymodbus writes to it.
            return self._failed(device)
        except BaseException:
            # Cancelled: the answer may still come, and must not meet the next request.
            self._leave_alone()
            raise
        if self._gate.violation:
            return self._failed(device)
        if self._silence_s:
            self._free_at_s = asyncio.get_running_loop().time() + self._silence_s
        self._tally.answered()
        if reply.isError():
            return self._excepted(device, reply.exception_code)
        device.answered()
        self._tally.ok += 1
        device.ok += 1
        return reply

    def _resting(self, device: Tally) -> ReadFailed | None:
        """Return the answer to a request that is not to be made now."""
        for tally in (self._tally, device):
            if tally.rest.until_s and asyncio.get_running_loop().time() < tally.rest.until_s:
                return ReadFailed(Failure.BACKING_OFF, tally.last_failure)
        return None

    async def _ready(self) -> ModbusBaseClient:
        """Return a connected client once the line has been left alone for long enough. Raises ConnectionException.

        It connects once: who takes a connection and hangs up at once, as a module without a free seat does, is not up.
        """
        has_connected = False
        while True:
            if self._gate.violation:
                self._tally.failed(Failure.PROTOCOL, self._gate.violation)
                self._leave_alone()
            if self._client is None or not self._gate.up:
                if has_connected:
                    raise ConnectionException(f"{self._line.where} took the connection and hung up")
                has_connected = True
                await self._connect()
            wait_s = self._free_at_s - asyncio.get_running_loop().time()
            # At least one turn of the event loop: uvloop runs timers before it reads, so what came while the loop was
            # busy elsewhere would otherwise be heard after the next request instead of before it.
            await asyncio.sleep(max(wait_s, 0.0))
            if wait_s <= 0.0 and self._client is not None and self._gate.up and not self._gate.violation:
                self._free_at_s = 0.0
                return self._client

    async def _connect(self) -> None:
        """Connect anew. Raises ConnectionException."""
        self._drop()
        # A new client and gate for each connection: what an old socket still has to say reaches nobody.
        gate = self._gate
        self._client = self._line.client(self.name, self._timeout_s, gate)
        for reply in READ_REPLIES:
            self._client.register(reply)
        try:
            connected = await self._client.connect()
        except (termios.error, ValueError):
            # A serial port that refuses its settings.
            connected = False
        if not connected:
            raise ConnectionException(f"no connection to {self._line.where}")
        if self._line.framing is RTU:
            # A line in an unknown state: the answer to somebody else's last request may still be under way.
            gate.hush()
            self._free_at_s = asyncio.get_running_loop().time() + self._quiet_s

    def _failed(self, device: Tally) -> ReadFailed:
        """Count a failure, leave the line alone, and let what failed rest before the next attempt."""
        if self._gate.violation:
            reason, detail = Failure.PROTOCOL, self._gate.violation
        elif not self._gate.up:
            reason, detail = Failure.DISCONNECTED, f"no connection to {self._line.where}"
        else:
            reason, detail = Failure.TIMEOUT, f"no whole answer within {self._timeout_s:g} s"
        now_s = asyncio.get_running_loop().time()
        for tally in (self._tally, device):
            tally.failed(reason, detail)
            tally.in_a_row += 1
        if reason is Failure.DISCONNECTED:
            self._tally.rest.failed(now_s)
        else:
            self._tally.rest.over()
            device.rest.failed(now_s)
        self._leave_alone()
        return ReadFailed(reason, detail)

    def _excepted(self, device: Tally, code: int) -> ReadFailed:
        detail = f"exception {code:02X} {_EXCEPTION_NAMES.get(code, 'of no known name')}"
        self._tally.failed(Failure.EXCEPTION, detail)
        device.failed(Failure.EXCEPTION, detail)
        if code == _NO_DEVICE:
            device.in_a_row += 1
            device.rest.failed(asyncio.get_running_loop().time())
        else:
            device.answered()
        return ReadFailed(Failure.EXCEPTION, detail, code)

    def _leave_alone(self) -> None:
        """Let nothing that is still under way meet a later request."""
        if self._gate.up and self._tally.in_a_row < self._line.reopen_after:
            self._gate.hush()
        else:
            self._drop()
        self._free_at_s = asyncio.get_running_loop().time() + self._quiet_s

    def _drop(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client, self._gate = None, Gate(self._line.framing)
