"""The Modbus side: one TCP server for each bus of the site file, and the registers of its devices."""

import asyncio
import logging
from collections.abc import Callable, Sequence
from typing import cast

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ExceptionResponse, ModbusPDU
from pymodbus.pdu.device import ModbusDeviceIdentification
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from sim.instruments import Instruments, decode, encode
from sim.plant import Plant
from sim.site import Bus, Device, Point

IDENTITY = ModbusDeviceIdentification(  # type: ignore[no-untyped-call]
    info_name={"VendorName": "shiftwright", "ProductCode": "SIMULATOR", "MajorMinorRevision": "1"}
)
"""How a controller tells the simulator from hardware."""
_TABLES = {1: "coil", 5: "coil", 15: "coil", 2: "discrete", 4: "input"}
_TABLES |= dict.fromkeys((3, 6, 16, 22, 23), "holding")
_OWN = ("uptime_s", "watchdog_s", "watchdog_tripped", "watchdog_setting_s")
"""Points that a module fills with what it knows of itself."""
_New = list[int] | list[bool] | None
_NOBODY = 0
"""pymodbus's unit number for all that are not defined."""

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
        self._coils = {point.address: f"{name}.{point.name}" for point in points if point.table == "coil"}
        wired = [(f"{name}.{point.name}", point) for point in points if f"{name}.{point.name}" in instruments.wired]
        self._wired = [(ref, self._storer(point)) for ref, point in wired]
        self._mirrors = [
            (point, self._storer(device.points[point.read_back])) for point in points if point.read_back is not None
        ]
        """Each writable point, and how to store what shows that it was written."""
        self._own = {point.name: self._storer(point) for point in points if point.name in _OWN}
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
        if table == "coil":
            wanted = {ref: bool(new[at - address]) for at, ref in self._coils.items() if 0 <= at - address < len(new)}
            self.module.write(wanted, self._plant.time_s)
            self._mirror()
            return
        for point in self._points.values():
            if point.table == table and point.address < address + len(new) and address < point.address + point.width:
                value = decode(point, self._tables[table][point.address : point.address + point.width])
                if point.name == "watchdog_setting_s":
                    self.module.setting_s = value
                    self._show_own("watchdog_s", value)
                else:
                    self._plant.set_drive(f"{self._name}.{point.name}", value)
        self._mirror()

    def _show(self) -> None:
        """Bring every table up to the plant as it stands."""
        values = self._instruments.values()
        for ref, store in self._wired:
            store(values[ref])
        coils = self._tables["coil"]
        dropped = [address for address, ref in self._coils.items() if coils[address] != self.module.on[ref]]
        if dropped:
            for address in dropped:
                coils[address] = 0
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
        return float(registers[0]) if point.type == "bool" else decode(point, registers)

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
    """One bus: a Modbus TCP server, the devices on it and the requests it has served."""

    def __init__(self, bus: Bus, devices: Sequence[SimulatedDevice], now_s: Callable[[], float]) -> None:
        self.requests = 0
        self._bus = bus
        self._devices = devices
        self._modules = {device.unit: device.module for device in devices}
        self._now_s = now_s
        self._server: ModbusTcpServer | None = None

    async def start(self, port: int) -> int:
        """Listen on `port` (0: any free one) and return the port; raises PortTakenError."""
        nobody = SimDevice(_NOBODY, SimData(0, datatype=DataType.REGISTERS))
        served = [nobody, *(device.served() for device in self._devices)]
        server = _TcpServer(served, identity=IDENTITY, address=(self._bus.host, port), trace_pdu=self._note)
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


class _Connection(ServerRequestHandler):
    """One master's connection. pymodbus hands each request to the loop as if from another thread, which costs more
    than the answer; here it is a task like any other."""

    _answering: asyncio.Task[None] | None = None

    def handle_later(self) -> None:
        """Answer the request that has come."""
        self._answering = self.loop.create_task(self.handle_request())  # type: ignore[no-untyped-call]


class _TcpServer(ModbusTcpServer):
    """pymodbus's server with our connections."""

    def callback_new_connection(self) -> ServerRequestHandler:
        """Take a new master's connection."""
        return _Connection(  # type: ignore[no-untyped-call]
            self, self.trace_packet, self.trace_pdu, self.trace_connect
        )
