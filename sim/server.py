"""The Modbus side: one server for each bus of the site file, and the registers of its devices."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from sim.instruments import Instruments, decode, encode
from sim.plant import Plant
from sim.serial_line import LineError, SerialLine
from sim.site import Bus, Device, Point

IDENTITY = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
    info_name={"VendorName": "shiftwright", "ProductCode": "SIMULATOR", "MajorMinorRevision": "1"}
)
"""How a controller tells the simulator from hardware."""
_TABLES = {1: "coil", 5: "coil", 15: "coil", 2: "discrete", 4: "input"}
_TABLES |= dict.fromkeys((3, 6, 16, 22, 23), "holding")
_OWN = {name: name for name in ("uptime_s", "watchdog_s", "watchdog_tripped", "watchdog_setting_s")}
_OWN |= {
    "comms_loss_s": "watchdog_s",
    "comms_lost": "watchdog_tripped",
    "comms_loss_setting_s": "watchdog_setting_s",
}
"""Points that a module fills with what it knows of itself; a drive has names of its own for its time-out."""
_New = list[int] | list[bool] | None
_NOBODY = 0
"""pymodbus's unit number for all that are not defined."""
_BITS_PER_BYTE = 11
"""On the wire of a serial line: start, eight bits, parity or a second stop, stop."""
_SILENCE_S = 0.05
"""Ends an RTU frame. Far above 3.5 characters: the operating system hands bytes over in pieces."""

logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


class PortTakenError(Exception):
    """A bus cannot listen; the text says where and what to do."""


