"""An attempt at a step as a state machine: what the daemon holds on, watches and ends by itself. Pure.

What it wants of the outputs it asks for by commands like anybody's; it learns from each scan what became of them. A
force that ended, whoever ended it, cuts the stage off: nothing is forced again unless the technician says so.
"""

import math
from collections.abc import Mapping
from statistics import median
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.commissioning.cross_check import apart_in, partly
from daemon.commissioning.step import Entry, EntryError, Stage, Step, Until, checked
from daemon.control.interlocks import BY_CODE
from daemon.control.states import Effect
from daemon.site import Site

_NONE: Final[Mapping[str, Any]] = MappingProxyType({})

_MOST_ROWS: Final = 1200
"""Of what is kept of a stage; more than that, and every second one is dropped."""
_STEADY_S: Final = 30.0
"""Steady is what stays within its band for so long (engineering judgement)."""
_STEADY_BAND: Final = 0.02
_STEADY_OF: Final = ("flow_m3_h", "pressure_kpa")
_MOST_OF: Final = 0.75
"""Of the time that an injector was to be on: it comes on a few scans after it was asked for."""
_GRACE_S: Final = 120.0
"""From a force that was granted until it may be seen on: travel, start of the pump, proven flow, the record."""
_REST_S: Final = 3600.0
"""And for a pump's rest: it may start so often in an hour. That one does not start at all its interlock sees."""


class Seen(NamedTuple):
    """What one scan shows."""

    at_s: float
    """Monotonic."""
    readings: Mapping[str, float]
    """Those that are good, by the snapshot's names."""
    on: frozenset[str]
    """Outputs that are on: pump, valve.<block>, injector.<channel>."""
    forced: frozenset[str]
    """Outputs that somebody holds on."""
    causes: frozenset[str]
    is_active: bool
    """A procedure is under way."""
    is_owing: bool
    """Flush is owed."""
    procedure: str = ""
    is_washing: bool = False
    shown: frozenset[str] | None = None
    """Outputs that the modules themselves show as on; None where one of them does not answer."""
    raw: Mapping[str, str] = _NONE
    """Registers of points as they came, in hexadecimal, by "device.point"."""


class Watching(NamedTuple):
    """Where the stage at hand stands."""

    began_s: float
    is_asked: bool = False
    """What it holds has been asked for, and granted."""
    on_at_s: float | None = None
    """When all that it holds was on."""
    on_s: float = 0.0
    was_on: bool = False
    last_s: float = 0.0
    first: Mapping[str, float] = _NONE
    again: tuple[tuple[float, Mapping[str, float]], ...] = ()
    """Where an injector is timed: how long it had been on each time that it came on again, and what was read then."""
    rows: tuple[tuple[float | None, ...], ...] = ()
    every: int = 1
    scans: int = 0
    washed_s: float = 0.0
    has_run: bool = False
    """A procedure was under way."""
    causes: frozenset[str] = frozenset()
    """That stood at any time."""


class Attempt(NamedTuple):
    """One attempt at a step."""

    id: str
    step: Step
    subject: str
    who: str
    zero_s: float
    """Monotonic, of its begin: what is kept counts from here."""
    entries: tuple[Entry, ...] = ()
    watching: Watching | None = None
    cut_off: str = ""
    """Why the stage does not go on, until the technician has it go on."""
    has_started: bool = False
    """It has had the daemon start a run, which is its own to stop."""

    def stage(self, site: Site) -> Stage | None:
        """Return the stage at hand; None when the way is at its end."""
        return self.step.then(site, self.subject, self.entries)


class Wanted(NamedTuple):
    """What the attempt asks of the control, in this order: the next valve opens before the last one closes."""

    stop: tuple[str, ...] = ()
    """Injectors that are released first."""
    hold: tuple[tuple[str, float], ...] = ()
    """Outputs that are held on, each with its drive."""
    release: tuple[str, ...] = ()
    start: Mapping[str, Any] = _NONE
    """Arguments of a START; none where nothing is to start."""
    silence_s: float = 0.0
    """For so long nothing is said to the output modules."""
    minutes: float = 0.0
    """For how long outputs are held."""
    injector_minutes: float = 0.0
    """The same for injectors."""


