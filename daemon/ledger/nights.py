"""What the record knows of nights: starts that were claimed, plans, and what a command's runs came to."""

import json
import sqlite3
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from daemon.evidence import NightPlanned, RunEnded, RunStarted, StartClaimed
from daemon.ledger.reading import Stamped, evidence, reading
from daemon.ledger.readings import read
from daemon.recipe import Recipe, parse_recipe
from daemon.units import stock_l

_LAST_SIGN = """
SELECT max(at_ms) FROM (
    SELECT at_ms FROM checkpoint WHERE seq BETWEEN :started AND :ended AND run = :run
    UNION ALL SELECT at_ms FROM phase_ended WHERE run = :run
)
"""
_DECIDED = """
SELECT d.key, d.at_ms, d.trusted, (SELECT min(e.seq) FROM event e WHERE e.seq > d.seq AND e.trusted)
FROM decision d
WHERE d.kind = ? AND d.version = (SELECT max(version) FROM decision WHERE kind = d.kind AND key = d.key)
"""
_LONGEST_GAP_MS = 600_000
"""Between two readings of the flow: what passed in a longer one is not known."""
_FLOW = "flow_m3_h"
_NEVER = 2**63 - 1


@dataclass(frozen=True, slots=True)
class RunSoFar:
    """What a run came to."""

    recipe: Recipe
    state: str
    """ProcedureState at its end; empty while it goes on."""
    why: str
    injected_l: Mapping[str, float]
    """Stock by channel."""
    water_l: float
    lived_ms: int
    """When the controller last wrote of it while it ran: milliseconds since 1970-01-01 UTC."""


def claims_of(path: Path, nights: Collection[str]) -> tuple[StartClaimed, ...]:
    """Return the starts claimed for these nights, in the order in which they were. Raises as `reading` does."""
    marks = ", ".join("?" * len(nights))
    with reading(path) as connection:
        found = evidence(connection, StartClaimed, f"WHERE t.night IN ({marks})", tuple(nights))
        return tuple(claim.row for claim in found)


def newest_plan(path: Path, night: str) -> Stamped[NightPlanned] | None:
    """Return the newest plan of a night; None where there is none. Raises as `reading` does."""
    with reading(path) as connection:
        found = evidence(connection, NightPlanned, "WHERE t.night = ? ORDER BY t.seq DESC LIMIT 1", (night,))
        return found[0] if found else None


def decided_ms(path: Path, kind: str, now_ms: int) -> dict[str, int]:
    """Return when each decision of a kind got its newest version, by key; `now_ms` for one that seems to be of later.

    One that was recorded while the clock was not trusted counts from the first event after it with a clock that was,
    or from now. Raises as `reading` does.
    """
    with reading(path) as connection:
        found = {}
        for key, at_ms, trusted, event in connection.execute(_DECIDED, (kind,)).fetchall():
            if not trusted:
                row = connection.execute("SELECT at_ms FROM event WHERE seq = ?", (event,)).fetchone()
                at_ms = row[0] if row else now_ms
            found[key] = min(at_ms, now_ms)
        return found


def water_since_m3(path: Path, since_ms: int) -> float:
    """Return the water of all runs that began at `since_ms` or later, and what moved outside them."""
    with reading(path) as connection:
        (runs_ml,) = connection.execute(
            "SELECT coalesce(sum(e.water_ml), 0) FROM run_ended e JOIN run_started s ON s.run = e.run "
            "WHERE s.at_ms >= ?",
            (since_ms,),
        ).fetchone()
        (other_ml,) = connection.execute(
            "SELECT coalesce(sum(volume_ml), 0) FROM unscheduled WHERE channel = 'main' AND at_ms >= ?", (since_ms,)
        ).fetchone()
        return float(runs_ml + other_ml) / 1e6


def runs_besides(path: Path, command: str, mark: str) -> bool:
    """Return whether a run that is none of its own began since `command` was claimed. Raises as `reading` does."""
    with reading(path) as connection:
        found = connection.execute(
            "SELECT 1 FROM run_started WHERE seq > (SELECT seq FROM start_claimed WHERE command = ?) "
            "AND NOT instr(run, ?) LIMIT 1",
            (command, mark),
        )
        return found.fetchone() is not None


