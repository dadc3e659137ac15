"""What the blocks have had, read from the record for planning: nutrients by their newest statement, and water."""

import json
import operator
import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daemon.agronomy.past import Past, PastDose, PastWater
from daemon.ledger.reading import reading
from daemon.units import kilograms

_NEVER = 2**63 - 1
_EVER = datetime(1970, 1, 1, tzinfo=UTC)
_STATED = """
SELECT run, block, nutrient, channel, planned_mg, delivered_mg, delivered_mg + in_lines_mg, u_delivered_mg,
    basis = 'estimated', {is_revised}
FROM {table} WHERE estimate = 'METER' AND seq > ? ORDER BY seq
"""
"""The meter is what doses are judged by."""
_BEGUN = "SELECT min(seq) FROM run_started WHERE at_ms >= ?"
_ENDED = "SELECT s.run, s.at_ms FROM run_started s JOIN run_ended e ON e.run = s.run WHERE s.at_ms >= ?"
_WATER = """
SELECT e.run, json_extract(b.value, '$.block'), e.water_ml * json_extract(b.value, '$.share'),
    coalesce(json_extract(s.recipe, '$.source'), '')
FROM run_ended e JOIN run_started s ON s.run = e.run, json_each(s.recipe, '$.blocks') b
WHERE e.water_ml > 0 AND s.at_ms >= ? ORDER BY e.seq
"""
_OPEN = """
SELECT s.seq, s.run, s.at_ms, s.recipe FROM run_started s
WHERE NOT EXISTS (SELECT 1 FROM run_ended e WHERE e.run = s.run) ORDER BY s.seq
"""


def read_past(path: Path, since: datetime = _EVER) -> Past:
    """Return what every run that began at or after `since` gave, in no certain order; one under way is among them.

    A corrected mix's rows take the place of those that they restate. A run under way has committed what is injected so
    far, and nothing of it counts as delivered or as short yet. Water is the run's whole, its filter's drain included.
    Raises as `reading` does.
    """
    with reading(path) as connection:
        connection.text_factory = str  # quicker: damaged text raises here, and need not be named by its row
        since_ms = round(since.timestamp() * 1000.0)
        (first,) = connection.execute(_BEGUN, (since_ms,)).fetchone()
        at = {run: _moment(at_ms) for run, at_ms in connection.execute(_ENDED, (since_ms,))}
        doses = [
            PastDose(
                run=run,
                block=block,
                nutrient=nutrient,
                at=at[run],
                planned_kg=kilograms(planned_mg),
                delivered_kg=kilograms(delivered_mg),
                committed_kg=kilograms(committed_mg),
                u_kg=kilograms(u_mg),
                is_disputed=bool(is_disputed),
                is_revised=bool(is_revised),
            )
            for (run, block, nutrient), (
                planned_mg,
                delivered_mg,
                committed_mg,
                u_mg,
                is_disputed,
                is_revised,
            ) in _sums(connection, _NEVER if first is None else first)
            if run in at
        ]
        water = [
            PastWater(run, block, at[run], water_ml / 1e6, source)
            for run, block, water_ml, source in connection.execute(_WATER, (since_ms,))
        ]
        for seq, run, at_ms, recipe in connection.execute(_OPEN):
            under_way = _Open(connection, seq, run, at_ms, json.loads(recipe))
            doses += under_way.doses()
            water += under_way.water()
        return Past(tuple(doses), tuple(water))


def _sums(connection: sqlite3.Connection, first: int) -> Iterable[tuple[tuple[str, str, str], tuple[int, ...]]]:
    """Return the newest statements by run, block and nutrient, the channels added as dosing/outcome.py adds them.

    Those of runs that began before row `first` may be missing.
    """
    newest: dict[tuple[str, ...], tuple[int, ...]] = {}
    for table, is_revised in (("dose", 0), ("dose_restated", 1)):
        for run, block, nutrient, channel, *figures in connection.execute(
            _STATED.format(table=table, is_revised=is_revised), (first,)
        ):
            newest[run, block, nutrient, channel] = tuple(figures)
    sums: dict[tuple[str, str, str], tuple[int, ...]] = {}
    for (run, block, nutrient, _), figures in newest.items():
        before = sums.get((run, block, nutrient))
        # Two truth values add up to true as well.
        sums[run, block, nutrient] = figures if before is None else tuple(map(operator.add, before, figures))
    return sums.items()


class _Open:
    """A run that has not ended, as its newest checkpoints have it."""

    def __init__(self, connection: sqlite3.Connection, seq: int, run: str, at_ms: int, recipe: dict[str, Any]) -> None:
        found = connection.execute(
            "SELECT channel, water_ml, stock_ml, max(seq) FROM checkpoint WHERE seq > ? AND run = ? GROUP BY channel",
            (seq, run),
        ).fetchall()
        self._run = run
        self._recipe = recipe
        self._at = _moment(at_ms)
        self._water_ml = max((row[1] for row in found), default=0)
        self._stock_ml = {row[0]: row[2] for row in found}

    def doses(self) -> Iterator[PastDose]:
        """Yield what is planned and injected, by block and nutrient."""
        for block in self._recipe["blocks"]:
            planned_mg: defaultdict[str, float] = defaultdict(float)
            injected_mg: defaultdict[str, float] = defaultdict(float)
            for plan in self._recipe["channels"]:
                channel = plan["channel"]
                for nutrient, mass_mg in block["planned_mg"][channel].items():
                    planned_mg[nutrient] += mass_mg
                    # A millilitre of a gram a litre holds a milligram.
                    injected_mg[nutrient] += (
                        self._stock_ml.get(channel, 0) * block["share"] * plan["nutrients_g_l"][nutrient]
                    )
            for nutrient, mass_mg in planned_mg.items():
                yield PastDose(
                    run=self._run,
                    block=block["block"],
                    nutrient=nutrient,
                    at=self._at,
                    planned_kg=mass_mg / 1e6,
                    delivered_kg=0.0,
                    committed_kg=injected_mg[nutrient] / 1e6,
                    u_kg=0.0,
                    is_disputed=True,
                    is_revised=False,
                )

    def water(self) -> Iterator[PastWater]:
        """Yield what has passed, by block."""
        source = self._recipe.get("source", "")
        for block in self._recipe["blocks"]:
            yield PastWater(self._run, block["block"], self._at, self._water_ml * block["share"] / 1e6, source)


def _moment(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000.0, UTC)
