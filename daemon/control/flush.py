"""The flush as the line's EC shows it: the rise over the water's own, smoothed, against what it was before INJECT.

EC only ever prolongs a flush. Where it cannot be read the volume alone decides, which is what a flush is planned by.
"""

from typing import NamedTuple

from daemon.control.sense import Facts
from daemon.control.states import Phase

_SMOOTHED_S = 20.0
"""A probe's noise is gone in this time, and a flush takes many times as long (engineering judgement)."""


class Rise(NamedTuple):
    """Memory of the EC by which the line is above the water before it."""

    ms_cm: float = 0.0
    """Smoothed over this phase."""
    seen_s: float = 0.0
    """How long it has been read in this phase."""
    blind_s: float = 0.0
    """How long it has not been read in one go."""
    before_ms_cm: float | None = None
    """At the end of PREWET; None where it was not known then."""

    @property
    def is_known(self) -> bool:
        """Whether it can be told now: one reading that fails ends no test."""
        return self.seen_s > 0.0 and self.blind_s < _SMOOTHED_S


class Cleared(NamedTuple):
    """How a flush stands by its EC."""

    is_over: bool
    """EC asks for no more water."""
    why: str = ""
    is_clear: bool = True
    """It did not end with EC still away from what it was."""


_UNTRIED = Cleared(is_over=True)
_BLIND = Cleared(is_over=True, why="by volume alone: the line's EC could not be read")
_CLEAR = Cleared(is_over=True, why="the line's EC is back")
_NOT_YET = Cleared(is_over=False, is_clear=False)
_UNCLEAR = Cleared(is_over=True, why="the line's EC is not back, and more water was not planned", is_clear=False)


def follow(memory: Rise, phase: Phase | None, facts: Facts) -> Rise:
    """Return the memory after this scan: PREWET's is what a flush must come back to, and INJECT's says nothing."""
    if phase not in (Phase.PREWET, Phase.FLUSH):
        return Rise(before_ms_cm=memory.before_ms_cm)
    if facts.ec_rise_ms_cm is None:
        memory = memory._replace(blind_s=memory.blind_s + facts.dt_s)
    elif facts.dt_s > 0.0:
        seen_s = memory.seen_s + facts.dt_s
        share = facts.dt_s / min(seen_s, max(_SMOOTHED_S, facts.dt_s))  # a mean at first
        ms_cm = memory.ms_cm + share * (facts.ec_rise_ms_cm - memory.ms_cm)
        memory = Rise(ms_cm, seen_s, 0.0, memory.before_ms_cm)
    if phase is Phase.PREWET:
        return memory._replace(before_ms_cm=memory.ms_cm if memory.is_known else None)
    return memory


def judge(memory: Rise, within_ms_cm: float, since_l: float, most_l: float) -> Cleared:
    """Return how a flush whose volume has passed stands, `since_l` after the last injected litre.

    0 for `within_ms_cm`: EC cannot tell this stock. A probe that fails in mid-flush leaves it to the volume.
    """
    if within_ms_cm <= 0.0:
        return _UNTRIED
    if memory.before_ms_cm is None or memory.blind_s >= _SMOOTHED_S:
        return _BLIND
    if memory.is_known and abs(memory.ms_cm - memory.before_ms_cm) <= within_ms_cm:
        return _CLEAR
    return _UNCLEAR if since_l >= most_l else _NOT_YET
