"""Frozen rows of evidence: what happened, as `decide` and commissioning say it. The ledger keeps them and seals them.

Rows hold whole numbers of small units (mL, mg, ms) and no time of their own: the runtime stamps all rows of a scan.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RunStarted:
    """A run begins. Holds what it was planned to be."""

    run: str
    shift: str
    site_digest: str
    recipe: str
    """The recipe as canonical JSON."""


@dataclass(frozen=True, slots=True)
class PhaseEnded:
    """A phase is over."""

    run: str
    phase: str
    duration_ms: int
    water_ml: int
    stock_ml: int
    why: str


@dataclass(frozen=True, slots=True)
class InjectionIntent:
    """The injector is about to open. Durable before it does."""

    run: str
    channel: str
    stock: str
    batch: str
    reserved_ml: int
    """Stock that may be injected under this intent."""
    owed_ml: int
    """Water that will have to flush the path."""
    nutrients_ug_ml: str
    """Strength of the stock as canonical JSON, nutrient to whole µg/mL (the same number as mg/L)."""


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """Where the injection stands: at most `checkpoint_s` apart while injecting."""

    run: str
    channel: str
    phase: str
    water_ml: int
    stock_ml: int
    water_count_ml: int
    """The main totaliser as read, so that what moves while nobody watches can be told."""
    stock_count_ml: int


@dataclass(frozen=True, slots=True)
class Dose:
    """What one block received of one nutrient from one channel, by one estimate. Uncertainties are k = 2."""

    run: str
    block: str
    channel: str
    nutrient: str
    estimate: str
    """METER, EC or TANK: which independent estimate this is."""
    basis: str
    """measured, or estimated where counts moved while nobody watched."""
    planned_mg: int
    injected_mg: int
    delivered_mg: int
    """Out of the emitters, by displaced volume."""
    in_lines_mg: int
    lost_mg: int
    u_injected_mg: int
    u_delivered_mg: int


@dataclass(frozen=True, slots=True)
class DoseReconciled:
    """What a run's independent estimates say together of one channel's stock. Uncertainties are k = 2.

    All volumes are of stock at the strength that its doses are stated with. An estimate that is silent has 0 for both.
    """

    run: str
    channel: str
    meter_ml: int
    u_meter_ml: int
    """With what the strength is unsure of, as those that follow."""
    tank_ml: int
    u_tank_ml: int
    ec_ml: int
    u_ec_ml: int
    dose_ml: int
    """By all of them together."""
    u_dose_ml: int
    volume_en_thousandths: int
    """Normalised error of the meter against the tank; 0 where the tank is silent."""
    strength_en_thousandths: int
    """Of EC against the volume; 0 where EC is silent."""
    tank_silent: str
    """Why the tank says nothing; empty where it speaks."""
    ec_silent: str
    causes: str
    """What is likely wrong, the likeliest first, as a list in JSON."""
    beside: str
    """Channels whose stock EC cannot part from this one's, as a list in JSON."""


@dataclass(frozen=True, slots=True)
class DoseRestated:
    """A dose as it is stated anew, since what was in the tank was corrected. The `Dose` stays; the newest row holds."""

    run: str
    block: str
    channel: str
    nutrient: str
    """Perhaps one that no `Dose` of the run had; one that was not in the tank after all is stated as nothing."""
    estimate: str
    """Which `Dose` it restates: METER or TANK. What EC says does not rest on the tank's litres."""
    basis: str
    """As the `Dose` had it."""
    planned_mg: int
    """As it was planned at the time."""
    injected_mg: int
    delivered_mg: int
    in_lines_mg: int
    lost_mg: int
    u_injected_mg: int
    u_delivered_mg: int
    mix: str
    """Key of the mix that was corrected, or entered late."""
    why: str
    who: str


@dataclass(frozen=True, slots=True)
class FlushOwed:
    """Stock is in the pipes of `segment` and must be flushed out. Bars the next injection into it until then."""

    segment: str
    """A block's name, or "main" for the shared main."""
    stock: str
    run: str
    owed_ml: int


@dataclass(frozen=True, slots=True)
class FlushCleared:
    """The segment has been flushed."""

    segment: str
    stock: str
    water_ml: int
    why: str


