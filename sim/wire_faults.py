"""What a network, a gateway or a device may do to one Modbus TCP transaction: the wire faults, by name.

Each is a pure function from a request and its right reply to what the client gets in place of the reply. Layouts:
Modbus Messaging on TCP/IP V1.0b, 3.1.3, and Modbus Application Protocol V1.1b3, section 6.
"""

import random
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType
from typing import Final, NamedTuple

EXCEPTIONS: Final = (0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x0A, 0x0B)
_ACTED: Final = (0x04, 0x05, 0x0B)
"""Exceptions after which a device may have done what it was asked; here it has."""
_BITS, _REGISTERS, _SINGLE = (1, 2), (3, 4), (5, 6)
_WRITE_COIL, _WRITE_COILS, _WRITE_REGISTERS = 5, 15, 16
_TAKEN_FOR: Final = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 15: 16, 16: 15}


class End(Enum):
    """How a connection ends."""

    FIN = "closed"
    RST = "reset"
    MUTE = "left open, and nothing is heard or said on it any more"


Action = bytes | float | End
"""Bytes to send, seconds to wait, or the end of the connection."""
Actions = tuple[Action, ...]


class Exchange(NamedTuple):
    """One transaction, for a fault to spoil."""

    request: bytes
    reply: bytes
    """What the device answered; empty when the fault kept the request from it."""
    turn: int
    """How often the fault has struck before. A fault of several forms takes them in turn."""
    timeout_s: float
    """How long the client waits."""

    @property
    def pdu(self) -> bytes:
        """The reply without its header of seven bytes."""
        return self.reply[7:]

    def framed(self, pdu: bytes, *, transaction: int = 0, unit: int = 0) -> bytes:
        """Return `pdu` in the header that answers the request, with what is added to transaction and unit."""
        number, protocol, _, of_unit = struct.unpack(">HHHB", self.request[:7])
        number, of_unit = (number + transaction) & 0xFFFF, (of_unit + unit) & 0xFF
        return struct.pack(">HHHB", number, protocol, 1 + len(pdu), of_unit) + pdu


def _cut(x: Exchange) -> Actions:
    size, end = x.turn // len(End) % len(x.reply), tuple(End)[x.turn % len(End)]
    return (x.reply[:size], end) if size else (end,)


def _late(x: Exchange) -> Actions:
    return ((0.5, 1.0, 2.0)[x.turn % 3] * x.timeout_s, x.reply)


def _garbage(x: Exchange) -> Actions:
    noise = random.Random(x.turn).randbytes(len(x.reply))
    forms = (noise, b"HTTP/1.1 400 Bad Request\r\n\r\n", x.reply[:4] + b"\xff\xff" + x.reply[6:], x.reply + noise)
    return (forms[x.turn % len(forms)],)


def _wrong_function(x: Exchange) -> Actions:
    function = x.pdu[0] & 0x7F
    return (x.framed(bytes((_TAKEN_FOR.get(function, function ^ 1),)) + x.pdu[1:]),)


def _wrong_length(x: Exchange) -> Actions:
    function, is_short = x.pdu[0], x.turn % 2 == 0
    step = {**dict.fromkeys(_BITS, 1), **dict.fromkeys(_REGISTERS, 2)}.get(function)
    if step is None:
        return (x.framed(x.pdu[:-1] if is_short else x.pdu + b"\x00"),)
    values = x.pdu[2:-step] if is_short else x.pdu[2:] + bytes(step)
    return (x.framed(bytes((function, len(values))) + values),)


def _wrong_echo(x: Exchange) -> Actions:
    function, is_value = x.pdu[0], x.turn % 2 == 0
    if function not in (*_SINGLE, _WRITE_COILS, _WRITE_REGISTERS):
        # A read's reply echoes the count alone, in the byte before its values; an identification has one there too.
        place = 1 if function in _BITS + _REGISTERS else min(6, len(x.pdu) - 1)
        step = 1 if is_value else -1
        return (x.framed(x.pdu[:place] + bytes(((x.pdu[place] + step) & 0xFF,)) + x.pdu[place + 1 :]),)
    address, value = struct.unpack(">HH", x.pdu[1:5])
    if not is_value:
        address ^= 1
    else:
        value ^= 0xFF00 if function == _WRITE_COIL else 1
    return (x.framed(struct.pack(">BHH", function, address, value)),)


def _other_kind(x: Exchange) -> Actions:
    function, address, count = struct.unpack(">BHH", x.request[7:12].ljust(5, b"\x00"))
    if function == _WRITE_COILS:
        return (x.framed(bytes((1, (count + 7) // 8)) + bytes((count + 7) // 8)),)
    if function in (*_SINGLE, _WRITE_REGISTERS):
        registers = 1 if function in _SINGLE else count
        return (x.framed(bytes((3, 2 * registers)) + bytes(2 * registers)),)
    return (x.framed(struct.pack(">BHH", _WRITE_REGISTERS, address, count)),)


def _exception(x: Exchange) -> Actions:
    return (x.framed(bytes((x.request[7] | 0x80, EXCEPTIONS[x.turn % len(EXCEPTIONS)]))),)


def _is_refused(turn: int) -> bool:
    return EXCEPTIONS[turn % len(EXCEPTIONS)] not in _ACTED


def _drip(x: Exchange) -> Actions:
    pause_s = x.timeout_s / (4.0 if x.turn % 2 == 0 else 4.0 * len(x.reply))
    return tuple(action for byte in x.reply for action in (pause_s, bytes((byte,))))


@dataclass(frozen=True, slots=True)
class WireFault:
    """One way to spoil a transaction."""

    what: str
    act: Callable[[Exchange], Actions]
    keeps_back: Callable[[int], bool] = lambda turn: False
    """Whether the request does not reach the device, by turn."""


WIRE_FAULTS: Final[Mapping[str, WireFault]] = MappingProxyType(
    {
        "lost_request": WireFault("the request does not reach the device", lambda x: (), lambda turn: True),
        "lost_reply": WireFault("the device acts and its reply is lost", lambda x: ()),
        "cut": WireFault("part of the reply, then the connection is closed, reset or half open", _cut),
        "late": WireFault("the reply comes after half, one or two time-outs, under its own number", _late),
        "garbage": WireFault("noise, text, a length beyond the frame, or noise after the right reply", _garbage),
        "wrong_unit": WireFault("the reply is another unit's", lambda x: (x.framed(x.pdu, unit=1),)),
        "wrong_transaction": WireFault(
            "the reply carries another transaction's number",
            lambda x: (x.framed(x.pdu, transaction=(1, -1, 0x8000)[x.turn % 3]),),
        ),
        "wrong_function": WireFault("the reply is of a neighbouring function", _wrong_function),
        "wrong_length": WireFault("a register or byte too few or too many, in a frame that says so", _wrong_length),
        "wrong_echo": WireFault("a write's echo has another value or address; a read's count is not so", _wrong_echo),
        "other_kind": WireFault("a read's reply to a write, a write's echo to a read", _other_kind),
        "exception": WireFault("the exceptions 01 02 03 04 05 06 0A 0B in turn", _exception, _is_refused),
        "drip": WireFault("one byte at a time, too slow for the time-out or just in time", _drip),
        "silent": WireFault("the connection is taken and stays silent", lambda x: (End.MUTE,), lambda turn: True),
    }
)
"""M1 to M14 of the chaos list: every fault by name, with all of its forms."""
