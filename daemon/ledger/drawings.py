"""What runs drew from a tank, as the record has it: what a corrected mix states anew, and what is left."""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TypeVar

from daemon.agronomy.restate import Drawing
from daemon.evidence import Checkpoint, Dose, DoseRestated, InjectionIntent, PhaseEnded, RunEnded, RunStarted
from daemon.ledger.reading import Stamped, evidence, reading
from daemon.ledger.tables import named
from daemon.units import stock_l

_Kind = TypeVar("_Kind", Checkpoint, Dose, DoseRestated)

_DREW = f"t.run IN (SELECT run FROM {named(Dose)} WHERE injected_mg <> 0)"
_GOING_ON = """
SELECT c.channel, max(c.stock_ml) - max(iif(c.at_ms <= ?, c.stock_ml, 0))
FROM run_started s CROSS JOIN checkpoint c ON c.seq > s.seq AND c.run = s.run
WHERE NOT EXISTS (SELECT 1 FROM run_ended e WHERE e.run = s.run)
GROUP BY c.run, c.channel
"""


def drawn_since(path: Path, channels: Collection[str], since_ms: int, changes_ms: Sequence[int]) -> tuple[Drawing, ...]:
    """Return what `channels` drew in runs that ended at `since_ms` or later, run after run.

    `changes_ms` are the moments at which the tank's strength changed: checkpoints are read only where one is needed.
    Raises as `reading` does.
    """
    with reading(path) as connection:
        ended = evidence(connection, RunEnded, f"WHERE t.at_ms >= ? AND {_DREW}", (since_ms,))
        return tuple(d for end in ended for d in _of_run(connection, end, changes_ms) if d.channel in channels)


def drawn_in(path: Path, run: str, changes_ms: Sequence[int]) -> tuple[Drawing, ...]:
    """Return what each channel drew in one run, nothing while it has not ended; else as `drawn_since`."""
    with reading(path) as connection:
        ended = evidence(connection, RunEnded, f"WHERE t.run = ? AND {_DREW}", (run,))
        return tuple(drawing for end in ended for drawing in _of_run(connection, end, changes_ms))


def drawn_l(path: Path, channels: Collection[str], since_ms: int) -> float:
    """Return the litres of stock that `channels` drew after `since_ms`, a run that goes on as far as its checkpoints.

    Of a run that was under way then, what its newest checkpoint of before had is taken off. Raises as `reading` does.
    """
    ended_ml = sum(_after_ml(drawing, since_ms) for drawing in drawn_since(path, channels, since_ms, (since_ms,)))
    with reading(path) as connection:
        going_on: list[tuple[str, int]] = connection.execute(_GOING_ON, (since_ms,)).fetchall()
    return (ended_ml + sum(after_ml for channel, after_ml in going_on if channel in channels)) / 1000.0


def _after_ml(drawing: Drawing, since_ms: int) -> float:
    """Return what a run that has ended drew after a moment."""
    if drawing.to_ms <= since_ms:
        return 0.0
    injected_mg: defaultdict[str, float] = defaultdict(float)
    for dose in drawing.doses:
        if dose.estimate == "METER":
            injected_mg[dose.nutrient] += dose.injected_mg
    before_ml = max((stock_ml for at_ms, stock_ml in drawing.checkpoints if at_ms <= since_ms), default=0)
    return max(0.0, 1000.0 * stock_l(drawing.nutrients_g_l, injected_mg) - before_ml)


def _of_run(connection: sqlite3.Connection, ended: Stamped[RunEnded], changes_ms: Sequence[int]) -> Iterator[Drawing]:
    of_run = ("WHERE t.run = ?", (ended.row.run,))
    (started,) = evidence(connection, RunStarted, *of_run)
    strengths = {plan["channel"]: plan["nutrients_g_l"] for plan in json.loads(started.row.recipe)["channels"]}
    phases = evidence(connection, PhaseEnded, *of_run)
    to_ms = max((phase.at_ms for phase in phases if phase.row.phase == "INJECT"), default=ended.at_ms)
    begun_ms = {intent.row.channel: intent.at_ms for intent in reversed(evidence(connection, InjectionIntent, *of_run))}
    is_changed = any(started.at_ms < ms < to_ms for ms in changes_ms)
    span = (started.seq, ended.seq, ended.row.run)
    checkpoints = _by_channel(
        evidence(connection, Checkpoint, "WHERE t.seq BETWEEN ? AND ? AND t.run = ?", span) if is_changed else ()
    )
    doses = _by_channel(evidence(connection, Dose, *of_run))
    restated = _by_channel(evidence(connection, DoseRestated, *of_run))
    for channel in doses:
        yield Drawing(
            run=ended.row.run,
            channel=channel,
            nutrients_g_l=strengths[channel],
            from_ms=begun_ms.get(channel, started.at_ms),
            to_ms=to_ms,
            checkpoints=tuple((found.at_ms, found.row.stock_ml) for found in checkpoints[channel]),
            doses=tuple(found.row for found in doses[channel]),
            restated=tuple(found.row for found in restated[channel]),
        )


def _by_channel(rows: Iterable[Stamped[_Kind]]) -> Mapping[str, list[Stamped[_Kind]]]:
    sorted_out: defaultdict[str, list[Stamped[_Kind]]] = defaultdict(list)
    for found in rows:
        sorted_out[found.row.channel].append(found)
    return sorted_out
