"""What the record holds of the commissioning: every attempt at a step, with all that was entered and kept in it."""

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.evidence import StepBegun, StepEnded, StepEntered, StepTurned
from daemon.ledger.reading import Stamped, evidence, reading

ACCEPTED, ABORTED = "ACCEPTED", "ABORTED"


@dataclass(frozen=True, slots=True)
class AttemptReport:
    """One attempt."""

    begun: Stamped[StepBegun]
    entered: tuple[Stamped[StepEntered], ...]
    """Everything, what was repeated too."""
    turned: tuple[Stamped[StepTurned], ...]
    ended: Stamped[StepEnded] | None
    """None while it goes on, and after a stop of the controller in it."""

    @property
    def entries(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What counts: stages and what they brought, without what was turned back from."""
        kept: list[tuple[str, Mapping[str, Any]]] = []
        rows: list[Stamped[StepEntered] | Stamped[StepTurned]] = [*self.entered, *self.turned]
        for stamped in sorted(rows, key=lambda one: one.seq):
            row = stamped.row
            if isinstance(row, StepEntered):
                kept.append((row.stage, json.loads(row.brought)))
            elif row.stage:
                place = next((n for n, (stage, _) in enumerate(kept) if stage == row.stage), len(kept))
                del kept[place:]
        return tuple(kept)

    @property
    def done(self) -> tuple[str, str, str, int, str]:
        """Of one that was accepted: step, subject, section, when (milliseconds since 1970-01-01 UTC) and verdict."""
        begun, ended = self.begun.row, self.ended
        if ended is None:
            raise ValueError(f"attempt {begun.attempt} has not ended")
        return begun.step, begun.subject, begun.section, ended.at_ms, ended.row.verdict

    @property
    def result(self) -> Mapping[str, Any]:
        """Its result; empty where it has none."""
        found: Mapping[str, Any] = (
            {} if self.ended is None or not self.ended.row.result else json.loads(self.ended.row.result)
        )
        return found


def attempts(path: Path) -> tuple[AttemptReport, ...]:
    """Return every attempt, the oldest first. Raises as `reading` does."""
    with reading(path) as connection:
        return tuple(_report(connection, begun) for begun in evidence(connection, StepBegun))


def attempt_of(path: Path, attempt: str) -> AttemptReport | None:
    """Return one attempt; None where the record knows none of that id. Raises as `reading` does."""
    with reading(path) as connection:
        begun = evidence(connection, StepBegun, "WHERE t.attempt = ?", (attempt,))
        return _report(connection, begun[0]) if begun else None


def open_attempt(path: Path) -> AttemptReport | None:
    """Return the attempt that has not ended, the newest if there were several. Raises as `reading` does."""
    with reading(path) as connection:
        rest = "LEFT JOIN step_ended e ON e.attempt = t.attempt WHERE e.seq IS NULL ORDER BY t.seq DESC LIMIT 1"
        begun = evidence(connection, StepBegun, rest)
        return _report(connection, begun[0]) if begun else None


def accepted(path: Path) -> tuple[AttemptReport, ...]:
    """Return the accepted attempts, the newest first, without what was entered. Raises as `reading` does."""
    with reading(path) as connection:
        rest = "JOIN step_begun b ON b.attempt = t.attempt WHERE t.state = 'ACCEPTED' ORDER BY t.seq DESC"
        ends = {stamped.row.attempt: stamped for stamped in evidence(connection, StepEnded, rest)}
        begun = {stamped.row.attempt: stamped for stamped in evidence(connection, StepBegun)}
        return tuple(AttemptReport(begun[name], (), (), ended) for name, ended in ends.items())


def _report(connection: sqlite3.Connection, begun: Stamped[StepBegun]) -> AttemptReport:
    name = (begun.row.attempt,)
    ended = evidence(connection, StepEnded, "WHERE t.attempt = ?", name)
    return AttemptReport(
        begun,
        evidence(connection, StepEntered, "WHERE t.attempt = ?", name),
        evidence(connection, StepTurned, "WHERE t.attempt = ?", name),
        ended[0] if ended else None,
    )
