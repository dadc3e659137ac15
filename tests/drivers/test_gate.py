"""The gate, frame by frame: a hundred thousand spoilt replies against a judge written from the protocol's tables.

What cannot be told, here or by anyone: a value that a Modbus TCP frame carries spoilt, or one that was spoilt before
its checksum was worked out. Such frames are sent too, and must pass.
"""

import random
from collections import Counter
from collections.abc import Callable

import pytest

from drivers.gate import MBAP, RTU, Framing, Gate, Verdict, judge
from tests.drivers.rtu import crc

FRAMES = 50_000
"""Of each framing."""


def _crc(data: bytes) -> bytes:
    """Return what `crc` returns, in a hundredth of the time."""
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _CRC_STEP[(value ^ byte) & 0xFF]
    return value.to_bytes(2, "little")


def _step(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_STEP = [_step(byte) for byte in range(256)]


def _frame(framing: Framing, request: bytes, pdu: bytes) -> bytes:
    """Return `pdu` in the frame that answers `request`."""
    if framing is RTU:
        return request[:1] + pdu + _crc(request[:1] + pdu)
    return request[:4] + (1 + len(pdu)).to_bytes(2, "big") + request[6:7] + pdu


def _request(framing: Framing, dice: random.Random) -> bytes:
    """Return a request of any kind that a link makes."""
    function = dice.choice((1, 2, 3, 4, 5, 6, 15, 16, 0x2B))
    address = dice.randrange(65536).to_bytes(2, "big")
    if function < 5:
        pdu = bytes((function,)) + address + dice.randint(1, 40 if function < 3 else 20).to_bytes(2, "big")
    elif function == 5:
        pdu = bytes((function,)) + address + dice.choice((b"\x00\x00", b"\xff\x00"))
    elif function == 6:
        pdu = bytes((function,)) + address + dice.randbytes(2)
    elif function == 0x2B:
        pdu = b"\x2b\x0e\x01\x00"
    else:
        count = dice.randint(1, 10)
        size = 2 * count if function == 16 else (count + 7) // 8
        pdu = bytes((function,)) + address + count.to_bytes(2, "big") + bytes((size,)) + dice.randbytes(size)
    head = bytes((dice.randint(1, 247),))
    return _frame(framing, head if framing is RTU else dice.randbytes(2) + b"\x00\x00\x00\x00" + head, pdu)


def _asked(framing: Framing, request: bytes) -> bytes:
    return request[1:-2] if framing is RTU else request[7:]


def _good_pdu(asked: bytes, dice: random.Random) -> bytes:
    """Return a right answer to a request, with values of the device's choice."""
    function = asked[0]
    if function < 5:
        count = int.from_bytes(asked[3:5], "big")
        size = 2 * count if function > 2 else (count + 7) // 8
        return bytes((function, size)) + dice.randbytes(size)
    if function != 0x2B:
        return asked[:5]
    names = [dice.randbytes(dice.randrange(8)) for _ in range(3)]
    objects = b"".join(bytes((place, len(name))) + name for place, name in enumerate(names))
    return b"\x2b\x0e\x01\x01\x00\x00\x03" + objects


def _is_right_pdu(asked: bytes, pdu: bytes) -> bool:
    """Return whether a request allows a reply PDU (Modbus Application Protocol V1.1b3, sections 6 and 7)."""
    if len(pdu) == 2 and pdu[0] == asked[0] + 0x80:
        return True
    if pdu[:1] != asked[:1]:
        return False
    if asked[0] in (1, 2, 3, 4):
        count = int.from_bytes(asked[3:5], "big")
        size = 2 * count if asked[0] > 2 else -(-count // 8)
        return len(pdu) == 2 + size and pdu[1] == size
    if asked[0] in (5, 6, 15, 16):
        return pdu == asked[:5]
    if not 7 <= len(pdu) <= 253 or pdu[:3] != asked[:3]:
        return False
    rest, names = pdu[7:], set()
    while len(rest) >= 2 and len(rest) >= 2 + rest[1]:
        names.add(rest[0])
        rest = rest[2 + rest[1] :]
    return not rest and len(names) == pdu[6]


def _is_right(framing: Framing, request: bytes, frame: bytes) -> bool:
    """Return whether `frame` is, byte for byte, a reply that `request` allows."""
    if framing is RTU:
        sound = len(frame) >= 4 and frame[0] == request[0] and frame[-2:] == _crc(frame[:-2])
        return sound and _is_right_pdu(request[1:-2], frame[1:-2])
    head = request[:4] + (len(frame) - 6).to_bytes(2, "big", signed=True) + request[6:7]
    return len(frame) >= 8 and frame[:7] == head and _is_right_pdu(request[7:], frame[7:])


_Spoil = Callable[[Framing, bytes, bytes, random.Random], bytes]
"""(framing, request, PDU of a right answer, dice) to the frame that is sent."""


def _other(value: int, dice: random.Random, *besides: int) -> int:
    return dice.choice([byte for byte in range(256) if byte != value and byte not in besides])


def _whole(framing: Framing, request: bytes, pdu: bytes, _: random.Random) -> bytes:
    return _frame(framing, request, pdu)


def _exception(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return _frame(framing, request, bytes((pdu[0] | 0x80, dice.randrange(256))))


def _other_values(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    """Another answer that could have been true: nothing in it can tell."""
    return _frame(framing, request, _good_pdu(_asked(framing, request), dice))


def _few_bits(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    """One to three bits: a CRC-16 with this polynomial finds every one of them in a frame of this length."""
    frame = bytearray(_frame(framing, request, pdu))
    for place in dice.sample(range(8 * len(frame)), dice.randint(1, 3)):
        frame[place // 8] ^= 1 << place % 8
    return bytes(frame)


def _burst(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    """Two neighbouring bytes: a CRC-16 finds every burst of 16 bits."""
    frame = bytearray(_frame(framing, request, pdu))
    place = dice.randrange(len(frame) - 1)
    frame[place] ^= dice.randint(1, 255)
    frame[place + 1] ^= dice.randrange(256)
    return bytes(frame)


def _cut(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    frame = _frame(framing, request, pdu)
    return frame[: dice.randrange(1, len(frame))]


def _lost_byte(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    frame = _frame(framing, request, pdu)
    place = dice.randrange(len(frame))
    return frame[:place] + frame[place + 1 :]


def _longer(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return _frame(framing, request, pdu) + dice.randbytes(dice.randint(1, 8))


def _doubled(framing: Framing, request: bytes, pdu: bytes, _: random.Random) -> bytes:
    return 2 * _frame(framing, request, pdu)


def _later(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return dice.randbytes(dice.randint(1, 4)) + _frame(framing, request, pdu)


def _other_unit(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    place = 0 if framing is RTU else 6
    other = request[:place] + bytes((_other(request[place], dice),)) + request[place + 1 :]
    return _frame(framing, other, pdu)


def _other_function(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return _frame(framing, request, bytes((_other(pdu[0], dice, pdu[0] | 0x80),)) + pdu[1:])


def _other_second_byte(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    """A byte count, an address or a kind of identification that was not asked for."""
    return _frame(framing, request, pdu[:1] + bytes((_other(pdu[1], dice),)) + pdu[2:])


def _longer_inside(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return _frame(framing, request, pdu + dice.randbytes(dice.randint(1, 4)))


def _shorter_inside(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return _frame(framing, request, pdu[: dice.randrange(1, len(pdu))])


def _other_header(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    """Another transaction, protocol or length; another checksum where there is no header."""
    frame = bytearray(_frame(framing, request, pdu))
    frame[dice.randrange(-2, 0) if framing is RTU else dice.randrange(6)] ^= dice.randint(1, 255)
    return bytes(frame)


def _another_request(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    """A right answer to another request of the same device."""
    return _frame(framing, request, _good_pdu(_asked(framing, _request(framing, dice)), dice))


def _noise(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return dice.randbytes(dice.randint(1, 60))


def _framed_noise(framing: Framing, request: bytes, pdu: bytes, dice: random.Random) -> bytes:
    return _frame(framing, request, dice.randbytes(dice.randint(1, 60)))


_ALWAYS: dict[_Spoil, bool | None] = {
    _whole: True,
    _exception: True,
    _other_values: True,
    _cut: False,
    _longer: False,
    _doubled: False,
    _other_unit: False,
    _other_function: False,
    _other_second_byte: False,
    _longer_inside: False,
    _shorter_inside: None,
    _other_header: False,
    _few_bits: None,
    _burst: None,
    _lost_byte: None,
    _later: None,
    _another_request: None,
    _noise: None,
    _framed_noise: None,
}
"""Every way to spoil, and whether its frames are right by the way they are made; None where chance decides."""

_RTU_NEVER = frozenset({_few_bits, _burst, _shorter_inside})
"""What a checksum, or the lack of a length of its own, makes certain on RTU."""


@pytest.mark.parametrize("framing", [MBAP, RTU], ids=["MBAP", "RTU"])
def test_no_wrong_frame_passes(framing: Framing) -> None:
    """Fifty thousand frames of each framing, whole or in two pieces: what passes is what the tables allow."""
    dice = random.Random(20240229)
    spoils = list(_ALWAYS)
    passed: Counter[_Spoil] = Counter()
    for turn in range(FRAMES):
        spoil = spoils[turn % len(spoils)]
        request = _request(framing, dice)
        frame = spoil(framing, request, _good_pdu(_asked(framing, request), dice), dice)
        right = _is_right(framing, request, frame)
        known = False if framing is RTU and spoil in _RTU_NEVER else _ALWAYS[spoil]
        assert known is None or right == known, (spoil.__name__, request.hex(), frame.hex())
        gate = Gate(framing)
        assert gate.packet(True, request) == request
        piece = frame[: dice.randrange(1, len(frame))] if turn % 4 == 0 and len(frame) > 1 else b""
        if piece and _is_right(framing, request, piece):
            # The reply is whole before what follows it: it passes, and what follows is told as unasked for.
            assert gate.packet(False, piece) == piece
            assert gate.packet(False, frame[len(piece) :]) == b"" and gate.violation
            continue
        let = gate.packet(False, piece) if piece else b""
        let = let or gate.packet(False, frame)
        if right:
            assert (let, gate.violation) == (frame, ""), (spoil.__name__, request.hex(), frame.hex())
        elif gate.violation:
            # What pymodbus is handed instead must itself be a reply that ends its wait.
            assert let != frame and (let == b"" or _is_right(framing, request, let))
        else:
            assert let == b"" and judge(framing, request, frame) is Verdict.PART
        passed[spoil] += right
    assert all(passed[spoil] > 1000 for spoil in (_whole, _exception, _other_values))
    assert sum(passed.values()) < 0.25 * FRAMES


def test_the_checksum() -> None:
    """CRC-16/MODBUS of "123456789" is 4B37, low byte first on the wire; three ways to work it out agree."""
    assert crc(b"123456789") == _crc(b"123456789") == RTU.seal(b"123456789") == b"\x37\x4b"


@pytest.mark.parametrize("framing", [MBAP, RTU], ids=["MBAP", "RTU"])
def test_every_part_of_a_reply_may_become_one(framing: Framing) -> None:
    """A reply that comes byte by byte is refused at no byte, and is whole at the last one alone."""
    dice = random.Random(1)
    for _ in range(300):
        request = _request(framing, dice)
        for frame in (
            _whole(framing, request, _good_pdu(_asked(framing, request), dice), dice),
            _exception(framing, request, _asked(framing, request), dice),
        ):
            verdicts = [judge(framing, request, frame[:size]) for size in range(len(frame) + 1)]
            assert verdicts == [Verdict.PART] * len(frame) + [Verdict.WHOLE]


@pytest.mark.parametrize("length", [*range(8), 255, 65535])
def test_an_identification_has_a_possible_length(length: int) -> None:
    """Seven bytes before its objects and 253 with them at most (Modbus Application Protocol V1.1b3, 4.1 and 6.21)."""
    request = b"\x00\x01\x00\x00\x00\x05\x07\x2b\x0e\x01\x00"
    reply = request[:4] + length.to_bytes(2, "big") + b"\x07\x2b\x0e\x01\x01\x00\x00\x00"[:length]
    assert judge(MBAP, request, reply.ljust(7, b"\x07")) is Verdict.WRONG
    objects = bytes((0, length % 256)) + bytes(length % 256)
    request = b"\x07" + request[7:]
    long = b"\x07\x2b\x0e\x01\x01\x00\x00\x02" + objects + b"\x01\xf0" + bytes(0xF0)
    assert judge(RTU, request + crc(request), long + crc(long)) is (Verdict.WRONG if length > 2 else Verdict.WHOLE)


def test_a_long_message_is_cut() -> None:
    """What a device sends never fills a message, a snapshot or a screen."""
    gate = Gate(MBAP)
    gate.packet(False, bytes(100_000))
    assert gate.violation.endswith("00 and 99960 more") and len(gate.violation) < 200
