"""What the output check says: which block each valve wets, and whether the flow is that block's."""

import itertools
from collections.abc import Mapping
from statistics import fmean
from typing import Final

from daemon.commissioning.stages import flow_width_pct
from daemon.commissioning.step import Figure, Result, Verdict, Work, column, figure, values_of
from daemon.commissioning.wiring import swapped_valves
from daemon.dosing.agreement import Estimate
from daemon.dosing.estimates import k2_of_class_pct
from daemon.site import Site

NOBODY: Final = "none of these"
_FEWEST: Final = 4
"""Blocks, to tell what they have in common (engineering judgement)."""
_COMMON_PCT: Final = 12.0
"""That all blocks are off alike before the meter is suspected (engineering judgement)."""
_FLOW_BAND: Final = "its emitters' rate beside all blocks', with flow_accuracy_pct and half of flow_band_pct"
_ALIKE: Final = "engineering judgement: blocks differ one by one, a meter alike"


def outputs_result(work: Work) -> Result:
    """Return what came of opening each block's valve alone."""
    site = work.site
    wets = {name: str(values_of(work.entries, f"wet.{name}")["wet"]) for name in site.block}
    seen = _seen(work)
    told = _of_valves(site, wets)
    share = _common_share([flow.value / _block_of(name, wets, site) for name, flow in seen.items()])
    figures, expected = [], {}
    for name, flow in seen.items():
        own = share * _block_of(name, wets, site)
        expected[name] = Estimate(own, flow_width_pct(site, name) / 100.0 * own)
        low, high = own - expected[name].u, own + expected[name].u
        figures.append(figure(f"flow of {name}", flow, "m3/h", least=low, most=high, source=_FLOW_BAND))
        told += _of_flow(name, figures[-1])
        off_pct = 100.0 * (flow.value / _block_of(name, wets, site) - 1.0)
        if abs(off_pct) > site.main.flow_band_pct:
            told.append(
                f"flow of {name}: {off_pct:+.0f} % beside its emitters is beyond flow_band_pct: a shift of it alone "
                "would not start. Test the main meter first, then look at its pressure and its emitters."
            )
    unseen = {name for name in seen if wets[name] == NOBODY}
    for one, other in swapped_valves(expected, {name: seen[name] for name in unseen}).items():
        told.append(f"valve.{one} and valve.{other} are likely swapped: each gives the other's flow.")
    if len(seen) >= _FEWEST:
        off = Figure("all blocks together, beside their emitters", 100.0 * (share - 1.0), "%", None, -_COMMON_PCT,
                     _COMMON_PCT, _ALIKE)  # fmt: skip
        figures.append(off)
        if not off.is_in_band:
            told.append(
                f"All blocks give {off.value:+.0f} % beside their emitters: rather the main meter than every one of "
                "them. See its test; else the emitters' rate in the site file, or the pressure."
            )
    return Result(tuple(figures), Verdict.FAILED if told else Verdict.PASSED, tuple(told))


def _seen(work: Work) -> dict[str, Estimate]:
    """Return the flow with each block's valve open alone, where the site has a rate."""
    found = {}
    for name in work.site.block:
        flows = [value for _, value in column(values_of(work.entries, f"listen.{name}"), "flow_m3_h")]
        if flows:
            found[name] = Estimate(fmean(flows), k2_of_class_pct(1.0) / 100.0 * fmean(flows))
    return found


def _block_of(name: str, wets: Mapping[str, str], site: Site) -> float:
    """Return the flow, in m3/h, of the block that is wet: a valve that opens another one gives that one's water."""
    return site.block[name if wets[name] == NOBODY else wets[name]].flow_m3_h


def _of_valves(site: Site, wets: Mapping[str, str]) -> list[str]:
    told = []
    for name, wet in wets.items():
        if wet != name:
            what = "no block is wet" if wet == NOBODY else f"{wet} is wet"
            told.append(
                f"valve.{name}: with {name} opened {what}. Look at {site.block[name].valve} and where its wire goes."
            )
    for one, other in itertools.combinations(site.block, 2):
        if wets[one] == other and wets[other] == one:
            told.append(f"valve.{one} and valve.{other} are swapped: each wets the other's block.")
    return told


def _of_flow(name: str, found: Figure) -> list[str]:
    if found.is_in_band:
        return []
    if found.value < (found.least or 0.0):
        return [f"flow of {name}: {found.value:.1f} m3/h is too little: a valve in it is shut, or its filter blocked."]
    return [f"flow of {name}: {found.value:.1f} m3/h is too much: a leak, or a second valve open."]


def _common_share(shares: list[float]) -> float:
    """Return what blocks have in common of their flow over what it should be; 1 where there are too few to tell."""
    return fmean(sorted(shares)[1:-1]) if len(shares) >= _FEWEST else 1.0
