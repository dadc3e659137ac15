"""What one night is going to be, in words that the planner fills and everybody else reads."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime

from daemon.agronomy.past import Past
from daemon.planning.bars import Bar
from daemon.planning.checks import Check
from daemon.planning.timetable import Start
from daemon.recipe import Recipe


@dataclass(frozen=True, slots=True)
class Known:
    """What the record and the plant tell, besides what people decided."""

    past: Past
    held_l: Mapping[str, float]
    """Litres in each tank now, where that is known."""
    begun: frozenset[tuple[str, int, date]] = frozenset()
    """Starts that have been made already, or skipped: `Start.name`."""
    water_m3: Mapping[str, float] = field(default_factory=dict)
    """Taken by the farm so far in each allocation's time, by its key; `used_before_m3` is not among it."""
    bars: tuple[Bar, ...] = ()
    """What keeps fertiliser out of which runs."""


@dataclass(frozen=True, slots=True)
class TonightRun:
    """One program of one start."""

    program: str
    shift: str
    begins: datetime
    """UTC, as expected from the runs before it."""
    ends: datetime
    """UTC; as `begins` where it does not run."""
    recipe: Recipe | None
    """None where it does not run."""
    checks: tuple[Check, ...]
    refusal: str = ""
    """Why it does not run."""


@dataclass(frozen=True, slots=True)
class TonightStart:
    """One start of a timetable with its runs."""

    start: Start
    is_begun: bool
    runs: tuple[TonightRun, ...]


@dataclass(frozen=True, slots=True)
class TankTonight:
    """Whether a tank holds what the night needs."""

    tank: str
    stock: str
    held_l: float | None
    """None where nobody knows."""
    usable_l: float | None
    """Above the level at which its injector would draw air."""
    needed_l: float
    by: datetime
    """UTC: its first injection begins."""

    @property
    def lacks_l(self) -> float:
        """Return what must be mixed besides; 0 where there is enough, or nobody knows what there is."""
        return max(0.0, self.needed_l - self.usable_l) if self.usable_l is not None else 0.0


@dataclass(frozen=True, slots=True)
class Outlook:
    """One night."""

    night: date
    starts: tuple[TonightStart, ...]
    """By time; those that are begun already have no runs."""
    tanks: tuple[TankTonight, ...]
    checks: tuple[Check, ...]
    """Of the whole night: two starts that meet, the end of it, dear hours, the allocation."""
