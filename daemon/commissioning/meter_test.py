"""The main meter against what was really caught, and an EC probe against two standards, or one and dry air."""

import math
from collections.abc import Mapping
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple

from daemon.dosing.agreement import Estimate

LEAST_S: Final = 300.0
"""A meter is held against a tank for at least so long (the figures of the test rest on it)."""
_STANDARDS: Final[Mapping[float, Mapping[float, float]]] = MappingProxyType(
    {
        0.01: {0: 0.77292, 5: 0.89096, 10: 1.01395, 15: 1.14145, 18: 1.21993, 20: 1.27303, 25: 1.40823, 30: 1.54663,
               35: 1.68779, 40: 1.83127},
        0.1: {0: 7.11685, 10: 9.29172, 15: 10.4371, 20: 11.6159, 25: 12.8246, 30: 14.0592},
    }
)  # fmt: skip
"""Potassium chloride of so many mol/kg: mS/cm by degrees Celsius (Wu, Koch and Pratt, J. Res. NIST 96:191, 1991)."""


def standard_ms_cm(mol_kg: float, at_c: float) -> float:
    """Return the conductivity of a potassium chloride standard at a temperature, between the table's own figures.

    Raises ValueError for another solution, and for a temperature that the table does not reach.
    """
    if mol_kg == AIR:
        return 0.0
    table = _STANDARDS.get(mol_kg)
    if table is None:
        raise ValueError(f"got a standard of {mol_kg:g} mol/kg; expected one of {', '.join(map(str, _STANDARDS))}")
    for (cold_c, low), (warm_c, high) in pairwise(table.items()):
        if cold_c <= at_c <= warm_c:
            return low + (high - low) * (at_c - cold_c) / (warm_c - cold_c)
    raise ValueError(f"got {at_c:g} °C; expected {min(table):g} to {max(table):g}, where the standard is known")


AIR: Final = 0.0
"""A dry probe in air: nothing conducts there, whatever the temperature."""


class ProbeResult(NamedTuple):
    """What two standards say of a probe: true = slope times shown plus offset."""

    slope: Estimate
    offset_ms_cm: float

    def true_ms_cm(self, shown_ms_cm: float) -> float:
        """Return what the solution really has where the probe shows so much."""
        return self.slope.value * shown_ms_cm + self.offset_ms_cm


def probe_result(
    shown_ms_cm: Mapping[float, float], at_c: Mapping[float, float], reading_u_ms_cm: float
) -> ProbeResult:
    """Return slope and offset of a probe from what it shows in two standards, by their mol/kg; AIR may be one of them.

    `at_c` is each solution's own temperature, for a probe that compensates nothing; for one that compensates to 25 °C
    give 25. `reading_u_ms_cm` is the k = 2 of a reading. Raises ValueError for anything but two standards, or a probe
    that tells no more in the stronger one.
    """
    known = {AIR, *_STANDARDS}
    if len(shown_ms_cm) != 2 or not shown_ms_cm.keys() <= known or at_c.keys() != shown_ms_cm.keys():
        raise ValueError(f"got standards {sorted(shown_ms_cm)}; expected two of {sorted(known)} mol/kg (0: dry in air)")
    weak, strong = sorted(shown_ms_cm)
    shown = shown_ms_cm[strong] - shown_ms_cm[weak]
    if shown <= 0.0:
        raise ValueError(
            f"got {shown_ms_cm[strong]:g} mS/cm in the strong and {shown_ms_cm[weak]:g} in the weak one; expected more "
            "in the strong one: are they swapped, or the probe dry?"
        )
    true = standard_ms_cm(strong, at_c[strong]) - standard_ms_cm(weak, at_c[weak])
    slope = true / shown
    u = slope * math.sqrt(2.0) * reading_u_ms_cm / shown
    return ProbeResult(Estimate(slope, u), standard_ms_cm(weak, at_c[weak]) - slope * shown_ms_cm[weak])


class MeterResult(NamedTuple):
    """A meter against what was caught."""

    error_pct: Estimate
    """What it counts too much, in percent of what passed."""
    pulses: float
    """How many counts it made: fewer than 50 resolve no 2 %."""


def meter_result(counted_l: float, caught_l: Estimate, per_count_l: float, seconds: float) -> MeterResult:
    """Return a meter's error against a tank whose litres are known.

    Raises ValueError where nothing passed, and for a test that was too short.
    """
    if not (counted_l > 0.0 and caught_l.value > 0.0):
        raise ValueError(f"got {counted_l:g} L counted and {caught_l.value:g} caught; expected more than 0 of both")
    if seconds < LEAST_S:
        raise ValueError(
            f"got {seconds:g} s; expected {LEAST_S:g} or more, so that the ends of the count matter little"
        )
    ratio = counted_l / caught_l.value
    u = ratio * math.hypot(caught_l.u / caught_l.value, per_count_l / counted_l)
    return MeterResult(Estimate(100.0 * (ratio - 1.0), 100.0 * u), counted_l / per_count_l if per_count_l else math.inf)
