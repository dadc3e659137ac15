"""A transit test: when a pulse of stock came to the outermost emitter, and when it was gone, found from its EC.

Readings come from a far probe, many and noisy, or from a meter in somebody's hand, few and far between. Both go through
the same steps: the water's own EC, which may drift, is taken from before the pulse and after it; the pulse's height
from its own upper half; and its edges are found outward from the middle, so that one wild reading makes none.
"""

import math
from collections.abc import Sequence
from enum import Enum
from itertools import pairwise
from statistics import fmean, median
from typing import Final, NamedTuple

from daemon.dosing.agreement import BEYOND, Estimate, normalised_error

_FEWEST: Final = 6
_FEW: Final = 40
"""From so many readings on each is taken as the median of itself and its neighbours."""
_NEIGHBOURS: Final = 2
_DENSE: Final = 10.0
"""Readings within the length of the pulse, for that: twice the five that are taken together."""
_FIRST: Final = 0.10
"""Of the rise: the front's first and the tail's last is where this is passed (engineering judgement)."""
_SEEN: Final = 5.0
"""A pulse is one whose rise is so many times what the readings shiver by."""
_LEAST_MS_CM: Final = 0.15
"""And at least so much (the least rise that a pair of probes can tell)."""


class Sample(NamedTuple):
    """One reading at the outermost emitter."""

    at: float
    """Seconds, or litres that have passed to the block, since the injection began."""
    ms_cm: float


class Passage(NamedTuple):
    """When the pulse was there, in what the samples were given in, each with its k = 2."""

    arrival: Estimate
    """A tenth of the rise."""
    half: Estimate
    """Half of the rise: the transit."""
    gone: Estimate | None
    """Down to a tenth for good; None while it was not, as the readings end."""
    rise_ms_cm: float
    noise_ms_cm: float
    """Standard deviation of one reading."""


class Meaning(Enum):
    """What a transit beside the plan's may mean."""

    AS_PLANNED = "as planned"
    LATER = "later"
    """A wider or longer pipe than the site file says, less flow than the block's own, or a leak before the block."""
    SOONER = "sooner"
    """A narrower or shorter pipe, or a valve that keeps part of the block shut."""


def passage(samples: Sequence[Sample], pulse: float) -> Passage:
    """Return when a pulse passed that was injected from 0 to `pulse`, in the samples' own unit.

    Raises ValueError for too few samples, for none before the pulse, and where no pulse is to be seen.
    """
    found = sorted(samples)
    if len(found) < _FEWEST:
        raise ValueError(f"got {len(found)} readings; expected {_FEWEST} or more, some before the stock comes")
    smooth, noise = _smoothed(found, pulse), _noise(found)
    lowest, highest = min(one.ms_cm for one in smooth), max(one.ms_cm for one in smooth)
    if highest - lowest < max(_LEAST_MS_CM, _SEEN * noise):
        raise ValueError(
            f"got a rise of {highest - lowest:.2f} mS/cm over {lowest:.2f}; expected a pulse: is the block's valve "
            "open, did the injector draw, and is this the outermost emitter?"
        )
    before = _before(smooth)
    if not before:
        raise ValueError("got no reading of clean water; expected some before the stock comes: begin earlier")
    ground = fmean(one.ms_cm for one in before)
    level = _Ground(smooth, before, ground + 0.5 * (highest - ground))
    rises = [Sample(one.at, one.ms_cm - level.at(one.at)) for one in smooth]
    top = median(one.ms_cm for one in rises if one.ms_cm > 0.5 * max(rise.ms_cm for rise in rises))
    following, of_gap = (_NEIGHBOURS, 0.5) if _is_dense(found, pulse) else (1, 1.0)
    high = [place for place, one in enumerate(rises) if one.ms_cm >= 0.5 * top and _stays(rises, place, top, following)]
    if not high:
        raise ValueError(
            "got no two readings in a row of the pulse; expected readings closer together: repeat the test"
        )
    middle = high[0]
    arrival = _crossing(rises, range(middle, 0, -1), max(_FIRST * top, 2.0 * noise), noise, of_gap)
    half = _crossing(rises, range(middle, 0, -1), 0.5 * top, noise, of_gap)
    last = max(place for place, one in enumerate(rises) if one.ms_cm >= 0.5 * top)
    is_gone = rises[-1].ms_cm <= max(_FIRST * top, 2.0 * noise) and last < len(rises) - 1
    gone = (
        _crossing(rises, range(last + 1, len(rises)), max(_FIRST * top, 2.0 * noise), noise, of_gap)
        if is_gone
        else None
    )
    if half.value <= 0.0 or (gone is not None and gone.value < pulse):
        raise ValueError("got a pulse that came before it was injected, or was gone before its end: look at the times")
    return Passage(arrival, half, gone, top, noise)


