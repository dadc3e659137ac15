"""Columns of readings as few bytes: whole numbers, their differences in the fewest bytes each, and zlib over it all.

An instrument's reading is a whole number of its last digits, so that differences of scaled whole numbers are small and
exact. tests/bench/test_history.py measures this beside other ways.
"""

import math
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Sequence
from itertools import accumulate, pairwise

_HEAD = struct.Struct("<cBqq")
"""Kind of the differences, decimals, first value, and what all differences are multiples of."""
_KINDS = (("B", 2**8), ("H", 2**16), ("I", 2**32), ("Q", 2**64))
_MOST_DECIMALS = 7
_DIGITS = 1e-9
"""A value is given back to this share of itself: an instrument has four digits, a float32 seven."""
_RAW = b"d"
_LARGEST = 2**52


def pack(times_ms: Sequence[int], *columns: Sequence[float]) -> bytes:
    """Return rows of a moment and its values, given as columns of the same length, at least one row. Loses nothing that
    an instrument can show: values come back to nine digits."""
    steps = [after - before for before, after in pairwise(times_ms)]
    parts = [struct.pack("<Iq", len(times_ms), times_ms[0]), _differences(steps or [0], 0)]
    parts += [_packed(column) for column in columns]
    return zlib.compress(b"".join(parts), 9)


def unpack(data: bytes) -> tuple[list[int], list[list[float]]]:
    """Return what `pack` was given. Raises ValueError for anything else."""
    try:
        whole = memoryview(zlib.decompress(data))
        count, first_ms = struct.unpack_from("<Iq", whole)
        steps, place = _numbers(whole, 12, max(1, count - 1))
        times = list(accumulate(steps[: count - 1], initial=first_ms))
        columns = []
        while place < len(whole):
            if whole[place : place + 1] == _RAW:
                end = place + 1 + 8 * count
                columns.append([float(value) for value in _little(array("d", bytes(whole[place + 1 : end])))])
                place = end
            else:
                decimals = whole[place + 1]
                numbers, place = _numbers(whole, place, count)
                scale = 10.0**decimals
                columns.append([number / scale for number in numbers])
    except (zlib.error, struct.error, IndexError, KeyError) as problem:
        raise ValueError(f"got readings that cannot be unpacked: {problem}") from problem
    return times, columns


def _packed(values: Sequence[float]) -> bytes:
    for decimals in range(_MOST_DECIMALS + 1):
        scale = 10.0**decimals
        numbers = _whole(values, scale)
        if numbers is not None:
            return _differences(numbers, decimals)
    return _RAW + _little(array("d", values)).tobytes()


def _whole(values: Iterable[float], scale: float) -> list[int] | None:
    """Return the values as whole numbers of 1/scale; None where they are not."""
    numbers = []
    for value in values:
        scaled = value * scale
        if abs(scaled) > _LARGEST:
            return None
        number = round(scaled)
        if abs(scaled - number) > _DIGITS * max(1.0, abs(scaled)):
            return None
        numbers.append(number)
    return numbers


def _differences(numbers: Sequence[int], decimals: int) -> bytes:
    steps = [after - before for before, after in pairwise(numbers)]
    unit = math.gcd(*steps) or 1
    # Small ones of either sign become small whole numbers: 0, -1, 1, -2 are 0, 1, 2, 3.
    units = [2 * step if step >= 0 else -2 * step - 1 for step in (step // unit for step in steps)]
    kind = next(kind for kind, end in _KINDS if max(units, default=0) < end)
    numbered = _little(array(kind, units))
    data, size = numbered.tobytes(), numbered.itemsize
    # All lowest bytes, then all that come after them, which are mostly zero.
    return _HEAD.pack(kind.encode(), decimals, numbers[0], unit) + b"".join(data[n::size] for n in range(size))


def _numbers(whole: memoryview, place: int, count: int) -> tuple[list[int], int]:
    """Return so many numbers that begin at `place`, and the place behind them."""
    kind, _, first, unit = _HEAD.unpack_from(whole, place)
    found = array(kind.decode())
    size, begin = found.itemsize, place + _HEAD.size
    end = begin + (count - 1) * size
    data = bytearray(end - begin)
    for n in range(size):
        data[n::size] = whole[begin + n * (count - 1) : begin + (n + 1) * (count - 1)]
    found.frombytes(bytes(data))
    steps = (step // 2 if step % 2 == 0 else -(step + 1) // 2 for step in _little(found))
    return list(accumulate((unit * step for step in steps), initial=first)), end


def _little(numbers: "array[float] | array[int]") -> "array[float] | array[int]":
    """Return the numbers in the order of bytes that a file has on every computer."""
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers
