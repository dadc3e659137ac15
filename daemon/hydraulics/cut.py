"""What the emitters of a block have got of a dose when the water stops before the flush is done.

Every emitter gets the same pulse, later the further out it is: after the pipes that nothing is drawn from, and then
after the harmonic parts of the submain and of its lateral (plug flow, equal outlets). So what each has got when the
water stops follows from its delay alone. All emitters are counted, a lateral at a time.
"""

import itertools
from bisect import bisect_right
from functools import lru_cache
from typing import NamedTuple

from daemon.decisions.measured import Transit
from daemon.equipment import Block
from daemon.hydraulics.pipes import line_path

_HALVINGS = 30


class Received(NamedTuple):
    """What emitters have got, as shares of their whole dose, 0 to 1."""

    mean: float
    """All emitters of the block."""
    last: float
    """The outermost emitter."""
    low_quarter: float
    """DUlq of the dose: what the worst quarter of the emitters got over the mean; 0 where none got any."""


class _Delays(NamedTuple):
    """How much later than the pipe's inlet its equal outlets are reached, in litres: rising, and with running sums."""

    each_l: tuple[float, ...]
    sums_l: tuple[float, ...]


def received(
    block: Block,
    share: float,
    shared_main_l: float,
    inject_l: float,
    after_l: float,
    measured: Transit | None = None,
) -> Received:
    """Return what the block's emitters got of an even injection when the water stops `after_l` after its end.

    `share` is the block's part of the shift's flow. `inject_l`, which is not nought, and `after_l` are litres of the
    whole shift's flow; `after_l` below nought is water that stops before the injection would have ended.
    """
    shared_then_l = measured.share * shared_main_l if measured is not None else 0.0
    path = line_path(block, share * shared_main_l, measured, shared_then_l)
    pulse_l = inject_l * share
    left_l = (inject_l + after_l) * share - path.main_l
    last = _part(left_l - (path.transit_l - path.main_l), pulse_l)
    if last == 1.0:
        return Received(1.0, 1.0, 1.0)
    submain = _delays(block.submain.laterals, path.submain_l)
    lateral = _delays(block.lateral.emitters, path.lateral_l)
    emitters = block.submain.laterals * block.lateral.emitters
    mean = sum(_got(lateral, left_l - at_l, pulse_l) for at_l in submain.each_l) / emitters
    if mean <= 0.0:
        return Received(0.0, 0.0, 0.0)
    worst, later_l = max(1, emitters // 4), _delay_before_worst(submain, lateral)
    later = sum(_later(lateral, later_l - at_l) for at_l in submain.each_l)
    got = sum(_got(lateral, left_l - at_l, pulse_l, later_l - at_l) for at_l in submain.each_l)
    got += (worst - later) * _part(left_l - later_l, pulse_l)  # those that are exactly so late
    return Received(mean, last, got / worst / mean)


def _part(passed_l: float, pulse_l: float) -> float:
    return min(max(passed_l / pulse_l, 0.0), 1.0)


@lru_cache(maxsize=256)
def _delays(outlets: int, volume_l: float) -> _Delays:
    """Return the delays along a pipe; its volume is in litres at the same flow as everything else."""
    each_l = tuple(itertools.accumulate(volume_l / feeding for feeding in range(outlets, 0, -1)))
    return _Delays(each_l, (0.0, *itertools.accumulate(each_l)))


def _later(lateral: _Delays, than_l: float) -> int:
    return len(lateral.each_l) - bisect_right(lateral.each_l, than_l)


def _got(lateral: _Delays, left_l: float, pulse_l: float, later_than_l: float = -1.0) -> float:
    """Return the parts of the dose that a lateral's emitters got, added up, of those only that are later than this.

    `left_l` is what has passed since the pulse began to enter the lateral.
    """
    first = bisect_right(lateral.each_l, later_than_l)
    whole = max(first, bisect_right(lateral.each_l, left_l - pulse_l))
    reached = max(first, bisect_right(lateral.each_l, left_l))
    passed_l = (reached - whole) * left_l - (lateral.sums_l[reached] - lateral.sums_l[whole])
    return whole - first + passed_l / pulse_l


@lru_cache(maxsize=256)
def _delay_before_worst(submain: _Delays, lateral: _Delays) -> float:
    """Return the least delay, in litres, that no more than the last quarter of the emitters (one at least) exceed."""
    worst = max(1, len(submain.each_l) * len(lateral.each_l) // 4)
    low_l, high_l = 0.0, submain.each_l[-1] + lateral.each_l[-1]
    for _ in range(_HALVINGS):
        middle_l = (low_l + high_l) / 2.0
        if sum(_later(lateral, middle_l - at_l) for at_l in submain.each_l) > worst:
            low_l = middle_l
        else:
            high_l = middle_l
    return high_l
