"""What a run's independent estimates say together of one channel's dose, and what is likely wrong where they differ.

Everything is in litres of stock at the strength that its doses are stated with. Two unknowns make a dose: the volume,
which the injector's meter and the tank's level tell independently, and the strength, which neither of them knows: only
EC sees it, and EC stands on the slope of the probe and of the mix. So a level that agrees with the meter says nothing
of the mix, and EC that differs from both says "mix or probe" and no more.
"""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

from daemon.dosing.agreement import Estimate, normalised_error, together

FLAGGED: Final = 1.5
"""|E_n| from which somebody should look. From 1 on the wider band is carried; with bands of k = 2 that alone comes in
one sound night of twenty, this in one of several hundred."""
_LEAKS_L_H: Final = 5.0
_LEAKS_L: Final = 2.0
"""A tank that falls so fast and so far with nothing drawn leaks (engineering judgement: a level shivers by less)."""


class Cause(NamedTuple):
    """What may be wrong, and how to find out."""

    meaning: str
    check: str


CAUSES: Final[Mapping[str, Cause]] = MappingProxyType(
    {
        "meter-high": Cause(
            "the injector's meter counts more than it draws",
            "time the injector into a measuring jug and compare its meter; look for air in the suction line",
        ),
        "meter-low": Cause(
            "the injector's meter counts less than it draws",
            "time the injector into a measuring jug and compare its meter",
        ),
        "tank-leaks": Cause(
            "the tank loses stock that is not injected",
            "look under the tank, its valve and the suction line; close the tank's valve and watch its level",
        ),
        "tank-filled": Cause(
            "something ran into the tank during the run",
            "ask who filled it and whether a filling valve passes; dip the tank",
        ),
        "gauge": Cause("the tank's level is read wrong", "dip the tank and compare its gauge at two levels"),
        "mix-weak": Cause(
            "the stock is weaker than was written down",
            "stir the tank, make a bucket test and correct the mix; was a bag left out, or water added?",
        ),
        "mix-strong": Cause(
            "the stock is stronger than was written down",
            "stir the tank, make a bucket test and correct the mix; was a bag put in twice?",
        ),
        "after-the-meter": Cause(
            "stock is lost between the meter and the main", "look along the injection hose while it injects"
        ),
        "probe": Cause(
            "the line's EC probe reads wrong",
            "clean it and compare it with a fresh standard solution, after the mix has been checked",
        ),
    }
)


class Witnesses(NamedTuple):
    """What speaks of one channel's stock in a run, in litres at the stated strength."""

    meter: Estimate
    tank: Estimate | None
    ec: Estimate | None
    """Without what the strength is unsure of where a bucket test of this stock gave its slope."""
    strength_pct: float
    """k = 2 of the strength."""
    is_by_bucket: bool
    """EC and the other two share the strength that was written down: EC then only sees it change."""
    idle_l: float = 0.0
    """What the tank lost with nothing drawn."""
    idle_s: float = 0.0
    tank_silent: str = ""
    """Why the tank does not speak."""
    ec_silent: str = ""
    beside: tuple[str, ...] = ()
    """Channels whose stock EC cannot part from this one's."""


class Finding(NamedTuple):
    """What the witnesses say together."""

    dose: Estimate
    """Litres at the stated strength, with all that is unsure of them."""
    volume_en: float | None
    """E_n of the meter against the tank; above 0 where the meter says more. None where the tank is silent."""
    strength_en: float | None
    """E_n of EC against the volume; above 0 where EC says more. None where EC is silent."""
    causes: tuple[str, ...]
    """Keys of CAUSES, the likeliest first; none where nothing calls for a look."""


def reconcile(witnesses: Witnesses) -> Finding:
    """Return the combined estimate, how far its witnesses agree, and the causes where they do not."""
    meter, tank, ec = witnesses.meter, witnesses.tank, witnesses.ec
    volume = meter if tank is None else together((meter, tank))
    volume_en = None if tank is None else normalised_error(meter, tank)
    strength_en = None
    if ec is None:
        dose = with_strength(volume, witnesses.strength_pct)
    elif witnesses.is_by_bucket:
        strength_en = normalised_error(ec, volume)
        dose = with_strength(together((volume, ec)), witnesses.strength_pct)
    else:
        sure = with_strength(volume, witnesses.strength_pct)
        strength_en = normalised_error(ec, sure)
        dose = together((sure, ec))
    return Finding(dose, volume_en, strength_en, _causes(witnesses, volume_en, strength_en))


def with_strength(volume: Estimate, strength_pct: float) -> Estimate:
    """Return a volume as a dose: with what its strength, k = 2 in percent, is unsure of."""
    return Estimate(volume.value, math.hypot(volume.u, volume.value * strength_pct / 100.0))


def _causes(witnesses: Witnesses, volume_en: float | None, strength_en: float | None) -> tuple[str, ...]:
    leaks = witnesses.idle_l >= _LEAKS_L and witnesses.idle_l * 3600.0 >= _LEAKS_L_H * witnesses.idle_s
    differs = volume_en is not None and abs(volume_en) > FLAGGED
    if volume_en is not None and (differs or leaks):
        return _of_volume(witnesses, volume_en, leaks)
    if strength_en is None or abs(strength_en) <= FLAGGED:
        return ()
    meter = ("meter-high" if strength_en < 0.0 else "meter-low",) if volume_en is None else ()
    if strength_en < 0.0:
        return ("mix-weak", *meter, "after-the-meter", "probe")
    return ("mix-strong", *meter, "probe")


def _of_volume(witnesses: Witnesses, volume_en: float, leaks: bool) -> tuple[str, ...]:
    """Return what is wrong with the volume. EC, where it can tell, says which of meter and tank it is nearer to."""
    is_meter = True  # it wears and fouls; a tank either leaks or is right
    if witnesses.ec is not None and witnesses.tank is not None:
        near = [abs(witnesses.ec.value - other.value) for other in (witnesses.meter, witnesses.tank)]
        is_meter = near[1] <= near[0]
    if volume_en > 0.0:
        meter, tank = ("meter-high",), ("tank-filled", "gauge")
    else:
        meter, tank = ("meter-low",), ("tank-leaks", "gauge")
    if leaks:
        return ("tank-leaks", "gauge")
    return (*meter, *tank) if is_meter else (*tank, *meter)
