"""The three enums in ISA-88's words, the one table of allowed transitions, and the one function that changes state."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum, IntEnum
from types import MappingProxyType
from typing import Final


class UnitMode(Enum):
    """Who commands the unit."""

    AUTOMATIC = "AUTOMATIC"
    SEMI_AUTOMATIC = "SEMI_AUTOMATIC"
    MANUAL = "MANUAL"
    OUT_OF_SERVICE = "OUT_OF_SERVICE"


class ProcedureState(Enum):
    """Where the procedure stands. States in -ING act, the others wait."""

    __hash__ = object.__hash__  # identity, as equality is; a scan looks states up dozens of times

    IDLE = "IDLE"
    RUNNING = "RUNNING"
    HOLDING = "HOLDING"
    HELD = "HELD"
    RESTARTING = "RESTARTING"
    STOPPING = "STOPPING"
    STOPPED = "STOPPED"
    ABORTING = "ABORTING"
    ABORTED = "ABORTED"
    COMPLETE = "COMPLETE"


class Phase(Enum):
    """The phase of a running shift."""

    __hash__ = object.__hash__

    FILL = "FILL"
    PREWET = "PREWET"
    INJECT = "INJECT"
    FLUSH = "FLUSH"


class Effect(IntEnum):
    """What a cause does, the worst last. ZERO, ONE and TWO are the stop categories of IEC 60204-1."""

    NONE = 0
    PAUSE = 1
    """Injector off while the cause lasts; water goes on."""
    WATER_ONLY = 2
    """Injection is over for this run; planned water and flush are carried through."""
    TWO = 3
    """Hold, energised."""
    RELEASE = 4
    """All outputs off in this scan and the procedure held dry: somebody is at the machine, or it has restarted."""
    ONE = 5
    """Controlled stop in safe order, flush owed."""
    ZERO = 6
    """All energy off in this scan, flush owed."""


_P = ProcedureState
ALLOWED: Final[Mapping[ProcedureState, frozenset[ProcedureState]]] = MappingProxyType(
    {
        _P.IDLE: frozenset({_P.RUNNING}),
        _P.RUNNING: frozenset({_P.HOLDING, _P.STOPPING, _P.ABORTING, _P.COMPLETE}),
        _P.HOLDING: frozenset({_P.HELD, _P.STOPPING, _P.ABORTING}),
        _P.HELD: frozenset({_P.RESTARTING, _P.STOPPING, _P.ABORTING}),
        _P.RESTARTING: frozenset({_P.RUNNING, _P.HOLDING, _P.STOPPING, _P.ABORTING}),
        _P.STOPPING: frozenset({_P.STOPPED, _P.ABORTING}),
        _P.STOPPED: frozenset({_P.IDLE}),
        _P.ABORTING: frozenset({_P.ABORTED}),
        _P.ABORTED: frozenset({_P.IDLE}),
        _P.COMPLETE: frozenset({_P.IDLE}),
    }
)

ACTIVE: Final = frozenset({_P.RUNNING, _P.HOLDING, _P.HELD, _P.RESTARTING, _P.STOPPING, _P.ABORTING})
ENDED: Final = frozenset({_P.STOPPED, _P.ABORTED, _P.COMPLETE})
WATERING: Final = frozenset({_P.RUNNING, _P.HOLDING, _P.HELD, _P.RESTARTING})
"""States in which the shift's water is wanted, but for a dry hold."""


@dataclass(frozen=True, slots=True)
class Unit:
    """The three states of the unit together."""

    mode: UnitMode = UnitMode.SEMI_AUTOMATIC
    procedure: ProcedureState = ProcedureState.IDLE
    phase: Phase | None = None


class TransitionError(Exception):
    """A transition that the table does not allow: a fault in the program."""

    code = "control.transition"


def transition(unit: Unit, to: ProcedureState) -> Unit:
    """Return the unit in procedure state `to`; it loses its phase when the run is no longer watering.

    Raises TransitionError when the table does not allow it.
    """
    if to not in ALLOWED[unit.procedure]:
        raise TransitionError(f"{unit.procedure.value} may not become {to.value}")
    return replace(unit, procedure=to, phase=unit.phase if to in WATERING else None)


def enter(unit: Unit, phase: Phase) -> Unit:
    """Return the running unit in `phase`."""
    return replace(unit, phase=phase)
