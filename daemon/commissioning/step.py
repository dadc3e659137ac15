"""The form of a step: what a technician is told, asked and shown, and what comes of it.

A step is a way through stages that is found anew from what was entered so far: `then(site, subject, entries)` returns
the next stage, or None when all is there. So an attempt is its entries, and goes on after a restart where it stood.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from enum import Enum
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.decisions.base import Decision, Decisions
from daemon.dosing.agreement import Estimate
from daemon.equipment import Part
from daemon.site import Plant, Site

_NONE: Final[Mapping[str, Any]] = MappingProxyType({})
_LONGEST_TEXT: Final = 200
_MOST_NUMBERS: Final = 400


class EntryError(Exception):
    """What was entered cannot be used. Says which, what was got and what was expected; nothing is lost."""

    code = "input.entry"


class Form(Enum):
    """What an answer is made of."""

    NUMBER = "number"
    TEXT = "text"
    CHOICE = "choice"
    NUMBERS = "numbers"
    """Several, in a row."""


class Ask(NamedTuple):
    """One thing that is asked for."""

    name: str
    what: str
    unit: str = ""
    form: Form = Form.NUMBER
    least: float = 0.0
    most: float = math.inf
    choices: tuple[str, ...] = ()
    default: Any = None
    """What stands where nothing is entered; None: something must be."""
    is_optional: bool = False


class Until(Enum):
    """What ends a stage before its time."""

    STEADY = "flow and pressure are steady"
    RINSED = "the flush that is owed is done"
    CAUSE = "the cause is seen"
    WASHED = "a backwash has begun and ended"
    OVER = "the run is over"


class Stage(NamedTuple):
    """One stage of a step: something to do, something to enter, or something that the daemon does and watches."""

    name: str
    do: str
    """What the technician is told."""
    asks: tuple[Ask, ...] = ()
    hold: Mapping[str, float] = _NONE
    """Outputs that are held on meanwhile, each with its drive: pump, valve.<block>, injector.<channel>."""
    watch: tuple[str, ...] = ()
    """Readings that are shown and kept."""
    lasts_s: float = 0.0
    """The daemon ends the stage when all that is held has been on for so long; 0: it ends by what is entered."""
    until: Until | None = None
    """The daemon ends it by this, after `lasts_s` at the latest."""
    cause: str = ""
    """Code of the cause that is waited for, with Until.CAUSE."""
    times_injector: bool = False
    """The injector that it holds on is held for `lasts_s` and no longer, and the stage ends when it is off again: what
    was drawn meanwhile was drawn in the seconds that are kept."""
    flushes: bool = False
    """The daemon gives the flush that is owed."""
    is_many: bool = False
    """May be entered again and again, until it is entered as done."""
    raw: tuple[str, ...] = ()
    """Points whose registers are kept as they came."""
    start: Mapping[str, Any] = _NONE
    """The daemon starts a run with these arguments of START."""
    silence_s: float = 0.0
    """The daemon says nothing to the output modules for so long, and looks what they show after it."""
    shows_outputs: bool = False
    """What was on at its end, and which causes stood, is kept."""
    back_to: str = ""
    """The stage to begin again with where this one is cut off; itself where this is empty."""

    @property
    def is_daemons(self) -> bool:
        """Whether the daemon ends it."""
        return self.lasts_s > 0.0 or self.silence_s > 0.0


class Entry(NamedTuple):
    """What one stage brought, or one entry of many."""

    stage: str
    values: Mapping[str, Any]


Entries = Sequence[Entry]


class Verdict(Enum):
    """What a step's result says of the plant."""

    PASSED = "PASSED"
    DOUBTFUL = "DOUBTFUL"
    """To be repeated or explained; nothing is unsafe by it."""
    FAILED = "FAILED"


class Figure(NamedTuple):
    """One figure of a result, with the band that it is judged by and where that comes from."""

    name: str
    value: float
    unit: str
    u: float | None = None
    """k = 2, or half of an interval of 95 %; None for what is only counted."""
    least: float | None = None
    most: float | None = None
    source: str = ""
    """Of the band."""

    @property
    def is_in_band(self) -> bool:
        """Whether it lies in its band; True without one."""
        low = -math.inf if self.least is None else self.least
        high = math.inf if self.most is None else self.most
        return low <= self.value <= high


class Recorded(NamedTuple):
    """A decision that accepting a result records."""

    key: str
    decision: Decision


class Result(NamedTuple):
    """What a step came to."""

    figures: tuple[Figure, ...]
    verdict: Verdict
    told: tuple[str, ...] = ()
    """What it may mean, and what to look at."""
    changes: tuple[str, ...] = ()
    """What accepting it changes in the plan."""
    records: tuple[Recorded, ...] = ()
    curve: tuple[tuple[float, float], ...] = ()
    """A fitted curve or a record, thinned, to be drawn."""


class Work(NamedTuple):
    """What a step's sums are done on."""

    plant: Plant
    subject: str
    entries: Entries
    who: str
    at: datetime
    """The moment of the result, with its zone."""
    decisions: Decisions
    section: str
    """Digest of the part of the site that the result stands for."""
    earlier: tuple[Mapping[str, Any], ...] = ()
    """Results of the same step and subject that were accepted before, the newest first."""

    @property
    def site(self) -> Site:
        """The plant's."""
        return self.plant.site