class SimulatedDevice:
    """One device: its register tables, what it shows of the plant and what a write does to it."""

    def __init__(self, name: str, device: Device, plant: Plant, instruments: Instruments) -> None:
        self.unit = device.unit
        self.module = plant.modules[name]
        self._name = name
        self._plant = plant
        self._instruments = instruments
        self._points = device.points
        self._tables = {table: [0] * self._extent(table) for table in ("coil", "discrete", "holding", "input")}
        points = device.points.values()
        self._writable = [(f"{name}.{point.name}", point) for point in points if point.table in ("coil", "holding")]
        self._relays = [(ref, self._storer(point)) for ref, point in self._writable if ref in self.module.on]
        self._shown_on = dict(self.module.on)
        """The relays as the tables have them."""
        wired = [(f"{name}.{point.name}", point) for point in points if f"{name}.{point.name}" in instruments.wired]
        self._wired = [(ref, self._storer(point)) for ref, point in wired]
        self._mirrors = [
            (point, self._storer(device.points[point.read_back])) for point in points if point.read_back is not None
        ]
        """Each writable point, and how to store what shows that it was written."""
        self._own = {_OWN[point.name]: self._storer(point) for point in points if point.name in _OWN}
        self._shown_at = -1
        self._show_own("watchdog_setting_s", self.module.setting_s)

    def served(self) -> SimDevice:
        """Return the device as pymodbus takes it, with room for every point of its profile."""
        tables = (self._bits("coil"), self._bits("discrete"), self._registers("holding"), self._registers("input"))
        return SimDevice(self.unit, tables, action=self._answer)

    def _bits(self, table: str) -> list[SimData]:
        words = 1 + len(self._tables[table]) // 16
        return [SimData(0, count=16 * words, values=False, datatype=DataType.BITS)]

    def _registers(self, table: str) -> list[SimData]:
        return [SimData(0, count=max(1, len(self._tables[table])), values=0, datatype=DataType.REGISTERS)]

    async def _answer(
        self, function: int, start: int, address: int, count: int, registers: list[int], new: _New
    ) -> ExcCodes | None:
        """Answer one access. `registers` is pymodbus's own copy of the table, which ours overwrites."""
        table = _TABLES[function]
        ours = self._tables[table]
        if address + (len(new) if new is not None else 1) > len(ours):
            return ExcCodes.ILLEGAL_ADDRESS
        if new is not None:
            self._write(table, address, new)
        elif self._shown_at != self._plant.revision:
            self._shown_at = self._plant.revision
            self._show()
        if table in ("coil", "discrete"):
            for word in range(len(registers) - 1):
                registers[word] = sum(bit << place for place, bit in enumerate(ours[16 * word : 16 * word + 16]))
        else:
            registers[: len(ours)] = ours
        return None

    def _extent(self, table: str) -> int:
        """Addresses of a table, from 0 to the last one that a point takes."""
        return max((point.address + point.width for point in self._points.values() if point.table == table), default=0)

    def _write(self, table: str, address: int, new: Sequence[int]) -> None:
        """Take what a master writes, and act on it."""
        self.module.tripped = False
        self._show_own("watchdog_tripped", 0.0)
        self._tables[table][address : address + len(new)] = [int(value) for value in new]
        end = address + len(new)
        written = [
            (ref, point)
            for ref, point in self._writable
            if point.table == table and point.address < end and address < point.address + point.width
        ]
        relays = {ref: bool(self._value(point)) for ref, point in written if ref in self.module.on}
        self.module.write(relays, self._plant.time_s)
        self._shown_on |= relays
        for ref, point in written:
            if _OWN.get(point.name) == "watchdog_setting_s":
                self.module.setting_s = self._value(point)
                self._show_own("watchdog_s", self.module.setting_s)
            elif point.type != "bool":
                self._plant.set_drive(ref, self._value(point))
        self._mirror()

    def _show(self) -> None:
        """Bring every table up to the plant as it stands."""
        values = self._instruments.values()
        for ref, store in self._wired:
            store(values[ref])
        if self.module.on != self._shown_on:
            self._shown_on = dict(self.module.on)
            for ref, store in self._relays:
                store(self._shown_on[ref])
            self._mirror()
        self._show_own("uptime_s", float(int(self._plant.time_s - self.module.booted_s)))
        self._show_own("watchdog_s", self.module.setting_s)
        self._show_own("watchdog_tripped", float(self.module.tripped))

    def _mirror(self) -> None:
        """Show what was written in the points that read it back."""
        for source, store in self._mirrors:
            store(self._value(source))

    def _show_own(self, name: str, value: float) -> None:
        """Show what the module knows of itself, where its profile has a point for it."""
        if name in self._own:
            self._own[name](value)

    def _value(self, point: Point) -> float:
        registers = self._tables[point.table][point.address : point.address + point.width]
        return float(registers[0] >> (point.bit or 0) & 1) if point.type == "bool" else decode(point, registers)

    def _storer(self, point: Point) -> Callable[[float], None]:
        """Return what stores a value of a point in its table."""
        table, at, end = self._tables[point.table], point.address, point.address + point.width
        mask = 1 << (point.bit or 0)

        def store_number(value: float) -> None:
            table[at:end] = encode(point, value)

        def store_bit(value: float) -> None:
            table[at] = table[at] | mask if value else table[at] & ~mask

        return store_bit if point.type == "bool" else store_number


