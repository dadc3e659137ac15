"""Registers to readings and back: pure, compiled once for each point, never a number that the device did not mean."""

import math
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from struct import Struct
from typing import Final

from drivers.profile import BIT_TABLES, RAW_RANGE, Form, Point, Profile, ReadBlock, plan_reads, plan_writes
from drivers.reading import Quality, Reading

Decoder = Callable[[Sequence[int], float], Reading]
"""(the values of a block, the time of receipt in seconds of the caller's clock) to the reading of one point."""

_LETTER: Final[Mapping[Form, str]] = {
    Form.BOOL: "H",
    Form.U16: "H",
    Form.I16: "h",
    Form.U32: "I",
    Form.I32: "i",
    Form.U64: "Q",
    Form.I64: "q",
    Form.F32: "f",
    Form.F64: "d",
}
"""Python's struct letter of each form."""


class EncodeError(Exception):
    """A value that the point cannot carry. It was refused, never wrapped or cut."""

    code = "codec.range"

    def __init__(self, point: Point, value: float, expected: str) -> None:
        super().__init__(f"{point.name}: got {value!r}; expected {expected}")


def decode(point: Point, values: Sequence[int], at_s: float) -> Reading:
    """Return the reading of `point` from its own registers (or its own bit), received at `at_s`."""
    return decoder(point)(values, at_s)


def decoder(point: Point, start: int = 0) -> Decoder:
    """Return a function that decodes `point`, whose first register (or bit) is item `start` of what it is given.

    A sentinel, NaN, Inf or a value outside `fault_outside` is BAD and reads NaN. Integers above 2**53 are rounded to
    the nearest float.
    """
    if point.form is Form.BOOL:
        return _bool_decoder(point, start)
    pack, unpack = _words(point).pack, Struct(">" + _LETTER[point.form]).unpack
    where = _slice(point, start)
    scale, offset, sentinels = point.scale, point.offset, frozenset(point.sentinels)
    # NaN fails any comparison and Inf passes the largest float, so one test finds them and a broken loop alike.
    low, high = point.fault_outside or (-sys.float_info.max, sys.float_info.max)
    good, bad, nan = Quality.GOOD, Quality.BAD, math.nan

    def decode_number(values: Sequence[int], at_s: float) -> Reading:
        (raw,) = unpack(pack(*values[where]))
        value = raw * scale + offset
        if low <= value <= high and raw not in sentinels:
            return Reading(value, good, at_s)
        return Reading(nan, bad, at_s)

    def decode_word(values: Sequence[int], at_s: float) -> Reading:
        raw = values[start]
        value = raw * scale + offset
        if low <= value <= high and raw not in sentinels:
            return Reading(value, good, at_s)
        return Reading(nan, bad, at_s)

    # Most points are one plain register, which is its own raw value: half the time of the way through bytes.
    return decode_word if point.form is Form.U16 and point.byte_order == "big" else decode_number


def _bool_decoder(point: Point, start: int) -> Decoder:
    good = Quality.GOOD
    mask = 1 if point.bit is None else _bit_mask(point)

    def decode_bool(values: Sequence[int], at_s: float) -> Reading:
        return Reading(1.0 if values[start] & mask else 0.0, good, at_s)

    return decode_bool


def _bit_mask(point: Point) -> int:
    """Return the mask of a bool's bit in its register as received."""
    bit = point.bit or 0
    return 1 << (bit ^ 8 if point.byte_order == "little" else bit)


def _words(point: Point) -> Struct:
    """Return the struct that lays registers, most significant first, out as big-endian bytes."""
    return Struct((">" if point.byte_order == "big" else "<") + "H" * point.width)


def _slice(point: Point, start: int) -> slice:
    """Return the slice that picks the point's registers, the most significant first."""
    end = start + point.width
    if point.word_order == "big":
        return slice(start, end)
    return slice(end - 1, start - 1 if start else None, -1)


def encode(point: Point, value: float) -> list[int]:
    """Return the registers (or the one bit, as 0 or 1) that set `point` to `value`, in the order of their addresses.

    A bool in a register table gives its register with that bit alone. Raises EncodeError for a value that is not a
    number or that the point cannot carry.
    """
    if point.form is Form.BOOL:
        if value not in (0, 1):
            raise EncodeError(point, value, "0 or 1")
        return [int(value) if point.table in BIT_TABLES else int(value) * _bit_mask(point)]
    raw = (value - point.offset) / point.scale
    if not math.isfinite(raw):
        raise EncodeError(point, value, "a finite number")
    registers = list(_words(point).unpack(_raw_bytes(point, value, raw)))
    return registers if point.word_order == "big" else registers[::-1]


