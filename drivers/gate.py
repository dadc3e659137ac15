"""Which bytes of a line reach pymodbus: whole replies that the request in flight allows, and nothing else.

pymodbus 3.16 takes a reply of another function, length, address or value for a good one, and raises out of the event
loop on a frame it cannot decode. So every byte from a device passes here first. A reply must be, byte for byte, one
that the request allows; only the values that it carries are the device's to choose. What no framing can tell is a
value that was spoilt before it was framed, or on Modbus TCP, which has no checksum of its own.
"""

from enum import Enum
from typing import Final, Protocol

from pymodbus.framer import FramerRTU
from pymodbus.pdu import ModbusPDU

_READS: Final = frozenset({1, 2, 3, 4})
_WRITES: Final = frozenset({5, 6, 15, 16})
_IDENTIFY: Final = 0x2B

_LONGEST_PDU = 253
"""Modbus Application Protocol V1.1b3, section 4.1."""

_SHOWN = 40
"""Bytes of a wrong reply that its message shows."""


class Verdict(Enum):
    """What has come since a request was sent."""

    PART = "PART"
    """The beginning of a reply that the request allows, or nothing yet."""
    WHOLE = "WHOLE"
    WRONG = "WRONG"


class Framing(Protocol):
    """What a line puts around a PDU."""

    before: int
    """Bytes before the PDU."""
    after: int
    """Bytes after it."""

    def head(self, sent: bytes, size: int) -> bytes:
        """Return the bytes before the PDU, of `size` bytes, of a reply to the frame `sent`."""
        ...

    def seal(self, frame: bytes) -> bytes:
        """Return the bytes that must follow `frame`."""
        ...

    def identity_size(self, received: bytes) -> int:
        """Return the size of the PDU of an identification that begins so; more than is there while it is not known."""
        ...


class _Mbap:
    """Modbus TCP: Modbus Messaging on TCP/IP V1.0b, 3.1.3."""

    before, after = 7, 0

    def head(self, sent: bytes, size: int) -> bytes:
        return sent[:4] + (1 + size).to_bytes(2, "big") + sent[6:7]

    def seal(self, frame: bytes) -> bytes:
        return b""

    def identity_size(self, received: bytes) -> int:
        return int.from_bytes(received[4:6].ljust(2, b"\xff"), "big") - 1


class _Rtu:
    """Unit, PDU, CRC: Modbus over Serial Line V1.02, 2.5.1."""

    before, after = 1, 2

    def head(self, sent: bytes, size: int) -> bytes:
        return sent[:1]

    def seal(self, frame: bytes) -> bytes:
        return FramerRTU.compute_CRC(frame).to_bytes(2, "big")

    def identity_size(self, received: bytes) -> int:
        pdu = received[self.before :]
        end = 7
        for _ in range(pdu[6] if len(pdu) > 6 else 0):
            if end + 2 > len(pdu):
                return end + 2
            end += 2 + pdu[end + 1]
        return end


MBAP: Final[Framing] = _Mbap()
RTU: Final[Framing] = _Rtu()


def judge(framing: Framing, sent: bytes, received: bytes) -> Verdict:
    """Return what `received`, all that came since the frame `sent`, is to that request."""
    head, size = _good_reply(framing, sent, received)
    if not _begins(framing, sent, received, head, size):
        head, size = _exception_reply(framing, sent)
        if not _begins(framing, sent, received, head, size):
            return Verdict.WRONG
    end = framing.before + size
    if len(received) < end + framing.after:
        return Verdict.PART
    if received[end:] != framing.seal(received[:end]):
        return Verdict.WRONG
    if head[0] == _IDENTIFY and not _has_whole_objects(received[framing.before : end]):
        return Verdict.WRONG
    return Verdict.WHOLE


def _good_reply(framing: Framing, sent: bytes, received: bytes) -> tuple[bytes, int]:
    """Return (first bytes, size) of the PDU of the good reply to a request; -1 where there can be none.

    Layouts: Modbus Application Protocol V1.1b3, section 6.
    """
    asked = sent[framing.before : len(sent) - framing.after]
    function = asked[0]
    if function in _READS:
        count = int.from_bytes(asked[3:5], "big")
        byte_count = 2 * count if function > 2 else (count + 7) // 8
        return bytes((function, byte_count)), 2 + byte_count
    if function in _WRITES:
        return asked[:5], 5
    # An identification has a length of its own.
    size = framing.identity_size(received)
    told = len(received) >= framing.before
    return asked[:3], size if 7 <= size <= _LONGEST_PDU or not told else -1


def _exception_reply(framing: Framing, sent: bytes) -> tuple[bytes, int]:
    """Return (first bytes, size) of the PDU of an exception reply to a request."""
    return bytes((sent[framing.before] | 0x80,)), 2


def _begins(framing: Framing, sent: bytes, received: bytes, pdu_head: bytes, size: int) -> bool:
    """Return whether what was received is, or may become, a reply whose PDU of `size` bytes begins with `pdu_head`."""
    if size < 0:
        return False
    head = framing.head(sent, size) + pdu_head
    return received.startswith(head) or head.startswith(received)


def _has_whole_objects(pdu: bytes) -> bool:
    """Return whether the objects of an identification fill it exactly, each of them once."""
    place, seen = 7, set()
    while place + 2 <= len(pdu):
        seen.add(pdu[place])
        place += 2 + pdu[place + 1]
    return place == len(pdu) and len(seen) == pdu[6]


class Gate:
    """Stands between one connection and pymodbus."""

    def __init__(self, framing: Framing) -> None:
        self.violation = ""
        """What came that no request allows; empty when nothing did."""
        self.up = False
        self._framing = framing
        self._sent = b""
        self._deaf = False

    def connection(self, up: bool) -> None:
        """Note that the connection was made or lost (pymodbus's trace_connect)."""
        self.up = up

    def hush(self) -> None:
        """Forget the request in flight, and discard whatever comes until the next one is sent."""
        self.violation, self._sent, self._deaf = "", b"", True

    def packet(self, sending: bool, data: bytes) -> bytes:
        """Return what pymodbus may send or decode (its trace_packet). `data` is all that came since the request."""
        if sending:
            self._sent, self._deaf = data, False
            return data
        if self._deaf or self.violation:
            return b""
        if not self._sent:
            self.violation = f"bytes nobody asked for: {_hex(data)}"
            return b""
        verdict = judge(self._framing, self._sent, data)
        if verdict is Verdict.PART:
            return b""
        sent, self._sent = self._sent, b""
        if verdict is Verdict.WHOLE:
            return data
        self.violation = f"sent {_hex(sent)}, got {_hex(data)}"
        # An exception reply in the device's stead ends pymodbus's wait.
        head, size = _exception_reply(self._framing, sent)
        stead = self._framing.head(sent, size) + head + b"\x00"
        return stead + self._framing.seal(stead)


def _hex(data: bytes) -> str:
    text = data[:_SHOWN].hex(" ")
    return text if len(data) <= _SHOWN else f"{text} and {len(data) - _SHOWN} more"


class ReadReply(ModbusPDU):
    """A reply to a read that has passed, as it came. pymodbus's own take their values apart one by one."""

    rtu_byte_count_pos = 2
    data = b""

    def decode(self, data: bytes) -> None:
        """Keep the values; the gate has held the byte count before them to the request."""
        self.data = data[1:]

    def __str__(self) -> str:
        return type(self).__name__


READ_REPLIES: Final = tuple(type(f"ReadReply{code}", (ReadReply,), {"function_code": code}) for code in sorted(_READS))
"""That class for each of the functions."""
