"""A displacement tank: fully mixed, and washed out by the water that passes through it.

What leaves it thins out as exp(-v/V), v litres through a tank of V. While solids lie undissolved in it, it stays as
strong as what dissolves (domain sheet 6, T1 to T3).
"""

import math

from daemon.agronomy.density import density_kg_l
from daemon.agronomy.saturation import interpolated
from daemon.agronomy.substance import Substance

WASHED_OUT = 0.98
"""A tank counts as washed out at this share, after some four of its volumes (domain sheet, T1)."""
_PASSES = 20


def volumes_passed(through_l: float, tank_l: float) -> float:
    """Return how many of its own volumes have passed through a tank."""
    return through_l / tank_l


def washed_out(volumes: float) -> float:
    """Return the share of a dissolved load that has left after so many volumes."""
    return -math.expm1(-volumes)


def through_l_for(share: float, tank_l: float) -> float:
    """Return the litres through the tank that take this share, under 1, of a dissolved load out."""
    return -math.log1p(-share) * tank_l


def dissolving_l(load_g: float, saturated_g_l: float, tank_l: float) -> float:
    """Return the litres through the tank until the last solid has dissolved; 0 where all is dissolved."""
    return max(0.0, load_g / saturated_g_l - tank_l)


def left_g(load_g: float, saturated_g_l: float, tank_l: float, through_l: float) -> float:
    """Return what is left of a load, solids among it, when `through_l` have passed."""
    constant_l = dissolving_l(load_g, saturated_g_l, tank_l)
    if through_l <= constant_l:
        return load_g - saturated_g_l * through_l
    return min(load_g, saturated_g_l * tank_l) * math.exp(-(through_l - constant_l) / tank_l)


def through_l_with_solids(share: float, load_g: float, saturated_g_l: float, tank_l: float) -> float:
    """Return the litres through the tank that take this share, under 1, of a load out, solids among it."""
    constant_l = dissolving_l(load_g, saturated_g_l, tank_l)
    if share * load_g <= saturated_g_l * constant_l:
        return share * load_g / saturated_g_l
    return constant_l + tank_l * math.log(min(load_g, saturated_g_l * tank_l) / ((1.0 - share) * load_g))


def saturated_g_l(product: Substance, at_c: float) -> float | None:
    """Return the grams as weighed in a litre of saturated solution; None where nobody knows."""
    to_water = interpolated(product.solubility_g_per_100_g, at_c)
    if to_water is None:
        return None
    share, g_l = to_water / (100.0 + to_water), 0.0
    for _ in range(_PASSES):  # what a litre weighs depends on what is in it
        g_l = 1000.0 * share * density_kg_l([(product, g_l)])
    return g_l
