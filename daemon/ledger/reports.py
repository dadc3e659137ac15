"""What is asked of the record: one run, the last runs, the decisions in force, and whether the record is whole."""

import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.dosing.outcome import block_doses, combined
from daemon.evidence import (
    AlarmCleared,
    AlarmRaised,
    Checkpoint,
    CommandAnswered,
    Dose,
    DoseReconciled,
    DoseRestated,
    Event,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.ledger.chain import Verdict, verify
from daemon.ledger.reading import Stamped, evidence, reading
from daemon.ledger.sealed import sealed_rows
from daemon.messages import RECORD

_NEVER = 2**63 - 1
_AT_ONCE = 20
_NEWEST_OF_RUN = "WHERE t.seq BETWEEN ? AND ? AND t.run = ? ORDER BY t.seq DESC LIMIT 1"


@dataclass(frozen=True, slots=True)
class RunReport:
    """All that the record holds of one run, each part in the order in which it was written."""

    started: Stamped[RunStarted]
    """Holds the recipe as canonical JSON."""
    phases: tuple[Stamped[PhaseEnded], ...]
    intents: tuple[Stamped[InjectionIntent], ...]
    checkpoint: Stamped[Checkpoint] | None
    """The newest."""
    doses: tuple[Stamped[Dose], ...]
    """By all estimates."""
    reconciled: tuple[Stamped[DoseReconciled], ...]
    """What they say together, channel by channel."""
    restated: tuple[Stamped[DoseRestated], ...]
    """What corrected mixes made of the doses; of one block, channel, nutrient and estimate the newest row holds."""
    alarms: tuple[Stamped[AlarmRaised], ...]
    """Raised between the run's start and its end."""
    cleared: tuple[Stamped[AlarmCleared], ...]
    """Cleared between the run's start and its end."""
    ended: Stamped[RunEnded] | None
    """Holds the outcome; None while the run goes on, and after a crash in it."""

    @property
    def metered(self) -> tuple[Dose, ...]:
        """The doses by the injectors' meters."""
        return tuple(stamped.row for stamped in self.doses if stamped.row.estimate == "METER")

    @property
    def found(self) -> tuple[Dose, ...]:
        """The same as all estimates together have them: what the run was judged by."""
        return combined(self.metered, [stamped.row for stamped in self.reconciled])

    @property
    def by_channel(self) -> tuple[Dose, ...]:
        """The doses as they hold now: by all estimates, or as a corrected mix has them."""
        doses = {(dose.block, dose.channel, dose.nutrient): dose for dose in self.found}
        for restated in self.restated:
            row = restated.row
            if row.estimate == "METER":
                kept = {name: getattr(row, name) for name in Dose.__dataclass_fields__}
                doses[row.block, row.channel, row.nutrient] = Dose(**kept)
        return tuple(doses.values())

    @property
    def stated(self) -> tuple[Dose, ...]:
        """The same by block and nutrient, all channels together."""
        return block_doses(self.by_channel)


@dataclass(frozen=True, slots=True)
class RunSummary:
    """One line of the list of runs."""

    started: Stamped[RunStarted]
    ended: Stamped[RunEnded] | None


@dataclass(frozen=True, slots=True)
class Decided:
    """One version of a decision."""

    kind: str
    key: str
    version: int
    body: str
    """The decision as JSON."""
    who: str
    at_ms: int
    """Milliseconds since 1970-01-01 UTC."""
    trusted: bool
    """Whether the clock was trusted when it was recorded."""
    seq: int


def run_report(path: Path, run: str) -> RunReport | None:
    """Return one run, or None when the record knows no run of that id. Raises as `reading` does."""
    with reading(path) as connection:
        started = evidence(connection, RunStarted, "WHERE t.run = ?", (run,))
        return _report(connection, started[0]) if started else None


def last_runs(path: Path, n: int, before_seq: int = _NEVER) -> tuple[RunSummary, ...]:
    """Return the last `n` runs that began before a place in the record, newest first. Raises as `reading` does."""
    with reading(path) as connection:
        newest = evidence(connection, RunStarted, "WHERE t.seq < ? ORDER BY t.seq DESC LIMIT ?", (before_seq, n))
        return tuple(RunSummary(started, _end_of(connection, started.row.run)) for started in newest)


def runs_between(path: Path, from_ms: int, before_ms: int) -> tuple[RunReport, ...]:
    """Return the runs that began in a time, oldest first; in milliseconds since 1970-01-01 UTC. Raises as `reading`."""
    with reading(path) as connection:
        started = evidence(connection, RunStarted, "WHERE t.at_ms >= ? AND t.at_ms < ?", (from_ms, before_ms))
        return tuple(_report(connection, one) for one in started)


def newest_runs(path: Path, from_ms: int = 0, before_ms: int = _NEVER) -> Iterator[RunReport]:
    """Yield the runs that began in a time and have ended, the newest first, read a few at a time. Raises as `reading`.

    In milliseconds since 1970-01-01 UTC.
    """
    last = (_NEVER, _NEVER)
    while True:
        with reading(path) as connection:
            found = evidence(
                connection,
                RunStarted,
                "WHERE t.at_ms >= ? AND t.at_ms < ? AND (t.at_ms < ? OR (t.at_ms = ? AND t.seq < ?)) "
                "ORDER BY t.at_ms DESC, t.seq DESC LIMIT ?",
                (from_ms, before_ms, last[0], *last, _AT_ONCE),
            )
            reports = [_report(connection, started) for started in found]
        yield from (report for report in reports if report.ended is not None)
        if len(found) < _AT_ONCE:
            return
        last = (found[-1].at_ms, found[-1].seq)


def events_between(path: Path, code: str, from_ms: int, before_ms: int) -> tuple[Stamped[Event], ...]:
    """Return the events of a code in a time, oldest first. Raises as `reading` does."""
    with reading(path) as connection:
        span = (code, from_ms, before_ms)
        return evidence(connection, Event, "WHERE t.code = ? AND t.at_ms >= ? AND t.at_ms < ?", span)


def noted_after(path: Path, seq: int) -> tuple[tuple[Stamped[AlarmRaised | RunEnded | Event], ...], int]:
    """Return the alarms, ends of runs and events after a place in the record, oldest first, and its newest place.

    Raises as `reading` does.
    """
    with reading(path) as connection:
        (newest,) = connection.execute("SELECT coalesce(max(seq), 0) FROM seal").fetchone()
        found: list[Stamped[AlarmRaised | RunEnded | Event]] = []
        for kind in (AlarmRaised, RunEnded, Event):
            found += evidence(connection, kind, "WHERE t.seq > ?", (seq,))
        return tuple(sorted(found, key=lambda stamped: stamped.seq)), int(newest)


def alarms_before(path: Path, n: int, before_seq: int) -> tuple[tuple[Stamped[AlarmRaised], int | None], ...]:
    """Return the last `n` alarms before a place in the record, the newest first, each with when it was cleared.

    That is in milliseconds since 1970-01-01 UTC; None while it stands. Raises as `reading` does.
    """
    with reading(path) as connection:
        found = evidence(connection, AlarmRaised, "WHERE t.seq < ? ORDER BY t.seq DESC LIMIT ?", (before_seq, n))
        return tuple((raised, _cleared_ms(connection, raised)) for raised in found)


def last_reconciled(path: Path, n: int) -> tuple[Stamped[DoseReconciled], ...]:
    """Return what the last `n` runs' estimates said, oldest first. Raises as `reading` does."""
    with reading(path) as connection:
        return evidence(
            connection,
            DoseReconciled,
            "WHERE t.run IN (SELECT run FROM run_ended ORDER BY seq DESC LIMIT ?) ORDER BY t.seq",
            (n,),
        )


def breakthroughs(path: Path, n: int) -> tuple[Mapping[str, Any], ...]:
    """Return what the stock's fronts said of the way to their blocks in the last `n` runs, oldest first.

    Raises as `reading` does.
    """
    with reading(path) as connection:
        found = evidence(
            connection,
            Event,
            "WHERE t.code = 'breakthrough' AND json_extract(t.detail, '$.run') IN "
            "(SELECT run FROM run_ended ORDER BY seq DESC LIMIT ?) ORDER BY t.seq",
            (n,),
        )
        return tuple(json.loads(stamped.row.detail) for stamped in found)


def latest_decisions(path: Path) -> tuple[Decided, ...]:
    """Return the newest version of every decision, ordered by kind and key. Raises as `reading` does."""
    with reading(path) as connection:
        found = connection.execute(
            "SELECT kind, key, version, body, who, at_ms, trusted, seq FROM decision d "
            "WHERE version = (SELECT max(version) FROM decision WHERE kind = d.kind AND key = d.key) ORDER BY kind, key"
        )
        return tuple(_decided(row) for row in found)


def newest_decision(path: Path) -> str:
    """Return the seal of the newest version of any decision; empty where there is none. Raises as `reading` does."""
    with reading(path) as connection:
        found = connection.execute("SELECT digest FROM seal WHERE seq = (SELECT max(seq) FROM decision)").fetchone()
        return str(found[0]) if found else ""


def versions_of(path: Path, kind: str, key: str) -> tuple[Decided, ...]:
    """Return all versions of one decision, the newest first. Raises as `reading` does."""
    with reading(path) as connection:
        found = connection.execute(
            "SELECT kind, key, version, body, who, at_ms, trusted, seq FROM decision WHERE kind = ? AND key = ? "
            "ORDER BY version DESC",
            (kind, key),
        )
        return tuple(_decided(row) for row in found)


def recorded_before(path: Path, command: str) -> CommandAnswered | None:
    """Return what became of the record command of that id; None when it was not done. Raises as `reading` does."""
    with reading(path) as connection:
        found = evidence(connection, CommandAnswered, "WHERE t.command = ? AND t.verb = ?", (command, RECORD))
        return found[0].row if found else None


def is_simulated(path: Path) -> bool:
    """Return whether a ledger was born simulated. Raises as `reading` does."""
    with reading(path) as connection:
        (born,) = connection.execute("SELECT born FROM meta").fetchone()
        return bool(born == "simulated")


def began_ms(path: Path) -> int:
    """Return when a ledger was born, in milliseconds since 1970-01-01 UTC. Raises as `reading` does."""
    with reading(path) as connection:
        return int(connection.execute("SELECT at_ms FROM meta").fetchone()[0])


def verify_file(path: Path) -> Verdict:
    """Check the whole chain against the rows as they lie in the file, one row at a time.

    Raises LedgerMissing when there is no ledger, and LedgerDamaged where the file is too torn to be read through.
    """
    with reading(path) as connection:
        return verify(sealed_rows(connection))


def _report(connection: sqlite3.Connection, started: Stamped[RunStarted]) -> RunReport:
    run = started.row.run
    ended = _end_of(connection, run)
    span = (started.seq, ended.seq if ended else _NEVER)
    return RunReport(
        started,
        evidence(connection, PhaseEnded, "WHERE t.run = ?", (run,)),
        evidence(connection, InjectionIntent, "WHERE t.run = ?", (run,)),
        next(iter(evidence(connection, Checkpoint, _NEWEST_OF_RUN, (*span, run))), None),
        evidence(connection, Dose, "WHERE t.run = ?", (run,)),
        evidence(connection, DoseReconciled, "WHERE t.run = ?", (run,)),
        evidence(connection, DoseRestated, "WHERE t.run = ?", (run,)),
        evidence(connection, AlarmRaised, "WHERE t.seq BETWEEN ? AND ?", span),
        evidence(connection, AlarmCleared, "WHERE t.seq BETWEEN ? AND ?", span),
        ended,
    )


def _cleared_ms(connection: sqlite3.Connection, raised: Stamped[AlarmRaised]) -> int | None:
    row = connection.execute(
        "SELECT at_ms FROM alarm_cleared WHERE code = ? AND seq > ? ORDER BY seq LIMIT 1", (raised.row.code, raised.seq)
    ).fetchone()
    return None if row is None else int(row[0])


def _decided(row: tuple[Any, ...]) -> Decided:
    kind, key, version, body, who, at_ms, trusted, seq = row
    return Decided(kind, key, version, body, who, at_ms, bool(trusted), seq)


def _end_of(connection: sqlite3.Connection, run: str) -> Stamped[RunEnded] | None:
    ended = evidence(connection, RunEnded, "WHERE t.run = ?", (run,))
    return ended[0] if ended else None
