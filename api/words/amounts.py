"""Figures with their units, put into what the site uses at the very edge: inside all is metric."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Amount:
    """A figure that is to be read by people."""

    value: float
    unit: str
    """As UNITS has it."""
    is_bare: bool = False
    """Without its unit, which the sentence names."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit that is to be read after several figures."""

    unit: str


UNITS: Final = {
    "kg/ha": ("kg/ha", 0.892179, "lb/ac"),
    "kg": ("kg", 2.204623, "lb"),
    "ha": ("ha", 2.471054, "ac"),
    "m3": ("m³", 0.264172, "kgal"),
    "m3/h": ("m³/h", 4.402868, "gpm"),
    "L": ("L", 0.264172, "gal"),
    "L/h": ("L/h", 0.264172, "gal/h"),
    "mm": ("mm", 0.03937008, "in"),
    "kPa": ("kPa", 0.145038, "psi"),
    "mS/cm": ("mS/cm", 1.0, "mS/cm"),
    "g/L": ("g/L", 0.00834540, "lb/gal"),
    "min": ("min", 1.0, "min"),
    "%": ("%", 1.0, "%"),
}
"""The metric unit as it is written, what of the other one it is, and that (NIST SP 811, appendix B.8: avoirdupois pound
0.45359237 kg, inch 25.4 mm, U.S. gallon 3.785412 L, acre 4046.873 m2, pound-force a square inch 6.894757 kPa)."""


def converted(amount: Amount, system: str) -> tuple[float, str]:
    """Return the figure and its unit in a system: metric or us."""
    metric, factor, us = UNITS[amount.unit]
    return (amount.value * factor, us) if system == "us" else (amount.value, metric)


def decimals(value: float) -> int:
    """Return how many decimals say as much as instruments can: two or three figures."""
    size = abs(value)
    return 0 if size >= 99.5 or size < 0.005 else 1 if size >= 0.995 else 2