def begun(attempt: Attempt, site: Site, seen: Seen) -> tuple[Attempt, Wanted]:
    """Return the attempt with its stage begun, and what the stage wants."""
    stage = attempt.stage(site)
    injectors = tuple(sorted(name for name in seen.forced if name.startswith("injector.")))
    others = tuple(sorted((name for name in seen.forced if name not in injectors), key=_order, reverse=True))
    if stage is None:
        return attempt._replace(watching=None, cut_off=""), Wanted(stop=injectors, release=others)
    began = attempt._replace(watching=Watching(seen.at_s, last_s=seen.at_s), cut_off="")
    if stage.silence_s > 0.0:  # what is on stays on: the modules themselves are to take it off
        return began, Wanted(silence_s=stage.silence_s)
    wanted = Wanted(
        stop=tuple(name for name in injectors if name not in stage.hold),
        hold=tuple((name, stage.hold[name]) for name in sorted(stage.hold, key=_order)),
        release=tuple(name for name in others if name not in stage.hold),
        start={"flush": []} if stage.flushes and seen.is_owing else stage.start,
        minutes=_minutes(stage),
        injector_minutes=stage.lasts_s / 60.0 if stage.times_injector else _minutes(stage),
    )
    return began, wanted


def granted(attempt: Attempt, at_s: float) -> Attempt:
    """Return the attempt once all that its stage wants was granted."""
    watching = attempt.watching
    return attempt if watching is None else attempt._replace(watching=watching._replace(is_asked=True, began_s=at_s))


def cut(attempt: Attempt, site: Site, why: str) -> Attempt:
    """Return the attempt with its stage cut off, back at the stage that is to be begun again."""
    stage = attempt.stage(site)
    back = stage.back_to if stage is not None else ""
    return attempt._replace(entries=before(attempt.entries, back), watching=None, cut_off=why)


def before(entries: tuple[Entry, ...], stage: str) -> tuple[Entry, ...]:
    """Return the entries that came before a stage was first entered; all of them where it was not."""
    place = next((n for n, entry in enumerate(entries) if entry.stage == stage), len(entries))
    return entries[:place]


