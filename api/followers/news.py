"""What the record and the silence have to tell, as whole sentences, each with a key by which it is told once."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Final

from api.farm import Farm, moment
from api.morning.now import Morning
from api.morning.reading import read_night
from api.morning.telling import Kind, When, tell_night
from api.words.amounts import Amount
from api.words.words import Said, said
from daemon.control.cause import Priority
from daemon.control.interlocks import BY_CODE
from daemon.decisions.base import of_kind
from daemon.decisions.timetable import Timetable
from daemon.evidence import AlarmRaised, Event, RunEnded
from daemon.ledger.nights import newest_plan
from daemon.ledger.reports import noted_after, run_report
from daemon.planning.timetable import next_start, night_of

SILENT_S: Final = 180.0
"""The controller is told to be silent after so long: a restart takes seconds."""
_MISSED: Final = "start-missed"
_AGAIN_MS: Final = 30 * 60_000
"""The same alarm is told once in so long, however often it comes and goes."""
_DAY: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class News:
    """Something to tell."""

    key: str
    """Told once to each destination."""
    event: str
    """One of daemon.destinations.EventName."""
    wakes: bool
    at_ms: int
    sentences: tuple[Said, ...]


def news_of_record(farm: Farm, after: int) -> tuple[list[News], int]:
    """Return what the record has to tell after a place in it, and its newest place. Raises LedgerError."""
    found, newest = noted_after(farm.ledger, after)
    told: list[News] = []
    for stamped in found:
        told += _of_row(farm, stamped.row, stamped.at_ms)
    return told, newest


def _of_row(farm: Farm, row: AlarmRaised | RunEnded | Event, at_ms: int) -> Iterator[News]:
    match row:
        case AlarmRaised(code=code) if code == _MISSED:
            yield News(f"missed {at_ms}", "missed", False, at_ms, tuple(_of_night(farm, at_ms)))
        case AlarmRaised(code=code) if code in BY_CODE and BY_CODE[code].priority >= Priority.HIGH:
            sentences = (
                said(f"cause.{code}.happened", at=said("at.time", at=moment(at_ms))),
                said(f"effect.{BY_CODE[code].effect.name}"),
                said(f"cause.{code}.check"),
            )
            yield News(f"alarm {code} {at_ms // _AGAIN_MS}", "alarm", BY_CODE[code].wakes, at_ms, sentences)
        case RunEnded(outcome="SHORT" | "OVER", run=run):
            yield News(f"run {run}", "shortfall", False, at_ms, tuple(_of_run(farm, run, at_ms)))
        case RunEnded(outcome="NOT_RUN", run=run) if _was_to_inject(farm, run):
            yield News(f"run {run}", "shortfall", False, at_ms, tuple(_of_run(farm, run, at_ms)))
        case Event(code="not-run", detail=detail):
            programs = ", ".join(json.loads(detail).get("programs", ()))
            yield News(f"not run {programs} {at_ms}", "missed", False, at_ms, tuple(_of_night(farm, at_ms)))
        case Event(code="tank-short", detail=detail):
            said_of = json.loads(detail)
            tank, night = str(said_of["tank"]), str(said_of["night"])
            lacking = tuple(_of_tank(farm, tank, night))
            if lacking:
                yield News(f"tank {tank} {night}", "tank", False, at_ms, lacking)


def _of_night(farm: Farm, at_ms: int) -> Iterator[Said]:
    """Yield the night's own sentences: what did not run, and why."""
    at = moment(at_ms)
    facts = read_night(farm.ledger, farm.in_force().decisions, farm.zone, night_of(at, farm.zone), at)
    told = tell_night(facts, When.THEN)
    if told.kind is Kind.NOT_RUN:
        yield from told.sentences
    else:
        yield said("cause.start-missed.happened", at=said("at.time", at=at))
        yield said("cause.start-missed.check")


def _of_run(farm: Farm, run: str, at_ms: int) -> Iterator[Said]:
    """Yield what the run came to, of its night's sentences."""
    at = moment(at_ms)
    report = run_report(farm.ledger, run)
    began = moment(report.started.at_ms) if report is not None else at
    facts = read_night(farm.ledger, farm.in_force().decisions, farm.zone, night_of(began, farm.zone), at)
    told = tell_night(facts.only(run), When.THEN)
    yield from told.sentences


def _was_to_inject(farm: Farm, run: str) -> bool:
    report = run_report(farm.ledger, run)
    if report is None or report.ended is None or report.ended.row.state == "IDLE":
        return False
    return any(channel["stock_l"] > 0.0 for channel in json.loads(report.started.row.recipe)["channels"])


def _of_tank(farm: Farm, tank: str, night: str) -> Iterator[Said]:
    found = newest_plan(farm.ledger, night)
    for one in [] if found is None else json.loads(found.row.plan)["tanks"]:
        if one["tank"] == tank and one["usable_l"] is not None:
            lacks = Amount(max(0.0, one["needed_l"] - one["usable_l"]), "L")
            by = datetime.fromisoformat(one["by"]).astimezone(UTC)
            yield said("tanks.lacks", tank=tank.replace("_", " "), lacks=lacks, by=by)


def news_of_morning(farm: Farm, morning: Morning, morning_at: time) -> News | None:
    """Return the summary of a night that is over, from its hour on; None before, and while nothing can be said."""
    now = farm.clock.stamp().utc
    here = now.astimezone(farm.zone)
    if morning.facts is None or morning.told.kind in (Kind.SILENT, Kind.RUNNING, Kind.NOTHING, Kind.EMPTY):
        return None
    night = morning.facts.night
    starts = (
        next_start(key, one, farm.zone, now) for key, one in of_kind(farm.in_force().decisions, Timetable).items()
    )
    is_over = not any(start is not None and start.night == night for start in starts)
    due = datetime.combine(night + _DAY, morning_at, farm.zone)
    if not is_over or here < due or here >= due + _DAY:
        return None
    return News(f"morning {night}", "morning", False, farm.now_ms(), morning.told.sentences)


def news_of_silence(morning: Morning, since_ms: int) -> News:
    """Return what is told of a controller that has been silent for too long. It may wake where a run was under way."""
    was_running = morning.facts is not None and morning.facts.running is not None
    return News(f"silent {since_ms}", "silent", was_running, since_ms, morning.told.sentences)