def _raw_bytes(point: Point, value: float, raw: float) -> bytes:
    layout = Struct(">" + _LETTER[point.form])
    if point.form not in RAW_RANGE:
        try:
            return layout.pack(raw)
        except OverflowError as error:
            raise EncodeError(point, value, f"what a {point.form.value} can carry") from error
    steps = round(raw)
    low, high = RAW_RANGE[point.form]
    if not low <= steps <= high:
        ends = sorted(limit * point.scale + point.offset for limit in (low, high))
        raise EncodeError(point, value, f"{ends[0]:g} to {ends[1]:g} {point.unit}".rstrip())
    return layout.pack(steps)


class DeviceReader:
    """The compiled way from one device's block reads to its readings."""

    def __init__(self, profile: Profile, unit: int, names: Iterable[str]) -> None:
        """Plan the reads of the points `names` of a device of `profile`. Raises KeyError for a name it has not."""
        self.unit = unit
        points = [profile.points[name] for name in names]
        self.blocks = plan_reads(points, profile)
        self._decoders: list[list[tuple[str, Decoder]]] = [[] for _ in self.blocks]
        for point in points:
            index = next(index for index, block in enumerate(self.blocks) if _holds(block, point))
            self._decoders[index].append((point.name, decoder(point, point.address - self.blocks[index].address)))

    def names(self, block_index: int) -> tuple[str, ...]:
        """Return the points that block brings: the ones to call BAD when it fails."""
        return tuple(name for name, _ in self._decoders[block_index])

    def decode(self, block_index: int, values: Sequence[int], at_s: float) -> dict[str, Reading]:
        """Return the readings of a block by point name, from all its registers (or bits), received at `at_s`."""
        return {name: decode_point(values, at_s) for name, decode_point in self._decoders[block_index]}


def _holds(block: ReadBlock, point: Point) -> bool:
    begins = block.table is point.table and block.address <= point.address
    return begins and point.address + point.width <= block.address + block.count


class DeviceWriter:
    """The way from one device's output values to its block writes."""

    def __init__(self, profile: Profile, unit: int, names: Iterable[str]) -> None:
        """Plan the writes of the points `names`. KeyError: an unknown name. ValueError: one that cannot be written."""
        self.unit = unit
        self.blocks = plan_writes((profile.points[name] for name in names), profile.single_writes)

    def encode(self, block_index: int, values: Mapping[str, float]) -> list[int]:
        """Return what the block writes, from the value of each of its points by name. Raises EncodeError.

        Bools that share a register are set together; bits of it that no point names are written 0.
        """
        block = self.blocks[block_index]
        sent = [0] * block.count
        for point in block.points:
            for place, word in enumerate(encode(point, values[point.name]), point.address - block.address):
                sent[place] |= word
        return sent


class Movement(Enum):
    """What a totaliser did between two reads."""

    NORMAL = "NORMAL"
    ROLLED_OVER = "ROLLED_OVER"
    RESET = "RESET"
    """It went back further than a rollover explains: nothing is proven of what moved in between."""
    IMPLAUSIBLE = "IMPLAUSIBLE"
    """It went on further than the plant can, or so long a time has passed that it may have rolled over unseen."""


@dataclass(frozen=True, slots=True)
class Moved:
    """The counts proven to have moved, and how it is known. 0 where nothing is proven."""

    counts: int
    kind: Movement


def count_moved(previous: int, current: int, bits: int, most: float) -> Moved:
    """Return how far a totaliser of `bits` moved, given that at most `most` counts could have passed.

    For integers alone: a float32 total stops counting units at 16 777 216 and cannot be told from one that stands.
    """
    span = 1 << bits
    counts = (current - previous) % span
    if not (0 <= previous < span and 0 <= current < span) or counts + span <= most:
        return Moved(0, Movement.IMPLAUSIBLE)
    if counts <= most:
        return Moved(counts, Movement.NORMAL if current >= previous else Movement.ROLLED_OVER)
    return Moved(0, Movement.RESET if current < previous else Movement.IMPLAUSIBLE)
