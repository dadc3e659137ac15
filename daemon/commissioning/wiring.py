"""What is wrong with a point, by name: its registers in another order, its scale off by tens, wires that are swapped.

Each is told from one reading that a technician knows the truth of, or from what a valve does to the flow.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from enum import Enum
from itertools import permutations, product
from typing import Final, NamedTuple

from daemon.dosing.agreement import Estimate, normalised_error
from drivers.codec import decode
from drivers.profile import Point
from drivers.reading import Quality

_TENS: Final = (10.0, 100.0, 1000.0)
_ORDERS: Final = ("big", "little")


class Wrong(Enum):
    """What a point's reading shows to be wrong."""

    NOTHING = "nothing"
    WORD_ORDER = "word order"
    BYTE_ORDER = "byte order"
    BOTH_ORDERS = "word and byte order"
    SCALE = "scale"
    OTHER = "other"
    """Neither of these explains it: another register, another device, a broken transmitter."""


class Finding(NamedTuple):
    """What is wrong with a point, and what it would read once that is put right."""

    wrong: Wrong
    value: float
    factor: float = 1.0
    """For a scale: times what the profile or the site file has."""


def point_finding(point: Point, data: bytes, truth: Estimate, finest: float = 0.0) -> Finding:
    """Return what is wrong with a number, by its registers as they came and what it should read.

    The profile's own order is tried first, then a scale that is off by tens, then the other orders: a value is taken to
    be explained where it agrees with the truth within both bands. `truth` is in the point's unit; `finest` is what of
    its band is one count, or the instrument's own by its span: so many times as much where the scale is.
    """
    shown = _read(point, data)
    if _agrees(shown, truth):
        return Finding(Wrong.NOTHING, shown)
    for tens in _TENS:
        for factor in (1.0 / tens, tens):
            if _agrees(shown * factor, Estimate(truth.value, truth.u + max(0.0, factor - 1.0) * finest)):
                return Finding(Wrong.SCALE, shown * factor, factor)
    for word, byte in product(_ORDERS, _ORDERS):
        if (word, byte) == (point.word_order, point.byte_order) or (point.width == 1 and word != point.word_order):
            continue
        value = _read(replace(point, word_order=word, byte_order=byte), data)
        if _agrees(value, truth):
            is_word, is_byte = word != point.word_order, byte != point.byte_order
            wrong = Wrong.BOTH_ORDERS if is_word and is_byte else Wrong.WORD_ORDER if is_word else Wrong.BYTE_ORDER
            return Finding(wrong, value)
    return Finding(Wrong.OTHER, shown)


def swapped_valves(expected_m3_h: Mapping[str, Estimate], seen_m3_h: Mapping[str, Estimate]) -> dict[str, str]:
    """Return the blocks whose valves are likely swapped, each with the one whose water it gave.

    `expected_m3_h` is each block's own flow by the site file, `seen_m3_h` what the main meter showed with that block's
    valve open alone. A swap is told where a pair fits the other way round in both and does not fit its own; blocks of
    one flow cannot be told apart by it, and need somebody to look which one is wet.
    """
    found: dict[str, str] = {}
    for one, other in permutations(seen_m3_h, 2):
        own_fits = abs(normalised_error(seen_m3_h[one], expected_m3_h[one])) <= 1.0
        other_fits = all(
            abs(normalised_error(seen_m3_h[here], expected_m3_h[there])) <= 1.0
            for here, there in ((one, other), (other, one))
        )
        if not own_fits and other_fits:
            found.setdefault(one, other)
    return found


def _read(point: Point, data: bytes) -> float:
    reading = decode(point, data, 0.0)
    return reading.value if reading.quality is Quality.GOOD else math.nan


def _agrees(value: float, truth: Estimate) -> bool:
    return math.isfinite(value) and abs(value - truth.value) <= truth.u