def by_stopwatch(first_s: Sequence[float], reaction_s: float = 2.0) -> Estimate:
    """Return when dye was seen at the outermost emitter, by one or more watches: their mean and its k = 2.

    `reaction_s` is the k = 2 of a person with a watch (engineering judgement). Raises ValueError for none.
    """
    if not first_s:
        raise ValueError("got no time; expected when the dye was first seen")
    spread = (max(first_s) - min(first_s)) / math.sqrt(len(first_s))
    return Estimate(fmean(first_s), math.hypot(reaction_s / math.sqrt(len(first_s)), spread))


def meaning(measured: Estimate, computed: Estimate) -> Meaning:
    """Return what a measured transit says of the computed one: beyond BEYOND something is not as it is written."""
    en = normalised_error(measured, computed)
    return Meaning.AS_PLANNED if abs(en) <= BEYOND else Meaning.LATER if en > 0.0 else Meaning.SOONER


class _Ground:
    """The water's own EC over the test: as before the pulse, or drifting to what it was after it."""

    def __init__(self, smooth: Sequence[Sample], before: Sequence[Sample], half_ms_cm: float) -> None:
        self._from_at, self._from_ms_cm = fmean(one.at for one in before), fmean(one.ms_cm for one in before)
        last = max(place for place, one in enumerate(smooth) if one.ms_cm >= half_ms_cm)
        tail = smooth[last + 1 :]
        settled = tail[2 * len(tail) // 3 :]
        self._slope = 0.0
        if len(settled) >= _NEIGHBOURS + 1:
            low = median(one.ms_cm for one in settled)
            is_low = abs(low - self._from_ms_cm) < 0.2 * (half_ms_cm - self._from_ms_cm)
            if is_low:
                self._slope = (low - self._from_ms_cm) / (fmean(one.at for one in settled) - self._from_at)

    def at(self, at: float) -> float:
        """Return it at one moment."""
        return self._from_ms_cm + self._slope * (at - self._from_at)


def _is_dense(found: Sequence[Sample], pulse: float) -> bool:
    in_pulse = pulse * (len(found) - 1) / max(1e-9, found[-1].at - found[0].at)
    return len(found) >= _FEW and in_pulse >= _DENSE


def _smoothed(found: Sequence[Sample], pulse: float) -> list[Sample]:
    """Return each reading as the middle of its neighbours, unless so few fall into a pulse that it would go."""
    if not _is_dense(found, pulse):
        return list(found)
    near = _NEIGHBOURS
    return [
        Sample(one.at, median(other.ms_cm for other in found[max(0, place - near) : place + near + 1]))
        for place, one in enumerate(found)
    ]


def _before(smooth: Sequence[Sample]) -> list[Sample]:
    """Return the readings before anything came: those ahead of the last one below a tenth of the whole rise."""
    lowest, highest = min(one.ms_cm for one in smooth), max(one.ms_cm for one in smooth)
    line = lowest + 0.3 * (highest - lowest)
    first_high = next(place for place, one in enumerate(smooth) if one.ms_cm >= line or place == len(smooth) - 1)
    clean = smooth[:first_high]
    return list(clean[: max(1, 2 * len(clean) // 3)]) if clean else []


def _noise(found: Sequence[Sample]) -> float:
    """Return a reading's standard deviation, from how neighbours differ: 1.4826 MAD over the root of two."""
    steps = [abs(after.ms_cm - before.ms_cm) for before, after in pairwise(found)]
    return 1.4826 * median(steps) / math.sqrt(2.0) if len(found) >= _FEW else 0.0


def _stays(rises: Sequence[Sample], place: int, top: float, following: int) -> bool:
    after = rises[place + 1 : place + 1 + following]
    return len(after) == following and all(one.ms_cm >= 0.4 * top for one in after)


def _crossing(rises: Sequence[Sample], places: range, height: float, noise: float, of_gap: float) -> Estimate:
    """Return where the rise passes a height between one of these places and the one before it.

    In between it goes straight, which may be wrong by all of the gap: half of it is taken as the k = 2, or all where so
    few readings show the pulse that its height is not sure either; with what the noise moves along the slope.
    """
    for place in places:
        before, after = rises[place - 1], rises[place]
        low, high = sorted((before.ms_cm, after.ms_cm))
        if low <= height <= high and high > low:
            part = (height - before.ms_cm) / (after.ms_cm - before.ms_cm)
            gap = after.at - before.at
            moved = 2.0 * noise * gap / (high - low)
            return Estimate(before.at + part * gap, math.hypot(of_gap * gap, min(moved, 2.0 * gap)))
    raise ValueError("got no edge of the pulse; expected clean water before it and readings all the way up")