class Step(NamedTuple):
    """One step of the commissioning."""

    name: str
    title: str
    subjects: Callable[[Site], tuple[str, ...]]
    """What it is done for: blocks, injectors, instruments."""
    needs: tuple[str, ...]
    cautions: tuple[str, ...]
    then: Callable[[Site, str, Entries], Stage | None]
    result: Callable[[Work], Result]
    parts: Callable[[Site, str], tuple[Part, ...]]
    """The parts of the site that the result stands for: it holds until one of them changes."""
    valid_days: int = 365
    """A year (common practice, no source)."""
    water_tonight: str = "Water may run tonight, before this step and after it."


def values_of(entries: Entries, stage: str) -> Mapping[str, Any]:
    """Return what the newest entry of a stage brought; nothing where there is none."""
    return next((entry.values for entry in reversed(entries) if entry.stage == stage), MappingProxyType({}))


def is_entered(entries: Entries, stage: str) -> bool:
    """Return whether a stage is behind."""
    return any(entry.stage == stage for entry in entries)


def many_of(entries: Entries, stage: str) -> list[Mapping[str, Any]]:
    """Return all entries of a stage that may be entered many times, without the one that ended it."""
    return [entry.values for entry in entries if entry.stage == stage and not entry.values.get("done")]


def is_done(entries: Entries, stage: str) -> bool:
    """Return whether a stage that may be entered many times was ended."""
    return any(entry.stage == stage and entry.values.get("done") for entry in entries)


def column(values: Mapping[str, Any], reading: str) -> list[tuple[float, float]]:
    """Return one reading of what a stage kept: seconds of the attempt, and the reading where it was good."""
    names = values.get("watch", [])
    if reading not in names:
        return []
    place = names.index(reading) + 1
    return [(row[0], row[place]) for row in values.get("samples", []) if row[place] is not None]


def moved(values: Mapping[str, Any], reading: str) -> float | None:
    """Return by how much a counter went on from where all that was held was on until the stage's end."""
    first, last = values.get("first", {}).get(reading), values.get("last", {}).get(reading)
    return None if first is None or last is None else float(last) - float(first)


def checked(stage: Stage, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return what was entered for a stage in its right form. Raises EntryError with everything that is wrong."""
    if stage.is_many and given.get("done") is True:
        return {"done": True}
    problems, found = [], {}
    known = {ask.name for ask in stage.asks}
    problems += [f"{name}: not asked for in {stage.name}" for name in given if name not in known]
    for ask in stage.asks:
        got = given.get(ask.name)
        if got is None or got == "":
            if ask.default is not None:
                found[ask.name] = ask.default
            elif not ask.is_optional:
                problems.append(f"{ask.name}: got nothing; expected {_expected(ask)}")
            continue
        value = _value(ask, got)
        if value is None:
            problems.append(f"{ask.name}: got {got!r}; expected {_expected(ask)}")
        else:
            found[ask.name] = value
    if problems:
        raise EntryError("; ".join(problems))
    return found


def _value(ask: Ask, got: Any) -> Any:
    match ask.form:
        case Form.TEXT:
            text = str(got).strip()
            return text if 0 < len(text) <= _LONGEST_TEXT and text.isprintable() else None
        case Form.CHOICE:
            return got if got in ask.choices else None
        case Form.NUMBER:
            return _number(ask, got)
        case Form.NUMBERS:
            # A decimal comma belongs to its number: numbers are parted by spaces, semicolons or lines.
            parts = got if isinstance(got, list) else str(got).replace(";", " ").split()
            numbers = [_number(ask, part) for part in parts]
            return numbers if 0 < len(numbers) <= _MOST_NUMBERS and None not in numbers else None


def _number(ask: Ask, got: Any) -> float | None:
    if isinstance(got, bool) or not isinstance(got, int | float | str):
        return None
    try:
        value = float(got.strip().replace(",", ".") if isinstance(got, str) else got)
    except ValueError:
        return None
    return value if math.isfinite(value) and ask.least <= value <= ask.most else None


def _expected(ask: Ask) -> str:
    unit = f" {ask.unit}" if ask.unit else ""
    match ask.form:
        case Form.TEXT:
            return f"1 to {_LONGEST_TEXT} printable characters"
        case Form.CHOICE:
            return f"one of {', '.join(ask.choices)}"
        case Form.NUMBER | Form.NUMBERS:
            what = "a number" if ask.form is Form.NUMBER else f"1 to {_MOST_NUMBERS} numbers"
            most = f" to {ask.most:g}" if ask.most < math.inf else " on"
            return f"{what} from {ask.least:g}{most}{unit}"


def figure(
    name: str,
    found: Estimate,
    unit: str,
    *,
    least: float | None = None,
    most: float | None = None,
    source: str = "",
) -> Figure:
    """Return a figure of an estimate."""
    return Figure(name, found.value, unit, found.u, least, most, source)


def verdict_of(figures: Sequence[Figure], *, is_doubtful: bool = False) -> Verdict:
    """Return FAILED where a figure is out of its band, else DOUBTFUL where something else is odd, else PASSED."""
    if not all(one.is_in_band for one in figures):
        return Verdict.FAILED
    return Verdict.DOUBTFUL if is_doubtful else Verdict.PASSED