def seen_on(attempt: Attempt, site: Site, seen: Seen) -> tuple[Attempt, Entry | None]:
    """Return the attempt after a scan, and what the stage brought where the daemon has ended it."""
    stage, watching = attempt.stage(site), attempt.watching
    if stage is None or watching is None or not watching.is_asked:
        return attempt, None
    if stage.silence_s > 0.0:
        return _after_silence(attempt, stage, watching, seen)
    if stage.until is Until.CAUSE and stage.cause in seen.causes:  # it may be what takes the outputs away
        watching = _watched(attempt, stage, watching, seen, is_on=True)
        return attempt, Entry(stage.name, _kept(attempt, stage, watching, seen))
    missing = [name for name in sorted(stage.hold) if name not in seen.forced]
    is_timed_out = stage.times_injector and all(name.startswith("injector.") for name in missing)
    if missing and is_timed_out and watching.on_s >= _MOST_OF * stage.lasts_s:
        watching = _watched(attempt, stage, watching, seen, is_on=False)
        return attempt, Entry(stage.name, _kept(attempt, stage, watching, seen))
    if missing:
        return cut(attempt, site, f"{', '.join(missing)} is no longer held on: {_why(stage, watching, seen)}"), None
    taken = [name for name in sorted(stage.hold.keys() - seen.on) if not name.startswith("injector.")]
    if stage.flushes and seen.is_owing and not seen.is_active:
        taken.append("the flush")
    if taken and any(BY_CODE[code].effect >= Effect.TWO for code in seen.causes):
        why = "; ".join(filter(None, (_why(stage, watching, seen), partly(site, stage, watching.rows))))
        return cut(attempt, site, f"{', '.join(taken)} is kept off: {why}"), None
    is_on = all(name in seen.on for name in stage.hold)
    if stage.until in (Until.RINSED, Until.OVER):  # what is timed is how long nothing comes of it
        is_on = not seen.is_active
    grace_s = _GRACE_S + (_REST_S if "pump" in stage.hold else 0.0)
    if not is_on and watching.on_at_s is None and stage.hold and seen.at_s - watching.began_s > grace_s:
        off = ", ".join(name for name in sorted(stage.hold) if name not in seen.on)
        return cut(attempt, site, f"{off} did not come on: {_why(stage, watching, seen)}"), None
    watching = _watched(attempt, stage, watching, seen, is_on=is_on)
    attempt = attempt._replace(watching=watching)
    if not stage.is_daemons:
        return attempt, None
    is_over = watching.on_s >= stage.lasts_s and not stage.times_injector
    if stage.until is not None:
        is_so = _is_so(stage, watching, seen)
        if is_over and not is_so and stage.until is not Until.CAUSE:
            what = f"not within {stage.lasts_s:.0f} s: {stage.until.value}"
            return cut(attempt, site, "; ".join(filter(None, (what, apart_in(stage.watch, watching.rows))))), None
        is_over = is_so or is_over
    return attempt, Entry(stage.name, _kept(attempt, stage, watching, seen)) if is_over else None


def entered(attempt: Attempt, site: Site, given: Mapping[str, Any], seen: Seen) -> Entry:
    """Return what the technician enters for the stage at hand. Raises EntryError where it cannot be used."""
    stage = attempt.stage(site)
    if stage is None or stage.is_daemons:
        why = "all is entered" if stage is None else f"{stage.name} ends by itself"
        raise EntryError(f"got an entry; expected none now: {why}")
    values = checked(stage, given)
    watching = attempt.watching
    kept = _kept(attempt, stage, watching, seen) if watching is not None and not stage.is_many else {}
    raw = {"raw": {ref: seen.raw[ref] for ref in stage.raw if ref in seen.raw}} if stage.raw else {}
    at = {"at_s": round(seen.at_s - attempt.zero_s, 2), "now": _now(stage, seen)}
    return Entry(stage.name, {**kept, **at, **raw, **values})


def after(attempt: Attempt, entry: Entry) -> Attempt:
    """Return the attempt with one more entry."""
    return attempt._replace(entries=(*attempt.entries, entry))


def _watched(attempt: Attempt, stage: Stage, watching: Watching, seen: Seen, *, is_on: bool) -> Watching:
    if is_on and watching.on_at_s is None:
        watching = watching._replace(on_at_s=seen.at_s, first=_now(stage, seen), last_s=seen.at_s)
    # What was commanded by the last scan was so until this one.
    on_s = watching.on_s + (seen.at_s - watching.last_s if watching.was_on else 0.0)
    if stage.times_injector and is_on and not watching.was_on and on_s > 0.0:
        watching = watching._replace(again=(*watching.again, (round(on_s, 2), _now(stage, seen))))
    rows, every = watching.rows, watching.every
    if stage.watch and watching.scans % every == 0:
        row = (round(seen.at_s - attempt.zero_s, 2), *(seen.readings.get(name) for name in stage.watch))
        rows = (*rows, row)
    if len(rows) > _MOST_ROWS:
        rows, every = rows[::2], 2 * every
    return watching._replace(
        on_s=on_s,
        was_on=is_on,
        last_s=seen.at_s,
        rows=rows,
        every=every,
        scans=watching.scans + 1,
        has_run=watching.has_run or seen.is_active,
        causes=watching.causes | seen.causes,
        washed_s=watching.washed_s + (seen.at_s - watching.last_s if seen.is_washing else 0.0),
    )