@dataclass(frozen=True, slots=True)
class AlarmRaised:
    """A cause became true. `code` is an interlock's."""

    code: str
    effect: str
    latched: bool


@dataclass(frozen=True, slots=True)
class AlarmCleared:
    """The cause is gone, and reset where it needed a reset."""

    code: str


@dataclass(frozen=True, slots=True)
class LeaseGranted:
    """Somebody forces an output or bypasses an interlock, for a time."""

    lease: str
    """Id of the command."""
    kind: str
    """force or bypass."""
    target: str
    is_on: bool
    seconds: int
    who: str
    reason: str


@dataclass(frozen=True, slots=True)
class LeaseEnded:
    """A lease is over."""

    lease: str
    target: str
    why: str


@dataclass(frozen=True, slots=True)
class CommandAnswered:
    """Somebody asked for something, and what became of it."""

    command: str
    who: str
    role: str
    verb: str
    arguments: str
    accepted: bool
    reason: str


@dataclass(frozen=True, slots=True)
class StartClaimed:
    """A start of a timetable, claimed before it is made: each once in a night, whatever happens in between."""

    timetable: str
    number: int
    """Its place in the timetable's starts, from 0."""
    night: str
    """The date of its evening, as YYYY-MM-DD."""
    part: int
    """0, then 1 and so on for what a stop of the controller left over."""
    due_ms: int
    programs: str
    """As a list in JSON, in their order; empty for one that was skipped."""
    command: str
    """Id of the START; empty for one that was skipped."""
    why: str
    """Why it was skipped; empty for one that was made."""


@dataclass(frozen=True, slots=True)
class NightPlanned:
    """What will run on a night, as the daemon saw it then."""

    night: str
    """The date of its evening, as YYYY-MM-DD."""
    why: str
    """What made it plan."""
    plan: str
    """As JSON."""


@dataclass(frozen=True, slots=True)
class Unscheduled:
    """Water or stock that moved outside any run."""

    channel: str
    """"main" for water, else the injector."""
    volume_ml: int
    basis: str
    why: str


@dataclass(frozen=True, slots=True)
class RunEnded:
    """A run is over: how the procedure ended and whether the dose was delivered."""

    run: str
    state: str
    """ProcedureState at the end."""
    outcome: str
    """DELIVERED, SHORT, OVER or NOT_RUN."""
    why: str
    water_ml: int
    duration_ms: int


@dataclass(frozen=True, slots=True)
class StepBegun:
    """An attempt at a step of the commissioning begins."""

    attempt: str
    step: str
    subject: str
    """What it is done for: a block, an injector, an instrument, a cause."""
    section: str
    """Digest of the part of the site file that it is about."""
    who: str


@dataclass(frozen=True, slots=True)
class StepEntered:
    """What one stage of an attempt brought: entered by somebody, or kept by the daemon."""

    attempt: str
    stage: str
    brought: str
    """As JSON: what was entered, and the readings that were kept."""
    who: str


@dataclass(frozen=True, slots=True)
class StepTurned:
    """An attempt was cut off, or goes on from an earlier stage: what was entered there and later counts no more."""

    attempt: str
    stage: str
    """That it goes on from."""
    why: str
    who: str


@dataclass(frozen=True, slots=True)
class StepEnded:
    """An attempt is over."""

    attempt: str
    state: str
    """ACCEPTED or ABORTED."""
    verdict: str
    """PASSED, DOUBTFUL or FAILED; empty where there is no result."""
    result: str
    """As JSON; empty where there is none."""
    why: str
    who: str


@dataclass(frozen=True, slots=True)
class Event:
    """Anything else worth a line in the record: a boot, a mode, a link lost or back."""

    code: str
    detail: str


Evidence = (
    RunStarted
    | PhaseEnded
    | InjectionIntent
    | Checkpoint
    | Dose
    | DoseReconciled
    | DoseRestated
    | FlushOwed
    | FlushCleared
    | AlarmRaised
    | AlarmCleared
    | LeaseGranted
    | LeaseEnded
    | CommandAnswered
    | Unscheduled
    | RunEnded
    | Event
    | StartClaimed
    | NightPlanned
    | StepBegun
    | StepEntered
    | StepTurned
    | StepEnded
)
