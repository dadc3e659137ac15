"""The water's way to the blocks of a shift: transit, what runs empty, the flush, and the pressure at the far end."""

import math
from collections.abc import Iterator, Mapping
from functools import lru_cache

from daemon.as_measured import measured_transit
from daemon.decisions.base import Decisions
from daemon.hydraulics.cut import received
from daemon.hydraulics.pipes import fill_l, laminar_tail, line_path, shared_main_l
from daemon.hydraulics.pressure import last_emitter_kpa
from daemon.planning.checks import Check, warning
from daemon.planning.windows import Way
from daemon.recipe import LinePath
from daemon.site import Site

_LEAST_SPLIT_PCT = 10.0
"""With one main meter the split between blocks is not known better (common practice, no source)."""
_THREE_SIGMA = 1.5
"""Of a k = 2 width."""


def paths_of(site: Site, decisions: Decisions, shares: Mapping[str, float]) -> dict[str, LinePath]:
    """Return each block's way; a transit that somebody measured stands for the computed one."""
    main_l = shared_main_l(site.main)
    paths = {}
    for name, share in shares.items():
        measured = measured_transit(site, decisions, name)
        shared_then_l = measured.share * main_l if measured is not None else 0.0
        paths[name] = line_path(site.block[name], share * main_l, measured, shared_then_l)
    return paths


def way_of(site: Site, paths: Mapping[str, LinePath], shares: Mapping[str, float]) -> Way:
    """Return what the slowest block asks of the shift's water: a block's own litres are its share of the meter's."""
    transits_l = {name: path.transit_l / shares[name] for name, path in paths.items()}
    return Way(
        transit_l=max(transits_l.values()),
        fill_l=sum(fill_l(site.block[name]) for name in paths if site.block[name].drains),
        flush_l=max(transits_l[name] * _factor(site, path) for name, path in paths.items()),
    )


def splits_pct_of(site: Site, shares: Mapping[str, float]) -> dict[str, float]:
    """Return the k = 2 of each block's share, in percent of it.

    A share is q_i over the sum of all q: its relative change is (1 - s_i) of its own and -s_j of every other flow's.
    """
    if len(shares) == 1:
        return dict.fromkeys(shares, 0.0)
    accuracy = {name: site.block[name].flow_accuracy_pct for name in shares}
    return {
        name: max(
            _LEAST_SPLIT_PCT,
            math.hypot(*((1.0 - share if other == name else -s) * accuracy[other] for other, s in shares.items())),
        )
        for name, share in shares.items()
    }


def check_shift(site: Site, shares: Mapping[str, float], flow_m3_h: float) -> tuple[Check, ...]:
    """Return whether the pump can feed the shift, a valve that fails would be seen, and a sound flow is let be."""
    band_pct, least_pct = site.main.flow_band_pct, 100.0 * min(shares.values())
    reason = (
        f"a valve that fails shut shows in the flow only where the smallest block's share ({least_pct:.0f} %) is at "
        f"least twice main.flow_band_pct ({band_pct:g} %)"
    )
    checks: tuple[Check, ...] = (Check("smallest block", len(shares) == 1 or least_pct >= 2.0 * band_pct, reason),)
    if site.pump is not None:
        reason = f"the shift takes {flow_m3_h:.1f} m3/h and the pump gives at most {site.pump.capacity_m3_h:g} m3/h"
        checks += (Check("pump capacity", flow_m3_h <= site.pump.capacity_m3_h, reason),)
    return (*checks, *_check_band(site, shares))


def _check_band(site: Site, shares: Mapping[str, float]) -> Iterator[Check]:
    """Warn where the shift's flow may lie outside its band with nothing wrong: three sigma, and the meter's class."""
    flow_pct = math.hypot(*(share * site.block[name].flow_accuracy_pct for name, share in shares.items()))
    meter = site.main.flow or site.main.water
    least_pct = _THREE_SIGMA * flow_pct + meter.accuracy_pct_of_reading
    if site.main.flow_band_pct < least_pct:
        yield warning(
            "flow band",
            f"the shift's flow is known to {flow_pct:.0f} % (flow_accuracy_pct, k = 2), so it may lie outside "
            f"main.flow_band_pct ({site.main.flow_band_pct:g} %) with nothing wrong, and pause the injection: measure "
            f"the flow of {' and '.join(shares)} and tell flow_accuracy_pct, or take a band of {least_pct:.1f} %",
        )


def check_ways(site: Site, paths: Mapping[str, LinePath], flow_m3_h: float) -> Iterator[Check]:
    """Yield how far it is to each block's outermost emitter, by what, and the pressure that is left there."""
    for name, path in paths.items():
        block = site.block[name]
        own_m3_h = block.flow_m3_h
        reason = f"block {name}: {_way(path.computed_l, own_m3_h)} to its outermost emitter by its pipes"
        if path.is_measured:
            reason += f"; {_way(path.transit_l, own_m3_h)} were measured, and hold"
        else:
            tail = laminar_tail(block.lateral)
            reason += (
                f", of a lateral's part {100.0 * tail.share:.0f} % in its last {tail.emitters} emitters, where the "
            )
            reason += f"water runs in layers and smears: flush {_factor(site, path):g} times that until it is measured"
        yield Check("transit", True, reason)
        if site.main.working_kpa is not None and block.emitter_min_kpa is not None:
            left_kpa = last_emitter_kpa(site.main, block, flow_m3_h)
            reason = f"block {name}: {left_kpa:.0f} kPa at the last emitter, which needs {block.emitter_min_kpa:g}"
            yield Check("pressure", True, reason, warns=left_kpa < block.emitter_min_kpa)


def check_cut(
    site: Site,
    decisions: Decisions,
    paths: Mapping[str, LinePath],
    shares: Mapping[str, float],
    way: Way,
    last_l: float,
) -> Check:
    """Return what the slowest block would have got of the last `last_l` of INJECT, were the flush to end half-way."""
    name = max(paths, key=lambda block: paths[block].transit_l / shares[block])
    got = _received(
        site.block[name],
        shares[name],
        shared_main_l(site.main),
        last_l,
        way.flush_l / 2.0,
        measured_transit(site, decisions, name),
    )
    reason = (
        f"were the flush to stop half-way, block {name} would have got {100.0 * got.mean:.1f} % of its dose, and its "
        f"outermost emitter {100.0 * got.last:.0f} %"
    )
    return Check("flush", True, reason)


_received = lru_cache(maxsize=512)(received)
"""A night is planned again on every decision, and most of its shifts are as they were."""


def _way(litres: float, flow_m3_h: float) -> str:
    return f"{litres:.0f} L ({litres / 1000.0 / flow_m3_h * 60.0:.0f} min)"


def _factor(site: Site, path: LinePath) -> float:
    return site.limits.measured_flush_factor if path.is_measured else site.limits.flush_factor
