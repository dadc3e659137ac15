"""How evenly a block is watered and fed: indices of catch cans or of emitter flows, and what is likely wrong.

Christiansen's CU (Hilgardia 1942), DU of the low quarter, statistical uniformity (Bralts; ASAE EP458) and the design
EU of Keller and Karmeli (1974). Values are of one kind and unit, each from one can or emitter.
"""

import math
from collections.abc import Sequence
from enum import Enum
from statistics import fmean, median, stdev
from typing import Final, NamedTuple

from daemon.commissioning.statistics import t95

LEAST: Final = 16
"""Cans or emitters for an index that a plan may rest on: four laterals by four places (Keller and Karmeli; memory)."""
_FEWEST: Final = 8
_BLOCKED: Final = 0.7
"""Of the median: an emitter that gives less is blocked, or next to it (engineering judgement)."""
_MANY: Final = 1.0 / 20.0
_MOSTLY: Final = 0.5


class Uniformity(NamedTuple):
    """The indices of one sample, in percent."""

    n: int
    mean: float
    cu_pct: float
    du_lq_pct: float
    du_u_pct: float
    """Half the width of DU's sampling interval: what another sample of as many from the block may differ by."""
    us_pct: float
    cv: float


class Likely(Enum):
    """What unevenness most likely comes from."""

    EVEN = "even"
    BLOCKAGE = "blockage"
    PRESSURE = "pressure"
    EMITTERS = "emitters"


def uniformity(values: Sequence[float]) -> Uniformity:
    """Return the indices of a sample.

    Raises ValueError for fewer than eight values, a negative one, or none above 0.
    """
    if len(values) < _FEWEST:
        raise ValueError(f"got {len(values)} cans; expected {LEAST} or more ({_FEWEST} at the very least)")
    if min(values) < 0.0 or not all(math.isfinite(value) for value in values):
        raise ValueError(f"got {min(values):g}; expected what each can caught, 0 or more")
    mean = fmean(values)
    if mean <= 0.0:
        raise ValueError("got nothing in any can; expected what each caught")
    off = sum(abs(value - mean) for value in values)
    cv = stdev(values) / mean
    return Uniformity(
        n=len(values),
        mean=mean,
        cu_pct=100.0 * (1.0 - off / (len(values) * mean)),
        du_lq_pct=du_lq_pct(values),
        du_u_pct=_du_u_pct(values),
        us_pct=100.0 * (1.0 - cv),
        cv=cv,
    )


def du_lq_pct(values: Sequence[float]) -> float:
    """Return the mean of the lowest quarter over the mean of all.

    Where the number is no multiple of four, the value on the boundary counts by the part of it that belongs to the
    quarter, so that the index never jumps with one can more (design choice).
    """
    quarter = len(values) / 4.0
    whole = int(quarter)
    ordered = sorted(values)
    low = sum(ordered[:whole]) + (quarter - whole) * ordered[whole]
    return 100.0 * low / quarter / fmean(values)


def _du_u_pct(values: Sequence[float]) -> float:
    """Return half of DU's interval of 95 %, by the jackknife (Efron and Tibshirani, 1993; from memory).

    One can is left out at a time. The low quarter is of few cans, and the jackknife makes too little of it: Student's t
    of an eighth of the cans holds the block's own index in 95 of 100 draws, which the tests count.
    """
    n = len(values)
    without = [du_lq_pct([*values[:place], *values[place + 1 :]]) for place in range(n)]
    middle = fmean(without)
    variance = (n - 1) / n * sum((one - middle) ** 2 for one in without)
    return t95(n // 8 + 1) * math.sqrt(variance)


def doses(caught_l: Sequence[float], ec_ms_cm: Sequence[float], background_ms_cm: float) -> list[float]:
    """Return what each can got of the fertiliser, in parts: its water times the EC that it has above the water's own.

    EC alone says nothing of a dose. Cans stand over the whole shift, from the first water to the end of the flush.
    Raises ValueError where a can has no EC, or less than the water's.
    """
    if len(caught_l) != len(ec_ms_cm):
        raise ValueError(f"got {len(caught_l)} volumes and {len(ec_ms_cm)} ECs; expected one of each for every can")
    low = min(ec_ms_cm, default=background_ms_cm)
    if low < background_ms_cm:
        raise ValueError(f"got a can of {low:g} mS/cm below the water's {background_ms_cm:g}: measure both once more")
    return [litres * (ec - background_ms_cm) for litres, ec in zip(caught_l, ec_ms_cm, strict=True)]


def design_eu_pct(cv: float, emitters_a_plant: float, least: float, mean: float) -> float:
    """Return the emission uniformity that a design has (Keller and Karmeli 1974).

    `cv` is the manufacturer's variation; `least` and `mean` are emitter flows by pressure alone, of one unit.
    """
    return 100.0 * (1.0 - 1.27 * cv / math.sqrt(emitters_a_plant)) * least / mean


def worst_quarter_kg_ha(mean_kg_ha: float, dose: Uniformity) -> float:
    """Return what the quarter of the block that gets least received of a dose."""
    return mean_kg_ha * dose.du_lq_pct / 100.0


def likely(flows: Sequence[float], pressures_kpa: Sequence[float] = (), exponent: float = 0.5) -> Likely:
    """Return what a sample's unevenness most likely comes from.

    An emitter's flow goes by pressure to the power of `exponent` (0.5 for a plain orifice, about 0 for one that
    compensates). Where pressures were taken with the flows, what they explain of the spread is the pipes' (the parting
    of hydraulic from emitter variation: UF/IFAS AE094). Bands: DU below 90 % is worth a look (Merriam and Keller 1978;
    from memory).
    """
    found = uniformity(flows)
    if found.du_lq_pct >= 90.0:
        return Likely.EVEN
    middle = median(flows)
    sound = [flow for flow in flows if flow >= _BLOCKED * middle]
    is_some = len(flows) - len(sound) >= max(1.0, _MANY * len(flows))
    if is_some and du_lq_pct(sound) >= 90.0:
        return Likely.BLOCKAGE
    if len(pressures_kpa) == len(flows) and fmean(pressures_kpa) > 0.0:
        expected = [pressure**exponent for pressure in pressures_kpa]
        if _explained(flows, expected) > _MOSTLY:
            return Likely.PRESSURE
    return Likely.EMITTERS


def _explained(flows: Sequence[float], expected: Sequence[float]) -> float:
    """Return the share of the flows' variance that goes as expected."""
    scale = fmean(flows) / fmean(expected)
    whole = sum((flow - fmean(flows)) ** 2 for flow in flows)
    left = sum((flow - scale * one) ** 2 for flow, one in zip(flows, expected, strict=True))
    return 1.0 - left / whole
