"""The pulse that stock makes in the line's EC: its rise over the water, summed over the water that carries it.

Every gram of salt that passes the probe adds its slope to this sum, at whatever rate and in whatever order it comes, so
neither the probe's lag nor the dispersion on the way to it matters once the tail has passed.
"""

from typing import NamedTuple


class Pulse(NamedTuple):
    """What the probes have seen of the stock of some channels."""

    ms_cm_l: float = 0.0
    """Rise times water, in mS/cm times litres."""
    water_l: float = 0.0
    """Water over which it was seen."""
    blind_l: float = 0.0
    """Water that passed while it could not be read."""
    waiting_ms_cm_s: float = 0.0
    """Since the totaliser last counted: the mean of this time is carried by its next count."""
    waiting_s: float = 0.0


def carried(pulse: Pulse, rise_ms_cm: float | None, water_l: float, dt_s: float) -> Pulse:
    """Return the pulse after one more scan with `water_l` counted in it.

    `rise_ms_cm` is that over the water before the injection; None where it is not known.
    """
    if rise_ms_cm is not None:
        waiting_s = pulse.waiting_s + dt_s
        waiting_ms_cm_s = pulse.waiting_ms_cm_s + rise_ms_cm * dt_s
    else:
        waiting_s, waiting_ms_cm_s = pulse.waiting_s, pulse.waiting_ms_cm_s
    if water_l <= 0.0:
        return Pulse(pulse.ms_cm_l, pulse.water_l, pulse.blind_l, waiting_ms_cm_s, waiting_s)
    if waiting_s <= 0.0:
        return pulse._replace(blind_l=pulse.blind_l + water_l)
    return Pulse(pulse.ms_cm_l + waiting_ms_cm_s / waiting_s * water_l, pulse.water_l + water_l, pulse.blind_l)


def less_drift(pulse: Pulse, drift_ms_cm: float) -> float:
    """Return the pulse's sum without what the probes drifted against each other meanwhile, in mS/cm times litres.

    `drift_ms_cm` is what the rise is above zero after the tail has passed; half of it, on a straight line, was in all
    the water.
    """
    return pulse.ms_cm_l - 0.5 * drift_ms_cm * pulse.water_l
