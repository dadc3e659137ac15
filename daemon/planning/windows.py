"""Where in a shift its water injects: pre-wet, each channel's window, and what the flush needs. Litres alone, no names
but for what is said.

The pre-wet fills what has run empty and reaches the outermost emitter; the flush brings the last litre out there. What
is left between them is INJECT's, in the middle of the shift or late.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.planning.checks import Check, warning

_PART = 0.5
"""Of the shift's water that INJECT takes unless somebody said how much (domain sheet 13)."""
_TRANSITS = 2.0
"""INJECT over this many transits is even from the first emitter to the last (da Silva et al. 2022,
Horticulturae 8:1103, domain sheet 5)."""
_ROUNDED_L = 1e-6


@dataclass(frozen=True, slots=True)
class Way:
    """What the pipes of a shift ask of its water, in litres at the main meter."""

    transit_l: float
    """To the slowest block's outermost emitter."""
    fill_l: float
    """What has run empty."""
    flush_l: float

    @property
    def prewet_l(self) -> float:
        """The least pre-wet."""
        return self.fill_l + self.transit_l


@dataclass(frozen=True, slots=True)
class Ask:
    """What one channel asks for, in litres of water."""

    stock: str
    given_l: float | None
    """As the program says; None where the plan is to find it."""
    least_l: float
    """With the injector at its highest rate."""
    most_l: float
    """At its lowest; infinite where it can go as slow as one likes."""
    is_fixed: bool
    """A concentration's: other water would be another dose."""
    is_late: bool


@dataclass(frozen=True, slots=True)
class Windows:
    """The shift laid out."""

    water_l: float
    prewet_l: float
    inject_l: float
    flush_l: float
    widths_l: tuple[float, ...]
    """Water of each channel's window, in the order of the asks."""
    starts_l: tuple[float, ...]
    """Water of INJECT that passes before each; 0 too for one that only waits for the one before it and its rinse."""
    checks: tuple[Check, ...]


def lay_out(
    water_l: float, flow_m3_h: float, way: Way, asks: Sequence[Ask], *, in_turn: bool, may_add: bool
) -> Windows:
    """Return the shift laid out over `water_l`. With `may_add` it takes the water that it needs, and warns."""
    if not asks:
        return Windows(water_l, water_l, 0.0, 0.0, (), (), ())
    rinses_l = way.transit_l * (len(asks) - 1) if in_turn else 0.0
    least_l = [_least(ask) for ask in asks]
    needed_l = way.prewet_l + (sum(least_l) + rinses_l if in_turn else max(least_l)) + way.flush_l
    checks: list[Check] = [Check("phases", True, _said(way))]
    is_short = water_l < needed_l - _ROUNDED_L
    if is_short:
        reason = _too_short(way, needed_l, water_l, flow_m3_h)
        if may_add:
            checks.append(warning("shortest shift", f"{reason}; it is given that"))
            water_l = needed_l
        else:
            checks.append(Check("shortest shift", False, reason))
    room_l = max(water_l, needed_l) - way.prewet_l - way.flush_l - rinses_l
    wanted_l = [_wanted(ask, water_l, rinses_l, len(asks) if in_turn else 1, way) for ask in asks]
    widths_l = _fitted(wanted_l, least_l, room_l, in_turn)
    if not is_short or may_add:
        checks += _told(asks, widths_l, way)
    if in_turn:
        checks += _early(asks[: _lead(asks)])
        prewet_l, inject_l, starts_l = _in_turn(water_l, way, asks, widths_l)
    else:
        prewet_l, inject_l, starts_l = _together(water_l, way, asks, widths_l)
    return Windows(water_l, prewet_l, inject_l, way.flush_l, tuple(widths_l), tuple(starts_l), tuple(checks))


def _least(ask: Ask) -> float:
    return ask.given_l if ask.is_fixed and ask.given_l is not None else ask.least_l


def _wanted(ask: Ask, water_l: float, rinses_l: float, parts: int, way: Way) -> float:
    """Return the window that is best: as given, or about half of the shift and no less than two transits."""
    if ask.given_l is not None:
        return ask.given_l
    half_l = (_PART * water_l - rinses_l) / parts
    return min(ask.most_l, max(ask.least_l, half_l, _TRANSITS * way.transit_l))


def _fitted(wanted_l: Sequence[float], least_l: Sequence[float], room_l: float, in_turn: bool) -> list[float]:
    """Return the windows as wanted where there is room, or else as much narrower as they must be."""
    if not in_turn:
        return [min(wanted, max(least, room_l)) for wanted, least in zip(wanted_l, least_l, strict=True)]
    give_l = [max(0.0, wanted - least) for wanted, least in zip(wanted_l, least_l, strict=True)]
    over_l = max(0.0, sum(wanted_l) - room_l)
    part = min(1.0, over_l / sum(give_l)) if sum(give_l) else 0.0
    return [wanted - part * give for wanted, give in zip(wanted_l, give_l, strict=True)]


