"""What a control command asks for, and what all that were admitted in one scan ask of the procedure together."""

from dataclasses import dataclass

from daemon.control.lease import Lease
from daemon.control.states import UnitMode
from daemon.messages import OPERATOR, TECHNICIAN, Verb
from daemon.recipe import Recipe


@dataclass(frozen=True, slots=True)
class Request:
    """A control command as `decide` sees it. A START from rest carries what was planned for it, shift after shift."""

    id: str
    verb: Verb
    recipes: tuple[Recipe, ...] = ()
    role: str = OPERATOR
    who: str = ""
    mode: UnitMode | None = None
    """Of MODE."""
    lease: Lease | None = None
    """Of FORCE and BYPASS."""
    target: str = ""
    """The alarm's code, or what a RELEASE ends; empty: all."""
    seconds: float = 0.0
    """How long an alarm is shelved."""
    reason: str = ""
    fault: str = ""
    """Why what was given with it cannot be used: it is refused, and recorded like any other."""

    @property
    def is_person(self) -> bool:
        """Somebody who may asks; a START by the timetable resets nothing that waits for a person."""
        return self.role in (OPERATOR, TECHNICIAN)


@dataclass(frozen=True, slots=True)
class Asked:
    """What the admitted commands of this scan ask of the procedure, all together."""

    start: tuple[Recipe, ...] = ()
    dropped: tuple[tuple[Recipe, str], ...] = ()
    """What a START asked for and the weather keeps from beginning, each with why."""
    restart: bool = False
    hold: bool = False
    stop_fertiliser: bool = False
    stop_everything: bool = False
    reset: bool = False
    mode: UnitMode | None = None
    granted: tuple[Lease, ...] = ()
    ended: tuple[str, ...] | None = None
    """Targets of the leases to end, empty for all; None: nobody asks."""
    acknowledged: tuple[str, ...] | None = None
    """Codes of the alarms that were seen, empty for all."""
    shelved: tuple[tuple[str, float], ...] = ()
    """Codes to keep quiet, and for how long; for no time: to let speak again."""