class BusServer:
    """One bus: a Modbus server on TCP or on a serial line, the devices on it and the requests it has served."""

    def __init__(
        self, bus: Bus, devices: Sequence[SimulatedDevice], now_s: Callable[[], float], *, paced: bool = False
    ) -> None:
        """Prepare; nothing listens yet. A serial line that is `paced` takes the time of its bit rate."""
        self.requests = 0
        self._bus = bus
        self._devices = devices
        self._modules = {device.unit: device.module for device in devices}
        self._now_s = now_s
        self._byte_s = _BITS_PER_BYTE / bus.baud if paced else 0.0
        self._server: ModbusTcpServer | ModbusSerialServer | None = None

    async def start(self, port: int) -> int | str:
        """Listen, and return where: the port (`port`, or any free one for 0), or the path of the serial line.

        Raises PortTakenError and LineError.
        """
        nobody = SimDevice(_NOBODY, SimData(0, datatype=DataType.REGISTERS))
        served = [nobody, *(device.served() for device in self._devices)]
        if self._bus.kind == "rtu":
            await self._start_on_line(served)
            return self._bus.line
        return await self._start_on_tcp(served, port)

    async def _start_on_line(self, served: list[SimDevice]) -> None:
        if self._bus.parity != "N":
            raise LineError(
                f'{self._bus.line}: got parity "{self._bus.parity}", which no pseudo-terminal has and masters fail to '
                'set: simulate it with parity = "N" and stop_bits = 2'
            )
        line = SerialLine(Path(self._bus.line), self._byte_s)
        self._server = _LineServer(served, line, identity=IDENTITY, trace_pdu=self._note, trace_packet=self._if_there)
        await self._server.serve_forever(background=True)

    async def _start_on_tcp(self, served: list[SimDevice], port: int) -> int:
        options: dict[str, Any] = {"identity": IDENTITY, "address": (self._bus.host, port), "trace_pdu": self._note}
        if self._bus.kind == "rtu_over_tcp":
            server: _TcpServer = _ConverterServer(served, framer=FramerType.RTU, trace_packet=self._if_there, **options)
        else:
            server = _TcpServer(served, **options)
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:
            raise PortTakenError(
                f"{self._bus.host}:{port} cannot be listened on: stop what uses it, or give --port-offset"
            ) from error
        self._server = server
        listening = cast(asyncio.Server, server.transport)
        return int(listening.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Close every connection and stop listening."""
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]

    def _note(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        """Count a request and let its device's time-out hear it.

        Whatever pymodbus would answer for a unit that is not there, the answer is a gateway's: target does not respond.
        """
        module = self._modules.get(pdu.dev_id)
        if not sending:
            self.requests += 1
            if module is not None:
                module.hear(self._now_s())
        elif module is None:
            function, unit, transaction = pdu.function_code & 0x7F, pdu.dev_id, pdu.transaction_id
            return ExceptionResponse(function, ExcCodes.GATEWAY_NO_RESPONSE, unit, transaction)
        return pdu

    def _if_there(self, sending: bool, frame: bytes) -> bytes:
        """Let an RTU frame pass unless it answers for a unit that is not there: on a serial line nobody does."""
        return b"" if sending and frame[0] not in self._modules else frame


class _Connection(ServerRequestHandler):
    """One master's connection. pymodbus hands each request to the loop as if from another thread, which costs more
    than the answer; here it is a task like any other."""

    _answering: asyncio.Task[None] | None = None

    def handle_later(self) -> None:
        """Answer the request that has come."""
        self._answering = self.loop.create_task(self.handle_request())  # type: ignore[no-untyped-call]


class _RtuConnection(_Connection):
    """The same for RTU frames, whose end only a silence tells: what a frame lacks by then never comes."""

    _silence: asyncio.TimerHandle | None = None

    def data_received(self, data: bytes) -> None:
        """Take what has come; drop what stays unfinished."""
        if self._silence is not None:
            self._silence.cancel()
        super().data_received(data)
        self._silence = self.loop.call_later(_SILENCE_S, self._forget) if self.recv_buffer else None

    def _forget(self) -> None:
        self.recv_buffer = b""


class _TcpServer(ModbusTcpServer):
    """pymodbus's server with our connections."""

    connection: type[_Connection] = _Connection

    def callback_new_connection(self) -> ServerRequestHandler:
        """Take a new master's connection."""
        return self.connection(self, self.trace_packet, self.trace_pdu, self.trace_connect)


class _ConverterServer(_TcpServer):
    """The same behind a converter from TCP to a serial line."""

    connection = _RtuConnection


class _LineServer(ModbusSerialServer):
    """pymodbus's serial server on our line, in place of a port of pyserial's."""

    def __init__(self, served: list[SimDevice], line: SerialLine, **options: Any) -> None:
        super().__init__(served, **options)
        self._line = line
        self.call_create = self._open

    def callback_new_connection(self) -> ServerRequestHandler:
        """Take the line's one connection."""
        return _RtuConnection(  # type: ignore[no-untyped-call]
            self, self.trace_packet, self.trace_pdu, self.trace_connect
        )

    async def _open(self) -> SerialLine:
        self._line.serve(self.handle_new_connection())
        return self._line