def _together(
    water_l: float, way: Way, asks: Sequence[Ask], widths_l: Sequence[float]
) -> tuple[float, float, list[float]]:
    """Return pre-wet, INJECT, and each start: those of the middle begin together, each late one ends with the flush."""
    last_l = water_l - way.flush_l
    middle_l = max((width for ask, width in zip(asks, widths_l, strict=True) if not ask.is_late), default=0.0)
    begin_l = _middle(water_l, middle_l, way.prewet_l, last_l)
    starts_l = [last_l - width if ask.is_late else begin_l for ask, width in zip(asks, widths_l, strict=True)]
    first_l = min(starts_l)
    end_l = max(start + width for start, width in zip(starts_l, widths_l, strict=True))
    return first_l, end_l - first_l, [start - first_l for start in starts_l]


def _in_turn(
    water_l: float, way: Way, asks: Sequence[Ask], widths_l: Sequence[float]
) -> tuple[float, float, list[float]]:
    """Return pre-wet, INJECT, and each start: late ones at the end of the order wait, the others go in the middle."""
    lead = _lead(asks)
    last_l = water_l - way.flush_l
    lead_l, tail_l = (sum(part) + way.transit_l * max(0, len(part) - 1) for part in (widths_l[:lead], widths_l[lead:]))
    if lead == len(asks):
        return _middle(water_l, lead_l, way.prewet_l, last_l), lead_l, [0.0] * lead
    if not lead:
        return last_l - tail_l, tail_l, [0.0] * len(asks)
    first_l = _middle(water_l, lead_l, way.prewet_l, last_l - tail_l - way.transit_l)
    starts_l = [0.0] * len(asks)
    starts_l[lead] = last_l - tail_l - first_l
    return first_l, last_l - first_l, starts_l


def _lead(asks: Sequence[Ask]) -> int:
    """Return how many come before those at the end of the order that are all late."""
    lead = len(asks)
    while lead and asks[lead - 1].is_late:
        lead -= 1
    return lead


def _middle(water_l: float, width_l: float, first_l: float, last_l: float) -> float:
    """Return where a window begins in the middle of the shift, or as near to it as it may."""
    return max(first_l, min((water_l - width_l) / 2.0, last_l - width_l))


def _said(way: Way) -> str:
    fill = f" with {way.fill_l / 1000.0:.1f} m3 to fill what runs empty" if way.fill_l else ""
    return (
        f"pre-wet at least {way.prewet_l / 1000.0:.1f} m3{fill}: the outermost emitter is reached after "
        f"{way.transit_l / 1000.0:.1f} m3; flush {way.flush_l / 1000.0:.1f} m3"
    )


def _too_short(way: Way, needed_l: float, water_l: float, flow_m3_h: float) -> str:
    inject_l = needed_l - way.prewet_l - way.flush_l
    least_min = math.ceil(needed_l / 1000.0 / flow_m3_h * 60.0 - _ROUNDED_L)
    return (
        f"this program needs at least {math.ceil(needed_l / 100.0) / 10.0:.1f} m3 of water "
        f"({least_min} min): {way.prewet_l / 1000.0:.1f} m3 of pre-wet "
        f"until the outermost emitter is reached, {inject_l / 1000.0:.1f} m3 to inject in and "
        f"{way.flush_l / 1000.0:.1f} m3 of flush. It has {water_l / 1000.0:.1f} m3 "
        f"({water_l / 1000.0 / flow_m3_h * 60.0:.0f} min)"
    )


def _early(lead: Sequence[Ask]) -> list[Check]:
    """Return which late stocks the order puts before one of the middle."""
    return [
        warning("position", f"stock {ask.stock} is to go late, and the program puts {lead[-1].stock} after it")
        for ask in lead
        if ask.is_late
    ]


def _told(asks: Sequence[Ask], widths_l: Sequence[float], way: Way) -> list[Check]:
    """Return what is not as one would want it."""
    checks: list[Check] = []
    for ask, width_l in zip(asks, widths_l, strict=True):
        if ask.given_l is not None and width_l < ask.given_l - _ROUNDED_L:
            reason = (
                f"stock {ask.stock} is to be injected over {ask.given_l / 1000.0:.1f} m3, and pre-wet and flush leave "
            )
            checks.append(warning("inject water", f"{reason}{width_l / 1000.0:.1f} m3: the same dose goes in that"))
        if width_l < _TRANSITS * way.transit_l - _ROUNDED_L:
            reason = f"stock {ask.stock} is injected over {width_l / 1000.0:.1f} m3: under two transits "
            reason += f"({_TRANSITS * way.transit_l / 1000.0:.1f} m3) the dose is less even along the pipes"
            checks.append(warning("inject water", reason))
    return checks