def _now(stage: Stage, seen: Seen) -> dict[str, float]:
    return {name: seen.readings[name] for name in stage.watch if name in seen.readings}


def _kept(attempt: Attempt, stage: Stage, watching: Watching, seen: Seen) -> dict[str, Any]:
    on_at_s = watching.on_at_s
    return {
        "seconds": round(watching.on_s, 2),
        "on_at_s": None if on_at_s is None else round(on_at_s - attempt.zero_s, 2),
        "first": dict(watching.first),
        **({"again": [[on_s, dict(now)] for on_s, now in watching.again]} if watching.again else {}),
        "last": _now(stage, seen),
        "watch": list(stage.watch),
        "samples": [list(row) for row in watching.rows],
        **({"washed_s": round(watching.washed_s, 2)} if watching.washed_s else {}),
        **({"ended": seen.procedure, "causes": sorted(watching.causes)} if stage.start else {}),
        **({"on": sorted(seen.on), "caused": sorted(watching.causes)} if stage.shows_outputs else {}),
    }


def _after_silence(attempt: Attempt, stage: Stage, watching: Watching, seen: Seen) -> tuple[Attempt, Entry | None]:
    """Return what the modules show in the first scan that hears them again: before anything is written to them."""
    if seen.at_s - watching.began_s < stage.silence_s:
        return attempt, None
    if seen.shown is None:
        if seen.at_s - watching.began_s > stage.silence_s + _GRACE_S:
            return attempt._replace(watching=None, cut_off="the output modules do not answer after the silence"), None
        return attempt, None
    return attempt, Entry(stage.name, {"seconds": stage.silence_s, "shown": sorted(seen.shown)})


def _is_so(stage: Stage, watching: Watching, seen: Seen) -> bool:
    match stage.until:
        case Until.RINSED:
            return not seen.is_owing and not seen.is_active
        case Until.CAUSE:
            return stage.cause in seen.causes
        case Until.OVER:
            return watching.has_run and not seen.is_active
        case Until.WASHED:
            return watching.washed_s > 0.0 and not seen.is_washing
        case _:
            return _is_steady(stage, watching)


def _is_steady(stage: Stage, watching: Watching) -> bool:
    """Return whether flow and pressure have stayed by their own middle for long enough."""
    if watching.on_s < _STEADY_S or not watching.rows:
        return False
    since = (watching.rows[-1][0] or 0.0) - _STEADY_S
    late = [row for row in watching.rows if (row[0] or 0.0) >= since]
    columns = [n + 1 for n, name in enumerate(stage.watch) if name in _STEADY_OF]
    for place in columns:
        values = [value for row in late if (value := row[place]) is not None]
        if len(values) < len(late) or not values or median(values) <= 0.0:
            return False
        middle = median(values)
        if max(abs(value - middle) for value in values) > _STEADY_BAND * middle:
            return False
    return bool(columns)


def _order(name: str) -> tuple[int, str]:
    """Return the order in which outputs are asked for: valves, pump, injectors."""
    kind = name.partition(".")[0]
    return (("valve", "pump", "injector").index(kind), name)


def _minutes(stage: Stage) -> float:
    """Return for how long the stage's outputs are asked for: what it takes, with room; hours where a person does."""
    if not stage.is_daemons:
        return 240.0 if stage.is_many else 60.0  # entries come one after the other while a pulse passes
    return min(240.0, math.ceil((stage.lasts_s + (_REST_S if "pump" in stage.hold else 0.0)) / 60.0) + 10.0)


def _why(stage: Stage, watching: Watching, seen: Seen) -> str:
    """Return what took outputs away: the causes that stand, each with what to look at first."""
    causes = "; ".join(f"{code} ({BY_CODE[code].check})" for code in sorted(seen.causes))
    told = f"these stand: {causes}" if causes else "it was released, or its time was over"
    return "; ".join(filter(None, (told, apart_in(stage.watch, watching.rows))))
