"""Which night breakfast is about, and whether anything can be said of it at all: silence comes before good news."""

import sqlite3
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from api.farm import Farm
from api.morning.facts import NightFacts
from api.morning.reading import read_night
from api.morning.telling import Told, When, tell_empty, tell_night, tell_silence
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.timetable import Timetable
from daemon.folder import HISTORY
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.readings import newest_ms
from daemon.ledger.reports import last_runs
from daemon.planning.timetable import next_start, night_of

_NOON = 12
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Morning:
    """What the first screen says."""

    told: Told
    night: date
    facts: NightFacts | None
    """None where there is no record yet."""
    before: Told | None
    """While the controller is silent: what its record says until then."""


def morning_of(farm: Farm) -> Morning:
    """Return what is said of a farm now. Raises LedgerError where its record cannot be read."""
    heard = farm.link.heard
    return read_morning(
        farm.ledger,
        farm.in_force().decisions,
        farm.zone,
        farm.clock.stamp().utc,
        is_silent=farm.link.is_silent(),
        heard_ms=None if heard is None else heard.snapshot.at_ms,
    )


def read_morning(
    path: Path, decisions: Decisions, zone: ZoneInfo, now: datetime, *, is_silent: bool, heard_ms: int | None
) -> Morning:
    """Return what is said now, by the record at `path`. Raises LedgerError where it cannot be read.

    `heard_ms` is when the controller was last heard, in milliseconds since 1970-01-01 UTC; None asks its readings.
    """
    night = night_of(now, zone)
    try:
        facts = read_night(path, decisions, zone, night, now)
        if not facts.runs and not facts.missed and now.astimezone(zone).hour >= _NOON:
            night -= _DAY
            facts = read_night(path, decisions, zone, night, now)
        has_runs = bool(facts.runs or facts.missed or last_runs(path, 1))
    except LedgerMissing:
        told = tell_silence(None, was_running=False) if is_silent else tell_empty()
        return Morning(told, night, None, None)
    told = tell_night(facts, _when(facts, decisions, zone, now)) if has_runs else tell_empty()
    if not is_silent:
        return Morning(told, night, facts, None)
    last = _newest(path, heard_ms)
    return Morning(tell_silence(last, was_running=facts.running is not None), night, facts, told if has_runs else None)


def _when(facts: NightFacts, decisions: Decisions, zone: ZoneInfo, now: datetime) -> When:
    """Return how the night is named: this one while it goes on, else the last."""
    if facts.night != night_of(now, zone):
        return When.LAST
    starts = (next_start(key, one, zone, now) for key, one in of_kind(decisions, Timetable).items())
    goes_on = facts.running is not None or any(one is not None and one.night == facts.night for one in starts)
    return When.TONIGHT if goes_on or now.astimezone(zone).hour >= _NOON else When.LAST


def _newest(path: Path, heard_ms: int | None) -> datetime | None:
    """Return when the controller last gave a sign: as it was heard, or as its readings have it."""
    if heard_ms is None:
        try:
            heard_ms = newest_ms(path.with_name(HISTORY))
        except sqlite3.Error:
            heard_ms = None
    return None if heard_ms is None else datetime.fromtimestamp(heard_ms / 1000.0, UTC)
