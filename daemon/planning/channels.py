"""One channel's part of a plan: how much stock over how much water, and whether its injector can do it."""

import math
from dataclasses import dataclass

from daemon.agronomy.contents import Contents
from daemon.equipment import DisplacementTank, Injector, Tank
from daemon.hydraulics.pipes import pipe_volume_l
from daemon.planning.checks import Check
from daemon.planning.displacement import WASHED_OUT, through_l_for
from daemon.site import Site

_LOAD_BAND = 0.01
_ROUNDED = 1e-9
_STRONG_LINE_G_L = 2.0
"""More product than this in drip water warns (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class ChannelDose:
    """What one channel has to do."""

    channel: str
    contents: Contents
    """Of its tank."""
    stock_l: float
    inject_l: float
    """Water that passes meanwhile."""
    ratio: float
    """Litres of stock to a litre of water, as a mean."""
    peak_ratio: float
    """The same where the line is strongest."""
    hose_l: float
    line_g_l: float
    """Mean product in the line."""
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """The water over which an injector can spread some stock, in litres."""

    least_l: float
    """At its highest rate."""
    most_l: float
    """At its lowest; infinite where it can go as slow as one likes."""

    @property
    def is_one_rate(self) -> bool:
        """Whether the water follows from the stock."""
        return self.least_l == self.most_l


def reach_of(site: Site, channel: str, contents: Contents, stock_l: float, flow_m3_h: float) -> Reach:
    """Return the water that the channel's injector can spread `stock_l` over."""
    injector = site.injector[channel]
    if isinstance(injector, DisplacementTank):
        share = stock_l / site.tank[contents.tank].volume_l
        through_l = through_l_for(min(share, WASHED_OUT + _LOAD_BAND), site.tank[contents.tank].volume_l)
        needed_l = through_l * flow_m3_h * 1000.0 / injector.rate_l_h
        return Reach(needed_l, needed_l)
    passing_l = stock_l * flow_m3_h * 1000.0
    most_l = passing_l / injector.lowest_l_h if injector.lowest_l_h else math.inf
    return Reach(passing_l / injector.highest_l_h, most_l)


def plan_channel(
    site: Site, channel: str, contents: Contents, stock_l: float, inject_m3: float, flow_m3_h: float
) -> ChannelDose:
    """Return the channel's dose with each check: `stock_l` of what its tank holds, over `inject_m3` of water."""
    injector, tank = site.injector[channel], site.tank[contents.tank]
    reach = reach_of(site, channel, contents, stock_l, flow_m3_h)
    inject_l = inject_m3 * 1000.0
    if isinstance(injector, DisplacementTank):
        checks: tuple[Check, ...] = (_wash_out(channel, tank, stock_l),)
    else:
        checks = (_fits(contents, tank, stock_l),)
    if reach.is_one_rate:  # the water follows from it
        needed = f"at its one rate injector {channel} needs {reach.least_l / 1000.0:.1f} m3 of water for this dose; "
        reason = f"{needed}the program gives {inject_m3:.1f} m3"
        checks += (Check("injector range", reach.least_l <= inject_l * (1.0 + _ROUNDED), reason),)
        inject_l = min(inject_l, reach.least_l)
    else:
        rate_l_h = stock_l / inject_l * flow_m3_h * 1000.0
        checks += (_paced(injector, channel, rate_l_h, reach),)
    line_g_l = stock_l / inject_l * contents.product_g_l
    is_strong = line_g_l > _STRONG_LINE_G_L
    strong = f": strong, over {_STRONG_LINE_G_L:g} g/L" if is_strong else ""
    reason = f"{stock_l / inject_l * flow_m3_h * 1000.0:.0f} L/h of stock, 1 : {inject_l / stock_l:.0f}; "
    reason += f"{line_g_l:.2f} g of product a litre in the line{strong}"
    checks += (Check("line strength", True, reason, is_strong),)
    hose_l = pipe_volume_l(injector.hose) if injector.hose is not None else 0.0
    ratio = peak_ratio = stock_l / inject_l
    if isinstance(injector, DisplacementTank):  # what leaves it first is not thinned yet
        peak_ratio = injector.rate_l_h / (flow_m3_h * 1000.0)
    return ChannelDose(channel, contents, stock_l, inject_l, ratio, peak_ratio, hose_l, line_g_l, checks)


def _fits(contents: Contents, tank: Tank, stock_l: float) -> Check:
    held_l = min(tank.volume_l, contents.litres)
    reason = f"{stock_l:.0f} L of stock must fit tank {contents.tank} above its low level"
    if contents.litres < tank.volume_l:
        reason += f", and batch {contents.batch} is {contents.litres:.0f} L"
    return Check("tank size", stock_l + tank.low_l <= held_l, reason)


def _paced(injector: Injector, channel: str, rate_l_h: float, reach: Reach) -> Check:
    """Return whether an injector can be paced to a rate, and what dose or what water it could do."""
    lowest_l_h, highest_l_h = injector.lowest_l_h, injector.highest_l_h
    reason = f"{rate_l_h:.0f} L/h of stock must lie within injector {channel}'s calibrated {lowest_l_h:.0f} to "
    reason += f"{highest_l_h:.0f} L/h"
    if rate_l_h > highest_l_h * (1.0 + _ROUNDED):
        water_m3 = math.ceil(reach.least_l / 100.0) / 10.0
        most = math.floor(1000.0 * highest_l_h / rate_l_h) / 10.0
        does = f"{reason}. It can inject this dose over {water_m3:.1f} m3 of water or more, or {most:g} % of the dose"
        return Check("injector range", False, f"{does} over the water that is given")
    if rate_l_h < lowest_l_h * (1.0 - _ROUNDED):
        water_m3 = math.floor(reach.most_l / 100.0) / 10.0
        least = math.ceil(1000.0 * lowest_l_h / rate_l_h) / 10.0
        does = f"{reason}. It can inject this dose over {water_m3:.1f} m3 of water or less, or {least:g} % of the dose"
        return Check("injector range", False, f"{does} over the water that is given")
    return Check("injector range", True, reason)


def _wash_out(channel: str, tank: Tank, stock_l: float) -> Check:
    """Return whether a displacement tank's load is the dose: its whole load is committed."""
    share = stock_l / tank.volume_l
    if abs(share - WASHED_OUT) > _LOAD_BAND:
        reason = (
            f"injector {channel} washes its tank out whole: of a full tank {WASHED_OUT * tank.volume_l:.0f} L come, "
            f"and this dose is {stock_l:.0f} L of that strength. Mix the tank so that its load is the dose"
        )
        return Check("tank load", False, reason)
    through_l = through_l_for(share, tank.volume_l)
    return Check("tank load", True, f"{through_l:.0f} L through the tank wash {100.0 * share:.0f} % of its load out")
