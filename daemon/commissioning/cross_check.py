"""The rate that the main meter shows beside the rate that it counts: two readings of one water, one of them wrong."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from daemon.commissioning.step import Stage
from daemon.site import Site

_LEAST_L: Final = 100.0
"""Less water than that tells nothing: counts come ten litres at a time at many meters (engineering judgement)."""
_RATE, _COUNT = "flow_m3_h", "water_l"
_LAST_S: Final = 180.0
_SHUT_S: Final = 25.0
_PARTLY: Final = 0.4
"""Of its blocks' flow: with less a valve is shut, with more the meter may be what is wrong (engineering judgement)."""
_APART: Final = 3.0
"""Times: between what a meter may be off by and a scale that is wrong by ten (engineering judgement)."""


def apart(rates_m3_h: Sequence[tuple[float, float]], litres: Sequence[tuple[float, float]]) -> str:
    """Return in words how far a flow and a count of the same water are apart; empty where they are not.

    Both are (seconds, reading), in order; what passed is taken over the time that both have.
    """
    if len(rates_m3_h) < 2 or len(litres) < 2:
        return ""
    shown_l = sum((after - at) * rate / 3.6 for (at, rate), (after, _) in pairwise(rates_m3_h))
    counted_l = litres[-1][1] - litres[0][1]
    low, high = sorted((shown_l, counted_l))
    if high < _LEAST_L or low * _APART >= high:
        return ""
    seconds = litres[-1][0] - litres[0][0]
    return (
        f"the flow reads {3.6 * shown_l / seconds:.1f} m3/h and the count went on by {3.6 * counted_l / seconds:.1f} "
        "m3/h: the scale of one of them is wrong, or the order of its registers (see the input check)"
    )


def apart_in(watch: Sequence[str], rows: Sequence[Sequence[float | None]]) -> str:
    """Return the same of what a stage has watched last: rows of seconds and the readings that `watch` names."""
    if not {_RATE, _COUNT} <= set(watch):
        return ""
    rate, count = watch.index(_RATE) + 1, watch.index(_COUNT) + 1
    rates, litres = [], []
    since_s = (rows[-1][0] or 0.0) - _LAST_S if rows else 0.0  # before it the pump may have waited for its rest
    for row in rows:
        at_s, shown, counted = row[0], row[rate], row[count]
        if at_s is not None and at_s >= since_s and shown is not None and counted is not None:
            rates.append((at_s, shown))
            litres.append((at_s, counted))
    return apart(rates, litres)


def partly(site: Site, stage: Stage, rows: Sequence[Sequence[float | None]]) -> str:
    """Return in words how much of its blocks' flow the meter has shown last; empty where that is next to none."""
    own_m3_h = sum(site.block[name.partition(".")[2]].flow_m3_h for name in stage.hold if name.startswith("valve."))
    if _RATE not in stage.watch or own_m3_h <= 0.0:
        return ""
    rate = stage.watch.index(_RATE) + 1
    since_s = (rows[-1][0] or 0.0) - _SHUT_S if rows else 0.0  # before it another block may have flowed
    shown_m3_h = max((row[rate] or 0.0 for row in rows if (row[0] or 0.0) >= since_s), default=0.0)
    if shown_m3_h < _PARTLY * own_m3_h:
        return ""
    return f"the flow has read {shown_m3_h:.1f} of {own_m3_h:.1f} m3/h: no valve is shut. Test the main meter first"
