"""Registers to readings and back: pure, compiled once for each block, never a number that the device did not mean."""

import math
import sys
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from struct import Struct
from typing import Any, Final, NamedTuple

from drivers.profile import BIT_TABLES, RAW_RANGE, Form, Point, Profile, ReadBlock, plan_reads, plan_writes
from drivers.reading import Quality, Reading

_LETTER: Final[Mapping[Form, str]] = {
    Form.U16: "H",
    Form.I16: "h",
    Form.U32: "I",
    Form.I32: "i",
    Form.U64: "Q",
    Form.I64: "q",
    Form.F32: "f",
    Form.F64: "d",
}
"""Python's struct letter of each number."""


class EncodeError(Exception):
    """A value that the point cannot carry. It was refused, never wrapped or cut."""

    code = "codec.range"

    def __init__(self, point: Point, value: float, expected: str) -> None:
        super().__init__(f"{point.name}: got {value!r}; expected {expected}")


def decode(point: Point, data: bytes, at_s: float) -> Reading:
    """Return the reading of `point` from its own registers (or its own bit) as they came, received at `at_s`."""
    readings: dict[str, Reading] = {}
    own = ReadBlock(point.table, point.address, point.width)
    _BlockDecoder(own, [point]).decode_into(readings, data, at_s)
    return readings[point.name]


class _Numbers(NamedTuple):
    """Numbers of a block that are taken apart together."""

    lay: Callable[[bytes], bytes]
    """The block's bytes to those in which `unpack` finds the numbers."""
    unpack: Callable[[bytes], tuple[Any, ...]]
    """Those to the raw value of each number."""
    rows: tuple[tuple[str, float, float, float, float, tuple[int, ...]], ...]
    """The name, scale, offset, lowest and highest good value and sentinels of each."""


class _BlockDecoder:
    """The compiled way from one block to the readings of its points."""

    def __init__(self, block: ReadBlock, points: Iterable[Point]) -> None:
        """Compile it. Every one of `points` lies in the block."""
        points = sorted(points, key=lambda point: point.address)
        self.points = tuple(points)
        self.names = tuple(point.name for point in points)
        self._bools = tuple((point.name, *_bit(block, point)) for point in points if point.form is Form.BOOL)
        # One struct takes a run apart: numbers of one order, none upon another. In most blocks that is all of them.
        runs: list[list[Point]] = []
        for point in (point for point in points if point.form is not Form.BOOL):
            for run in runs:
                if _order(run[-1]) == _order(point) and run[-1].address + run[-1].width <= point.address:
                    run.append(point)
                    break
            else:
                runs.append([point])
        self._numbers = tuple(_numbers(block, run) for run in runs)

    def decode_into(self, readings: dict[str, Reading], data: bytes, at_s: float) -> None:
        """Put the reading of each point under its name.

        A sentinel, NaN, Inf or a value outside `fault_outside` is BAD and reads NaN. Integers above 2**53 are rounded
        to the nearest float.
        """
        # A scan makes a reading of every point: this is what the class does, without a call for each.
        make, good = tuple.__new__, Quality.GOOD
        for lay, unpack, rows in self._numbers:
            for raw, (name, scale, offset, low, high, sentinels) in zip(unpack(lay(data)), rows, strict=True):
                value = raw * scale + offset
                if low <= value <= high and raw not in sentinels:
                    readings[name] = make(Reading, (value, good, at_s))
                else:
                    readings[name] = Reading(math.nan, Quality.BAD, at_s)
        for name, place, mask in self._bools:
            readings[name] = make(Reading, (1.0 if data[place] & mask else 0.0, good, at_s))


def _numbers(block: ReadBlock, points: Sequence[Point]) -> _Numbers:
    """Compile a run of numbers."""
    swapped, layout = _order(points[0])
    end, rows = block.address, []
    for point in points:
        layout += f"{2 * (point.address - end)}x{_LETTER[point.form]}"
        end = point.address + point.width
        # NaN fails any comparison and Inf passes the largest float, so one test finds them and a broken loop alike.
        low, high = point.fault_outside or (-sys.float_info.max, sys.float_info.max)
        rows.append((point.name, point.scale, point.offset, low, high, point.sentinels))
    return _Numbers(_swap if swapped else bytes, Struct(layout).unpack_from, tuple(rows))


def _order(point: Point) -> tuple[bool, str]:
    """Return whether the bytes of each register are to be swapped, and struct's order of a number in what that gives.

    A number whose words come the other way round lies backwards in its bytes, once those of each word do too.
    """
    return point.byte_order != point.word_order, ">" if point.word_order == "big" else "<"


def _swap(data: bytes) -> bytes:
    """Return registers with the two bytes of each exchanged."""
    swapped = bytearray(data)
    swapped[::2], swapped[1::2] = data[1::2], data[::2]
    return bytes(swapped)


def _bit(block: ReadBlock, point: Point) -> tuple[int, int]:
    """Return the byte of a block in which a bool lies, and its mask there."""
    place = point.address - block.address
    if point.table in BIT_TABLES:
        return place // 8, 1 << place % 8
    high, low = _bit_mask(point).to_bytes(2, "big")
    return 2 * place + (high == 0), high or low


def _bit_mask(point: Point) -> int:
    """Return the mask of a bool's bit in its register as received."""
    bit = point.bit or 0
    return 1 << (bit ^ 8 if point.byte_order == "little" else bit)


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
    swapped, order = _order(point)
    data = _raw_bytes(point, value, raw, order)
    return list(Struct(f">{point.width}H").unpack(_swap(data) if swapped else data))


def _raw_bytes(point: Point, value: float, raw: float, order: str) -> bytes:
    layout = Struct(order + _LETTER[point.form])
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
        self._decoders: list[_BlockDecoder] = []
        for block in self.blocks:
            held = [point for point in points if _holds(block, point)]
            points = [point for point in points if point not in held]
            self._decoders.append(_BlockDecoder(block, held))

    def names(self, block_index: int) -> tuple[str, ...]:
        """Return the points that block brings: the ones to call BAD when it fails."""
        return self._decoders[block_index].names

    def decode_into(self, readings: dict[str, Reading], block_index: int, data: bytes, at_s: float) -> None:
        """Put the readings of a block, as a link read it at `at_s`, under the names of their points."""
        self._decoders[block_index].decode_into(readings, data, at_s)

    def raw(self, block_index: int, data: bytes, wanted: Collection[str]) -> dict[str, bytes]:
        """Return the registers of those points that block brings, as they came."""
        block = self.blocks[block_index]
        return {
            point.name: data[2 * (point.address - block.address) : 2 * (point.address - block.address + point.width)]
            for point in self._decoders[block_index].points
            if point.name in wanted and point.table not in BIT_TABLES
        }

    def decode(self, block_index: int, registers: Sequence[int], at_s: float) -> dict[str, Reading]:
        """Return the readings of a block by point name, from its registers as numbers."""
        readings: dict[str, Reading] = {}
        self.decode_into(readings, block_index, Struct(f">{len(registers)}H").pack(*registers), at_s)
        return readings


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
