"""What the record knows at boot: the run that never ended, what is owed, latched, leased and counted, commands done."""

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from daemon.evidence import (
    AlarmRaised,
    Checkpoint,
    CommandAnswered,
    Dose,
    Event,
    FlushOwed,
    InjectionIntent,
    LeaseEnded,
    LeaseGranted,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.ledger.reading import Stamped, evidence, reading
from daemon.ledger.tables import named
from daemon.messages import RECORD

REMEMBERED = 1000
"""Control commands whose answers are remembered, so that one sent again is not done again."""
_STARTS = 20
"""Starts and stops that are looked back on."""
_COUNTS = """
SELECT c.key, json_extract(c.value, '$.count_ml'), json_extract(c.value, '$.open_ml'), max(e.seq)
FROM event e, json_each(e.detail) c WHERE e.code = 'counts' GROUP BY c.key
"""
_UNSCHEDULED = "SELECT coalesce(sum(volume_ml), 0) FROM unscheduled WHERE channel = ? AND seq > ?"
_RUNS_WATER = "SELECT coalesce(sum(water_ml), 0) FROM run_ended WHERE seq > ?"
_RUNS_STOCK = """
SELECT coalesce(sum(stock_ml), 0) FROM (
    SELECT max(c.stock_ml) AS stock_ml FROM run_ended e JOIN run_started s ON s.run = e.run
    CROSS JOIN checkpoint c ON c.seq BETWEEN s.seq AND e.seq AND c.run = e.run
    WHERE c.channel = ? AND e.seq > ? GROUP BY c.run
)
"""
_DEBTS = """
WITH RECURSIVE place(segment) AS (
    SELECT min(segment) FROM flush_owed
    UNION ALL
    SELECT (SELECT min(segment) FROM flush_owed WHERE segment > p.segment) FROM place p WHERE p.segment IS NOT NULL
), debt(segment, stock) AS (
    SELECT p.segment, (SELECT min(stock) FROM flush_owed WHERE segment = p.segment)
    FROM place p WHERE p.segment IS NOT NULL
    UNION ALL
    SELECT d.segment, (SELECT min(stock) FROM flush_owed WHERE segment = d.segment AND stock > d.stock)
    FROM debt d WHERE d.stock IS NOT NULL
)
SELECT d.segment, d.stock,
    (SELECT max(o.seq) FROM flush_owed o WHERE o.segment = d.segment AND o.stock = d.stock),
    (SELECT max(c.seq) FROM flush_cleared c WHERE c.segment = d.segment AND c.stock = d.stock)
FROM debt d WHERE d.stock IS NOT NULL
"""
"""Each segment and stock with its newest row and its last clearing, from one to the next along the index: in the tenth
season there are tens of thousands of rows of a few dozen."""
_NOT_CLEARED = "WHERE t.segment = ? AND t.stock = ? AND t.seq > ?"
_LATCHED = (
    "WHERE t.latched "
    "AND NOT EXISTS (SELECT 1 FROM alarm_cleared c WHERE c.code = t.code AND c.seq > t.seq) "
    "AND t.seq = (SELECT max(seq) FROM alarm_raised o WHERE o.code = t.code AND o.latched)"
)


@dataclass(frozen=True, slots=True)
class OpenRun:
    """A run that was started and never ended."""

    started: Stamped[RunStarted]
    phases: tuple[Stamped[PhaseEnded], ...]
    intents: tuple[Stamped[InjectionIntent], ...]
    checkpoints: tuple[Stamped[Checkpoint], ...]
    """The last of each channel."""
    doses: tuple[Stamped[Dose], ...]


@dataclass(frozen=True, slots=True)
class LastCount:
    """A totaliser as it was last recorded."""

    count_ml: int
    open_ml: int
    """What had moved by then and was in no row."""
    booked_ml: int
    """What has come into rows since, runs that ended and unscheduled rows together."""


@dataclass(frozen=True, slots=True)
class Durable:
    """What a boot has to know of the time before it."""

    run: OpenRun | None
    """The newest run without an end."""
    unended: tuple[str, ...]
    """Ids of older runs without an end, oldest first: none, unless a run was begun over an open one."""
    owed: tuple[Stamped[FlushOwed], ...]
    """The newest row of each segment and stock that no later row has cleared."""
    owed_since: Mapping[tuple[str, str], Stamped[FlushOwed]]
    """The oldest such row, by segment and stock."""
    latched: tuple[Stamped[AlarmRaised], ...]
    """The newest latched row of each cause that no later row has cleared."""
    answered: tuple[Stamped[CommandAnswered], ...]
    """The newest control commands and what became of them, oldest first."""
    leases: tuple[Stamped[LeaseGranted], ...]
    """Those that were granted and have no end."""
    counts: Mapping[str, LastCount]
    """By "main" and channel."""
    mode: str
    """The unit's mode; empty where none was ever chosen."""
    starts: tuple[Stamped[Event], ...]
    """The newest starts and stops of the controller, oldest first."""


def open_state(path: Path) -> Durable:
    """Return what the record knows of the plant. Raises LedgerMissing, LedgerDamaged, LedgerUnwritable as `reading`."""
    with reading(path) as connection:
        unended = evidence(
            connection,
            RunStarted,
            f"WHERE NOT EXISTS (SELECT 1 FROM {named(RunEnded)} e WHERE e.run = t.run)",
        )
        answered = evidence(
            connection, CommandAnswered, "WHERE t.verb <> ? ORDER BY t.seq DESC LIMIT ?", (RECORD, REMEMBERED)
        )
        uncleared = _uncleared(connection)
        return Durable(
            _open_run(connection, unended[-1]) if unended else None,
            tuple(started.row.run for started in unended[:-1]),
            _newest(uncleared),
            {_debt(found): found for found in reversed(uncleared)},
            evidence(connection, AlarmRaised, _LATCHED),
            answered[::-1],
            evidence(
                connection,
                LeaseGranted,
                f"WHERE NOT EXISTS (SELECT 1 FROM {named(LeaseEnded)} e WHERE e.lease = t.lease AND e.seq > t.seq)",
            ),
            _counts(connection),
            _mode(connection),
            evidence(connection, Event, "WHERE t.code IN ('start', 'stop') ORDER BY t.seq DESC LIMIT ?", (_STARTS,))[
                ::-1
            ],
        )


def still_standing(path: Path) -> tuple[tuple[Stamped[FlushOwed], ...], tuple[Stamped[AlarmRaised], ...]]:
    """Return the flushes that are owed and the latched alarms, as `open_state` has them. Raises as `reading` does."""
    with reading(path) as connection:
        return _newest(_uncleared(connection)), evidence(connection, AlarmRaised, _LATCHED)


def _uncleared(connection: sqlite3.Connection) -> list[Stamped[FlushOwed]]:
    """Return the rows of every debt since it was last cleared, in the order in which they were written."""
    debts = connection.execute(_DEBTS).fetchall()
    found = [
        row
        for segment, stock, newest, cleared in debts
        if newest > (cleared or 0)
        for row in evidence(connection, FlushOwed, _NOT_CLEARED, (segment, stock, cleared or 0))
    ]
    return sorted(found, key=lambda row: row.seq)


def _newest(uncleared: Iterable[Stamped[FlushOwed]]) -> tuple[Stamped[FlushOwed], ...]:
    """Return the newest row of each segment and stock."""
    return tuple({_debt(found): found for found in uncleared}.values())


def _debt(found: Stamped[FlushOwed]) -> tuple[str, str]:
    return found.row.segment, found.row.stock


def _counts(connection: sqlite3.Connection) -> dict[str, LastCount]:
    counts = {}
    for name, count_ml, open_ml, seq in connection.execute(_COUNTS).fetchall():
        (unscheduled_ml,) = connection.execute(_UNSCHEDULED, (name, seq)).fetchone()
        of_runs = (_RUNS_WATER, (seq,)) if name == "main" else (_RUNS_STOCK, (name, seq))
        (runs_ml,) = connection.execute(*of_runs).fetchone()
        counts[name] = LastCount(count_ml, open_ml, unscheduled_ml + runs_ml)
    return counts


def _mode(connection: sqlite3.Connection) -> str:
    found = evidence(connection, Event, "WHERE t.code = 'mode' ORDER BY t.seq DESC LIMIT 1")
    return str(json.loads(found[0].row.detail)["mode"]) if found else ""


def _open_run(connection: sqlite3.Connection, started: Stamped[RunStarted]) -> OpenRun:
    mine = (started.row.run,)
    return OpenRun(
        started,
        evidence(connection, PhaseEnded, "WHERE t.run = ?", mine),
        evidence(connection, InjectionIntent, "WHERE t.run = ?", mine),
        evidence(
            connection,
            Checkpoint,
            "WHERE t.seq IN (SELECT max(seq) FROM checkpoint WHERE seq > ? AND run = ? GROUP BY channel)",
            (started.seq, *mine),
        ),
        evidence(connection, Dose, "WHERE t.run = ?", mine),
    )