def alarm_stands(path: Path, code: str) -> bool:
    """Return whether an alarm was raised and not cleared since. Raises as `reading` does."""
    with reading(path) as connection:
        found = connection.execute(
            "SELECT 1 FROM alarm_raised r WHERE r.code = ? "
            "AND NOT EXISTS (SELECT 1 FROM alarm_cleared c WHERE c.code = r.code AND c.seq > r.seq) LIMIT 1",
            (code,),
        )
        return found.fetchone() is not None


def was_refused(path: Path, command: str) -> bool:
    """Return whether a control command was answered with a refusal. Raises as `reading` does."""
    with reading(path) as connection:
        found = connection.execute(
            "SELECT 1 FROM command_answered WHERE command = ? AND NOT accepted LIMIT 1", (command,)
        )
        return found.fetchone() is not None


def runs_marked(path: Path, mark: str, readings: Path | None = None) -> dict[str, RunSoFar]:
    """Return the runs whose names bear a mark, by name. Raises as `reading` does.

    A run that waters writes few rows: `readings` is the history that tells better how long the controller lived, and
    how much water passed where no row does.
    """
    with reading(path) as connection:
        found: dict[str, RunSoFar] = {}
        for started in evidence(
            connection, RunStarted, "WHERE t.run IN (SELECT run FROM run_started WHERE instr(run, ?))", (mark,)
        ):
            run = started.row.run
            recipe = parse_recipe(json.loads(started.row.recipe))
            ended = evidence(connection, RunEnded, "WHERE t.run = ?", (run,))
            span = {"started": started.seq, "ended": ended[0].seq if ended else _NEVER}
            (sign_ms,) = connection.execute(_LAST_SIGN, {"run": run, **span}).fetchone()
            doses = connection.execute(
                "SELECT channel, nutrient, sum(injected_mg) FROM dose WHERE run = ? AND estimate = 'METER' "
                "GROUP BY channel, nutrient",
                (run,),
            ).fetchall()
            water_l = ended[0].row.water_ml / 1000.0 if ended else 0.0
            lived_ms = sign_ms or started.at_ms
            if readings is not None and ended:
                # A run that a stop cut off is ended by the next start, whose own readings are of another life.
                seen_ms, seen_l = _by_flow(readings, started.at_ms, ended[0].at_ms - 1)
                lived_ms, water_l = max(lived_ms, seen_ms), water_l or seen_l
            found[run] = RunSoFar(
                recipe,
                ended[0].row.state if ended else "",
                ended[0].row.why if ended else "",
                _injected_l(recipe, doses),
                water_l,
                lived_ms,
            )
        return found


def _by_flow(readings: Path, from_ms: int, to_ms: int) -> tuple[int, float]:
    """Return the last moment at which the flow was read, 0 for never, and the litres that the readings sum up to."""
    try:
        flows = read(readings, _FLOW, from_ms, to_ms)
    except sqlite3.Error:
        return 0, 0.0  # losing the readings loses no dose: then less is known
    flowed_l = sum(
        0.5 * (before + after) * (at_ms - before_ms) / 3600.0
        for (before_ms, before), (at_ms, after) in pairwise(flows)
        if at_ms - before_ms <= _LONGEST_GAP_MS
    )
    return (flows[-1][0], flowed_l) if flows else (0, 0.0)


def _injected_l(recipe: Recipe, doses: Collection[tuple[str, str, int]]) -> dict[str, float]:
    """Return the stock that the doses stand for, by channel."""
    injected_mg: defaultdict[str, dict[str, int]] = defaultdict(dict)
    for channel, nutrient, mass_mg in doses:
        injected_mg[channel][nutrient] = mass_mg
    return {plan.channel: stock_l(plan.nutrients_g_l, injected_mg[plan.channel]) for plan in recipe.channels}
