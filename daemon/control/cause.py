"""What a row of the cause-and-effect matrix is, who may clear it, and what its condition may look at."""

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from typing import NamedTuple

from daemon.control.backwash import Wash
from daemon.control.image import Outputs
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.sense_channel import ChannelFacts
from daemon.control.states import Effect, Phase, Unit
from daemon.site import Site


class Reset(Enum):
    """Who may clear a latched cause once it is gone."""

    ITSELF = "itself"
    OPERATOR = "operator"
    AT_MACHINE = "at the machine"


class Priority(IntEnum):
    """How soon somebody must act (ISA-18.2)."""

    NONE = 0
    """No alarm: the plant sees to it, and there is nothing to do."""
    LOW = 1
    """In the morning."""
    MEDIUM = 2
    """Before the next start."""
    HIGH = 3
    """At once, for whoever is awake."""
    CRITICAL = 4
    """At once. May wake people."""


class Situation(NamedTuple):
    """What a row's condition may look at."""

    site: Site
    facts: Facts
    unit: Unit
    last: Outputs
    run: Run | None
    wash: Wash = Wash()
    needed: tuple[tuple[str, ChannelFacts], ...] = ()
    """The channels that the run has still to inject with, by name."""
    owed_l: float = 0.0
    """Water that it takes to flush this shift's pipes of all that is owed there, whatever of it has passed."""
    main_owed_l: float = 0.0
    """Water that the shared main still owes."""
    owed_s: float = 0.0
    """Age of the oldest flush that is owed anywhere; 0 when none is."""
    off_s: float = 0.0
    """How long the pump has been commanded off."""


def _always(situation: Situation) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Interlock:
    """One row of the matrix."""

    code: str
    holds: Callable[[Situation], bool]
    effect: Effect
    delay_s: Callable[[Site], float] = field(default=lambda site: 0.0)
    """How long it must hold before it is in force."""
    stays: Callable[[Situation], bool] | None = None
    """The condition by which a cause in force stays so: its dead band. None: by `holds`."""
    clear_s: Callable[[Site], float] = field(default=lambda site: 0.0)
    """How long it must be gone before it is not in force any more."""
    phases: frozenset[Phase | None] = frozenset({None, *Phase})
    """Phases in which it is judged; None stands for no phase."""
    latched: bool = False
    reset: Reset = Reset.ITSELF
    known: Callable[[Situation], bool] = _always
    """Whether the readings it is judged by can be had: a latched cause that cannot be judged is not gone."""
    channels: Callable[[Situation], frozenset[str]] | None = None
    """The injection channels that a true row is about; None: the whole plant."""
    of_shift: bool = False
    """A run that it ends failed by the shift's own fault, and the next shift may begin. Else main, pump, supply, filter
    or safety may be at fault, and what comes after would fail, or do harm, as well."""
    resumes: bool = False
    """The dry hold that it makes ends by itself once it is gone."""
    bypassable: bool = False
    """Not critical: a technician may set it aside for a time."""
    priority: Priority = Priority.MEDIUM
    wakes: bool = False
    """May wake people."""
    magnitude: str = ""
    """From which size on it must be seen, in words."""
    instrument_s: float = 2.0
    """Time until the instruments show what is so."""
    window_s: Callable[[Site], float] = field(default=lambda site: 0.0)
    """What it looks back over before it can tell, besides its delay."""
    meaning: str = ""
    likely: str = ""
    """Its likely cause."""
    check: str = ""
    """What to look at first."""

    def safety_time_s(self, site: Site) -> float:
        """Return the time within which it must have acted: instrument, window, delay and two scans."""
        return self.instrument_s + self.window_s(site) + self.delay_s(site) + 2.0 * site.site.scan_s
