"""What the record knows at boot: the run that never ended, the flush that is owed, the latches, the commands done."""

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from daemon.evidence import (
    AlarmRaised,
    Checkpoint,
    CommandAnswered,
    Dose,
    FlushOwed,
    InjectionIntent,
    PhaseEnded,
    RunEnded,
    RunStarted,
)
from daemon.ledger.reading import Stamped, evidence, reading
from daemon.ledger.tables import named
from daemon.messages import RECORD

REMEMBERED = 1000
"""Control commands whose answers are remembered, so that one sent again is not done again."""


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
class Durable:
    """What a boot has to know of the time before it."""

    run: OpenRun | None
    """The newest run without an end."""
    unended: tuple[str, ...]
    """Ids of older runs without an end, oldest first: none, unless a run was begun over an open one."""
    owed: tuple[Stamped[FlushOwed], ...]
    """The newest row of each segment and stock that no later row has cleared."""
    latched: tuple[Stamped[AlarmRaised], ...]
    """The newest latched row of each cause that no later row has cleared."""
    answered: tuple[Stamped[CommandAnswered], ...]
    """The newest control commands and what became of them, oldest first."""


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
        return Durable(
            _open_run(connection, unended[-1]) if unended else None,
            tuple(started.row.run for started in unended[:-1]),
            evidence(
                connection,
                FlushOwed,
                "WHERE NOT EXISTS (SELECT 1 FROM flush_cleared c "
                "WHERE c.segment = t.segment AND c.stock = t.stock AND c.seq > t.seq) "
                "AND t.seq = (SELECT max(seq) FROM flush_owed o WHERE o.segment = t.segment AND o.stock = t.stock)",
            ),
            evidence(
                connection,
                AlarmRaised,
                "WHERE t.latched "
                "AND NOT EXISTS (SELECT 1 FROM alarm_cleared c WHERE c.code = t.code AND c.seq > t.seq) "
                "AND t.seq = (SELECT max(seq) FROM alarm_raised o WHERE o.code = t.code AND o.latched)",
            ),
            answered[::-1],
        )


def _open_run(connection: sqlite3.Connection, started: Stamped[RunStarted]) -> OpenRun:
    mine = (started.row.run,)
    return OpenRun(
        started,
        evidence(connection, PhaseEnded, "WHERE t.run = ?", mine),
        evidence(connection, InjectionIntent, "WHERE t.run = ?", mine),
        evidence(
            connection,
            Checkpoint,
            "WHERE t.run = ? AND t.seq = (SELECT max(seq) FROM checkpoint c "
            "WHERE c.run = t.run AND c.channel = t.channel)",
            mine,
        ),
        evidence(connection, Dose, "WHERE t.run = ?", mine),
    )
