"""What crosses the local socket: commands in, answers and snapshots out, and the version of their form."""

from dataclasses import dataclass, field
from enum import Enum
from typing import Any

PROTOCOL = 7
DAEMON = "daemon"
"""The role of a command that nobody gave: the timetable's, and the stop when the controller ends."""
OPERATOR = "operator"
TECHNICIAN = "technician"
"""The roles of people who may give control commands; both may do what an operator may."""
RECORD = "record"
"""What the record has for the verb of a record command."""


class Verb(Enum):
    """The control commands. Record commands (decisions) have their own kinds and never reach `decide`."""

    START = "start"
    """Run shifts one after the other (argument: programs, a list), or water one block now (arguments: block, minutes).
    From HELD: go on with the run."""
    HOLD = "hold"
    STOP_FERTILISER = "stop-fertiliser"
    """Injection ends for good in this run; water and flush go on."""
    STOP_EVERYTHING = "stop-everything"
    """Controlled stop in safe order, category ONE."""
    RESET = "reset"
    """Return an ended procedure to IDLE. Clears no latch that needs someone at the machine."""
    MODE = "mode"
    """Change who commands the unit (argument: mode). Only while nothing is active."""
    FORCE = "force"
    """Hold an output for a time (arguments: target, on, minutes, reason, drive for an injector)."""
    BYPASS = "bypass"
    """Set a non-critical interlock aside for a time (arguments: code, minutes, reason). A technician's."""
    RELEASE = "release"
    """End leases before their time (argument: target, a forced output or a bypassed code; none: all)."""
    ACKNOWLEDGE = "acknowledge"
    """Say that an alarm has been seen (argument: code; none: all). Changes no process action."""
    SHELVE = "shelve"
    """Keep an alarm quiet for a time (arguments: code, minutes, reason). Changes no process action."""
    UNSHELVE = "unshelve"
    """Let it speak again (argument: code)."""


@dataclass(frozen=True, slots=True)
class Command:
    """A change somebody asks for. The id makes it idempotent: the same id is answered as before and done once."""

    id: str
    who: str
    role: str
    verb: Verb
    arguments: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a command, given after the scan that decided it."""

    id: str
    accepted: bool
    reason: str
    """In plain words; says what to do when the command was refused."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The plant and the run as one scan saw them, for everybody outside the daemon."""

    at_ms: int
    clock_trusted: bool
    simulated: bool
    site: str
    scan: int
    mode: str
    procedure: str
    phase: str | None
    run: str | None
    shift: str | None
    queue: list[str]
    """The shifts that come after it."""
    readings: dict[str, dict[str, Any]]
    outputs: dict[str, Any]
    progress: dict[str, float]
    estimates: list[dict[str, Any]]
    """Of each channel that has injected in this run: its stock by meter, tank, EC and by all of them, in litres with
    their k = 2; None and why for one that is silent."""
    owed: list[dict[str, Any]]
    alarms: list[dict[str, Any]]
    """By priority, then as they came; each with its state (ISA-18.2), what it does, what it means and what to check."""
    leases: list[dict[str, Any]]
    """Outputs that are forced and interlocks that are bypassed: by whom, why, and for how much longer."""
    ledger: dict[str, Any]
    links: dict[str, Any]
    tonight: dict[str, Any]
    """The next start of the timetables, and what to see to before it."""
    devices: dict[str, Any]
    """How each device answers: its state in words and its counters."""
    late_s: float = 0.0
    """How much later than its time the scan began."""
    missed_scans: int = 0
    """Since the start: scans that began more than a whole scan's time late."""
    step: dict[str, Any] = field(default_factory=dict)
    """The attempt at a step of the commissioning that is under way: its stage, what it asks for, its result."""
