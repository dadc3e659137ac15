"""What the blocks have had: the ledger's rows, as far as budgets and caps ask."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class PastDose:
    """What one run gave one block of one nutrient, by its newest statement."""

    run: str
    block: str
    nutrient: str
    at: datetime
    """Start of the run: it counts whole for the day, stage and year for which it was planned and its caps checked."""
    planned_kg: float
    delivered_kg: float
    """Out of the emitters."""
    committed_kg: float
    """Delivered and still in the lines: what caps count."""
    u_kg: float
    """k = 2 of what was delivered."""
    is_disputed: bool
    """Whether it is not known well enough to make up a shortfall: counts moved while nobody watched, or its estimates
    disagree."""
    is_revised: bool
    """Whether a corrected mix restated it."""


@dataclass(frozen=True, slots=True)
class PastWater:
    """Water that one run brought to one block."""

    run: str
    block: str
    at: datetime
    """Start of the run."""
    m3: float
    source: str
    """The water analysis of the program; empty for none."""


@dataclass(frozen=True, slots=True)
class Past:
    """All of it."""

    doses: tuple[PastDose, ...] = ()
    water: tuple[PastWater, ...] = ()
