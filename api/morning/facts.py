"""What is known of one night, block by block and run by run: what the sentences are made of."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import Enum
from typing import Final

BY_HAND: Final = "stopped-by-hand"
FERTILISER_BY_HAND: Final = "fertiliser-stopped-by-hand"
"""What a run was stopped by where somebody asked for it."""


class Verdict(Enum):
    """How what was given stands to what was planned."""

    FINE = "fine"
    """Within a tenth, or as close as the instruments can tell."""
    SHORT = "short"
    OVER = "over"


class Ending(Enum):
    """How a run ended."""

    OPEN = "open"
    """It has not, as far as the record knows."""
    WHOLE = "whole"
    """With its water carried through."""
    STOPPED = "stopped"
    """Before that: by a cause, or by somebody."""
    CUT = "cut"
    """With the power, or with the controller."""
    DROPPED = "dropped"
    """It never began: what came before it had ended the night."""


@dataclass(frozen=True, slots=True)
class NutrientNight:
    """One nutrient on one block, in kg/ha, by all that speaks of it."""

    nutrient: str
    planned_kg_ha: float
    delivered_kg_ha: float
    u_kg_ha: float
    """k = 2 of what was delivered."""
    in_lines_kg_ha: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class BlockNight:
    """One block, all its runs of the night together."""

    block: str
    area_ha: float
    planned_m3: float
    water_m3: float
    nutrients: tuple[NutrientNight, ...]
    """Nitrogen first, then by how much was planned; none where no fertiliser was."""
    water: Verdict

    @property
    def lead(self) -> NutrientNight | None:
        """Return the nutrient that stands for all: the first that is not as planned, else the first."""
        missed = (found for found in self.nutrients if found.verdict is not Verdict.FINE)
        return next(missed, self.nutrients[0] if self.nutrients else None)

    @property
    def fertiliser(self) -> Verdict:
        """Return the worst of its nutrients' verdicts."""
        found = {nutrient.verdict for nutrient in self.nutrients}
        return Verdict.OVER if Verdict.OVER in found else Verdict.SHORT if Verdict.SHORT in found else Verdict.FINE

    @property
    def is_fine(self) -> bool:
        """Whether it got what was planned, water and fertiliser."""
        return self.water is Verdict.FINE and self.fertiliser is Verdict.FINE


@dataclass(frozen=True, slots=True)
class Doubt:
    """One channel's instruments do not agree."""

    channel: str
    meter_l: float | None
    tank_l: float | None
    """None where it is silent, as of the others."""
    ec_l: float | None
    causes: tuple[str, ...]
    """Keys of what is likely wrong, the likeliest first."""


@dataclass(frozen=True, slots=True)
class RunNight:
    """One run."""

    run: str
    shift: str
    blocks: tuple[str, ...]
    began: datetime
    last: datetime
    """When it ended, or the last sign of it."""
    ending: Ending
    phase: str
    """The last that it was in; empty before the first."""
    cause: str
    """The cause that took its fertiliser or ended it, BY_HAND or FERTILISER_BY_HAND; else empty."""
    at: datetime | None
    """When that came; None where the record does not say."""
    has_injected: bool
    was_to_inject: bool
    doubts: tuple[Doubt, ...]


class Why(Enum):
    """Why something that was due did not run."""

    LATE = "late"
    """Its start was missed, and it was too late for it then."""
    REFUSED = "refused"
    """It could not be planned as it stands."""
    AFTER = "after"
    """What came before it had ended the night."""
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Missed:
    """Blocks that were due and did not run."""

    blocks: tuple[str, ...]
    why: Why
    reason: str = ""
    """The planner's own words, where it refused; else empty."""
    rule: str = ""
    """The first of what it refused it for."""


@dataclass(frozen=True, slots=True)
class Changed:
    """What somebody decided for this night."""

    blocks: tuple[str, ...]
    does: str
    """skip, water_only or water_share."""
    why: str


@dataclass(frozen=True, slots=True)
class NightFacts:
    """One night, as the record has it."""

    night: date
    """The date of its evening."""
    blocks: tuple[BlockNight, ...]
    runs: tuple[RunNight, ...]
    missed: tuple[Missed, ...]
    changed: tuple[Changed, ...]
    owed_m3: Mapping[str, float]
    """Water that a flush still takes, by block, and main for the shared main. As it stands now; of an older night what
    its own runs left."""
    standing: tuple[str, ...]
    """Causes that somebody has to reset before fertiliser goes in again; none of an older night."""

    def only(self, run: str) -> "NightFacts":
        """Return the facts of one run's blocks alone."""
        runs = tuple(one for one in self.runs if one.run == run)
        names = {block for one in runs for block in one.blocks}
        blocks = tuple(block for block in self.blocks if block.block in names)
        return replace(self, blocks=blocks, runs=runs, missed=(), changed=())

    @property
    def running(self) -> RunNight | None:
        """Return the run that has not ended."""
        return next((run for run in reversed(self.runs) if run.ending is Ending.OPEN), None)
