"""The EC of the line while it injects: what the emitters will show, what the crop bears, and when the line is clear."""

from collections.abc import Sequence
from typing import NamedTuple

from daemon.agronomy.showing import slope_ms_cm_per_g_l
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Water
from daemon.decisions.watering import Program
from daemon.equipment import Signal
from daemon.planning.channels import ChannelDose
from daemon.planning.checks import Check
from daemon.planning.field import Field
from daemon.planning.lookup import cycle_on, find
from daemon.site import Site

_BAND = 0.1
"""Either way, of a rise that is computed from the stock (domain sheet 4)."""
_CLEAR_MS_CM = 0.05
_CLEAR_PART = 0.05
"""Of the rise: so near to what it was the line counts as clear."""
_SEEN_MS_CM = 0.15
_NOISES = 5.0
"""A rise under this, or under so many times what the probe is unsure of, says nothing."""
_CLEARLY_MORE = 1.5
"""Times the planned rise: a stock half as strong again as was written down, or a ratio that is half too high
(engineering judgement: a computed rise is within a tenth, and the flow within its band)."""
_MOST_FLUSH = 1.5
"""Times the flush, at which it ends although EC is not back."""
_ROUNDED_L = 1.0


def rise_ms_cm(dose: ChannelDose, water: Water | None) -> float:
    """Return the mean rise of the line's EC by one channel; 0 where EC cannot see it."""
    return dose.line_g_l * slope_ms_cm_per_g_l(dose.contents, dose.line_g_l, water)


def water_of(decisions: Decisions, program: Program) -> Water | None:
    """Return the analysis of the program's source; None where it names none. Raises PlanError for one not decided."""
    return find(decisions, Water, program.source) if program.source is not None else None


def check_line_ec(
    decisions: Decisions, program: Program, doses: Sequence[ChannelDose], starts_l: Sequence[float], field: Field
) -> tuple[Check, ...]:
    """Return what EC the emitters will have while the line is strongest, and which crop does not bear it."""
    if not doses:
        return ()
    water = water_of(decisions, program)
    rise = _strongest(program, doses, starts_l, water)
    own = water.ec_ms_cm if water is not None else 0.0
    reason = (
        f"{own + rise:.2f} mS/cm at the emitters, ±{_BAND * rise:.2f}: the stock's {rise:.2f} on the water's {own:.2f}"
    )
    if water is None:
        reason = (
            f"{rise:.2f} mS/cm above the water's own at the emitters, ±{_BAND * rise:.2f}: the program names no source"
        )
    checks = [Check("line EC", True, reason)]
    for block in field.areas_ha:
        cycle = cycle_on(decisions, block, field.today)
        if cycle is None or cycle.line_ec_most_ms_cm is None:
            continue
        most = cycle.line_ec_most_ms_cm
        is_borne, is_near = own + rise <= most, own + (1.0 + _BAND) * rise > most
        said = f"{cycle.crop} on block {block} may have {most:g} mS/cm in the water, and the line has {own + rise:.2f}"
        if is_borne and is_near:
            said += f", ±{_BAND * rise:.2f}"
        if not is_borne:
            said += f": {_mend(doses, rise, most - own)}"
        checks.append(Check("line EC", is_borne, said, warns=is_borne and (is_near or water is None)))
    return tuple(checks)


def flush_test(
    site: Site, doses: Sequence[ChannelDose], ends_l: Sequence[float], flush_l: float, water: Water | None
) -> tuple[float, float]:
    """Return how near to its EC before INJECT the line counts as clear, 0 where EC cannot tell, and the most water.

    Only what is injected last is seen to leave: `ends_l` is the water of INJECT after which each channel is done.
    """
    if not doses:
        return 0.0, 0.0
    end_l = max(ends_l) - _ROUNDED_L
    rise = sum(rise_ms_cm(dose, water) for dose, end in zip(doses, ends_l, strict=True) if end >= end_l)
    seen = _seen_ms_cm(site)
    return max(_CLEAR_MS_CM, _CLEAR_PART * rise) if 0.0 < seen <= rise else 0.0, _MOST_FLUSH * flush_l


class LineLimits(NamedTuple):
    """What the line's EC may show while injecting, and from where on it says anything, in mS/cm; each 0 without."""

    seen: float = 0.0
    rise_most: float = 0.0
    most: float = 0.0


def line_limits(
    site: Site,
    decisions: Decisions,
    program: Program,
    doses: Sequence[ChannelDose],
    starts_l: Sequence[float],
    field: Field,
) -> LineLimits:
    """Return the limits of the line's EC.

    A plan that comes near to what the crop bears was accepted with a warning, so what it may reach within its band is
    no excess, nor is what the probe may be off by.
    """
    probe = site.main.line_ec
    if not doses or probe is None:
        return LineLimits()
    water = water_of(decisions, program)
    rise = _strongest(program, doses, starts_l, water)
    own = water.ec_ms_cm if water is not None else 0.0
    cycles = (cycle_on(decisions, block, field.today) for block in field.areas_ha)
    borne = [cycle.line_ec_most_ms_cm for cycle in cycles if cycle is not None and cycle.line_ec_most_ms_cm is not None]
    most = max(min(borne), own + (1.0 + _BAND) * rise) if borne else 0.0
    most += (_noise(probe) + probe.accuracy_pct_of_reading / 100.0 * most) if borne else 0.0
    seen = _seen_ms_cm(site)
    return LineLimits(seen, _CLEARLY_MORE * rise + seen if seen else 0.0, most)


def _seen_ms_cm(site: Site) -> float:
    """Return the least rise that the two probes can tell from none; 0 where one is missing."""
    probes = (site.main.background_ec, site.main.line_ec)
    noises = [_noise(probe) for probe in probes if probe is not None]
    return max(_SEEN_MS_CM, _NOISES * max(noises)) if len(noises) == len(probes) else 0.0


def _strongest(program: Program, doses: Sequence[ChannelDose], starts_l: Sequence[float], water: Water | None) -> float:
    """Return the highest rise at any moment of INJECT."""
    peaks_g_l = [dose.peak_ratio * dose.contents.product_g_l for dose in doses]
    peaks = [g_l * slope_ms_cm_per_g_l(dose.contents, g_l, water) for dose, g_l in zip(doses, peaks_g_l, strict=True)]
    if program.order == "in_turn":
        return max(peaks)
    windows = [(start, start + dose.inject_l) for dose, start in zip(doses, starts_l, strict=True)]
    return max(
        sum(peak for peak, (start, end) in zip(peaks, windows, strict=True) if start <= moment < end)
        for moment, _ in windows
    )


def _mend(doses: Sequence[ChannelDose], rise: float, room: float) -> str:
    if room <= 0.0:
        return "the water alone is past it"
    times = rise / room
    over = " and ".join(f"{dose.contents.stock} over {times * dose.inject_l / 1000.0:.1f} m3" for dose in doses)
    return f"inject {over}, or {100.0 / times:.0f} % of the dose"


def _noise(probe: Signal) -> float:
    """Return what a probe is unsure of by its span; 0 where its span is the profile's own."""
    return probe.accuracy_pct_of_span / 100.0 * probe.span
