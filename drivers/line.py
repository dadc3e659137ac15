"""What a bus is reached over: Modbus TCP, a serial port, or RTU frames through a gateway that passes bytes on."""

import math
from dataclasses import dataclass
from typing import ClassVar

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient
from pymodbus.client.base import ModbusBaseClient
from pymodbus.framer import FramerType

from drivers.gate import MBAP, RTU, Framing, Gate

_LONGEST_CHUNK = 2**20
"""More bytes than an event loop hands over at once: pymodbus throws a longer chunk away before the gate sees it."""


@dataclass(frozen=True, slots=True)
class TcpLine:
    """Modbus TCP to a device or a gateway."""

    host: str
    port: int

    framing: ClassVar[Framing] = MBAP
    silence_s: ClassVar[float] = 0.0
    """Between the end of a reply and the next request, in seconds."""
    reopen_after: ClassVar[float] = 0
    """Requests in a row without an answer after which the connection is made anew. Here whenever anything goes wrong:
    a late answer goes down with its connection."""

    @property
    def where(self) -> str:
        """The line's address, for messages."""
        return f"{self.host}:{self.port}"

    def client(self, name: str, timeout_s: float, gate: Gate) -> ModbusBaseClient:
        """Return a client, not yet connected, every byte of which passes `gate`. It never tries anything twice."""
        return _tcp_client(self, FramerType.SOCKET, name, timeout_s, gate)


@dataclass(frozen=True, slots=True)
class RtuTcpLine:
    """RTU frames over TCP to a gateway, which keeps the silence between them on its serial side."""

    host: str
    port: int

    framing: ClassVar[Framing] = RTU
    silence_s: ClassVar[float] = 0.0
    reopen_after: ClassVar[float] = 3
    """A gateway that was switched off leaves a connection on which nothing ever comes."""

    @property
    def where(self) -> str:
        """The line's address, for messages."""
        return f"{self.host}:{self.port}"

    def client(self, name: str, timeout_s: float, gate: Gate) -> ModbusBaseClient:
        """Return a client, not yet connected, every byte of which passes `gate`. It never tries anything twice."""
        return _tcp_client(self, FramerType.RTU, name, timeout_s, gate)


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial port, eight data bits."""

    path: str
    baud: int
    parity: str
    """"N", "E" or "O"."""
    stop_bits: int

    framing: ClassVar[Framing] = RTU
    reopen_after: ClassVar[float] = math.inf
    """Never for silence: closing a port whose adapter hangs may wait for its output for half a minute."""

    @property
    def where(self) -> str:
        """The port and its settings, for messages."""
        return f"{self.path} ({self.baud} baud, 8{self.parity}{self.stop_bits})"

    @property
    def character_s(self) -> float:
        """Seconds that one byte takes on the wire, start, parity and stop bits included."""
        return (9 + (self.parity != "N") + self.stop_bits) / self.baud

    @property
    def silence_s(self) -> float:
        """Seconds of silence that part two frames: 3.5 characters, 1.75 ms from 19 200 baud on.

        Modbus over Serial Line V1.02, 2.5.1.1.
        """
        return max(3.5 * self.character_s, 0.00175)

    def client(self, name: str, timeout_s: float, gate: Gate) -> ModbusBaseClient:
        """Return a client, not yet connected, every byte of which passes `gate`. It never tries anything twice."""
        client = AsyncModbusSerialClient(
            self.path,
            baudrate=self.baud,
            parity=self.parity,
            stopbits=self.stop_bits,
            name=name,
            timeout=timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=gate.packet,
            trace_connect=gate.connection,
        )
        client.ctx.max_buffer_size = _LONGEST_CHUNK
        return client


Line = TcpLine | SerialLine | RtuTcpLine


def _tcp_client(
    line: TcpLine | RtuTcpLine, framer: FramerType, name: str, timeout_s: float, gate: Gate
) -> ModbusBaseClient:
    client = AsyncModbusTcpClient(
        line.host,
        framer=framer,
        port=line.port,
        name=name,
        timeout=timeout_s,
        retries=0,
        reconnect_delay=0,
        trace_packet=gate.packet,
        trace_connect=gate.connection,
    )
    client.ctx.max_buffer_size = _LONGEST_CHUNK
    # pymodbus would give the connection up by a count of its own.
    client.set_max_no_responses(2**31)
    return client
