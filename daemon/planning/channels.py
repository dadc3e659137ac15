"""One channel's part of a plan: how much stock over how much water, and whether its injector can do it."""

import math
from dataclasses import dataclass

from daemon.agronomy.contents import Contents
from daemon.equipment import DisplacementTank, MeteringPump, Tank
from daemon.hydraulics.pipes import pipe_volume_l
from daemon.planning.checks import Check
from daemon.site import Site

_WASHED_OUT = 0.98
"""A displacement tank counts as washed out at this share, after some four of its volumes (DEVELOPERS.md, T1)."""
_LOAD_BAND = 0.01
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


def plan_channel(
    site: Site, channel: str, contents: Contents, stock_l: float, inject_m3: float, flow_m3_h: float
) -> ChannelDose:
    """Return the channel's dose with each check: `stock_l` of what its tank holds, over `inject_m3` of water."""
    injector, tank = site.injector[channel], site.tank[contents.tank]
    inject_l = inject_m3 * 1000.0
    if isinstance(injector, DisplacementTank):
        needed_l, checks = _wash_out(injector, channel, tank, stock_l, flow_m3_h)
    else:
        needed_l = stock_l * flow_m3_h * 1000.0 / injector.highest_l_h
        checks = (_fits(contents, tank, stock_l),)
    if isinstance(injector, MeteringPump) or injector.lowest_l_h < injector.highest_l_h:
        rate_l_h = stock_l / inject_l * flow_m3_h * 1000.0
        checks += (
            Check(
                "injector range",
                injector.lowest_l_h <= rate_l_h <= injector.highest_l_h,
                f"{rate_l_h:.0f} L/h of stock must lie within injector {channel}'s calibrated "
                f"{injector.lowest_l_h:.0f} to {injector.highest_l_h:.0f} L/h",
            ),
        )
    else:  # one rate: the water follows from it
        checks += (
            Check(
                "injector range",
                needed_l <= inject_l,
                f"at its one rate injector {channel} needs {needed_l / 1000.0:.1f} m3 of water for this dose; "
                f"the program gives {inject_m3:.1f} m3",
            ),
        )
        inject_l = min(inject_l, needed_l)
    line_g_l = stock_l / inject_l * contents.product_g_l
    is_strong = line_g_l > _STRONG_LINE_G_L
    strong = f": strong, over {_STRONG_LINE_G_L:g} g/L" if is_strong else ""
    checks += (Check("line strength", True, f"{line_g_l:.2f} g of product a litre in the line{strong}", is_strong),)
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


def _wash_out(
    injector: DisplacementTank, channel: str, tank: Tank, stock_l: float, flow_m3_h: float
) -> tuple[float, tuple[Check, ...]]:
    """Return the water in the main while the tank washes out, and the checks: its whole load is committed."""
    share = stock_l / tank.volume_l
    through_l = -math.log(1.0 - min(share, _WASHED_OUT + _LOAD_BAND)) * tank.volume_l
    needed_l = through_l * flow_m3_h * 1000.0 / injector.rate_l_h
    if abs(share - _WASHED_OUT) > _LOAD_BAND:
        reason = (
            f"injector {channel} washes its tank out whole: of a full tank {_WASHED_OUT * tank.volume_l:.0f} L come, "
            f"and this dose is {stock_l:.0f} L of that strength. Mix the tank so that its load is the dose"
        )
        return needed_l, (Check("tank load", False, reason),)
    reason = f"{through_l:.0f} L through the tank wash {100.0 * share:.0f} % of its load out"
    return needed_l, (Check("tank load", True, reason),)
