"""What the blocks have had, read from the record for planning: nutrients by their newest statement, and water."""

import json
import sqlite3
import threading
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from daemon.agronomy.past import Past, PastDose, PastDraw, PastRun, PastWater
from daemon.ledger.reading import reading
from daemon.units import kilograms, stock_l

_EVER = datetime(1970, 1, 1, tzinfo=UTC)
_HEAD = "SELECT seq, digest FROM seal ORDER BY seq DESC LIMIT 1"
_CHANGED = """
WITH changed(run) AS (
    SELECT run FROM run_ended WHERE seq > :seq
    UNION SELECT run FROM dose WHERE seq > :seq
    UNION SELECT run FROM dose_restated WHERE seq > :seq
)
SELECT s.run, s.at_ms, s.recipe, e.water_ml FROM changed c
JOIN run_started s ON s.run = c.run JOIN run_ended e ON e.run = c.run
WHERE s.at_ms >= :since ORDER BY s.seq
"""
_DOSES = """
SELECT run, channel, block, nutrient, planned_mg, delivered_mg, delivered_mg + in_lines_mg, u_delivered_mg,
    basis = 'estimated', injected_mg, u_injected_mg
FROM {table} WHERE estimate = 'METER' AND run IN (SELECT value FROM json_each(?)) ORDER BY seq
"""
"""The meter is what doses are judged by."""
_WATERED = """
SELECT run, sum(water_ml) FROM phase_ended
WHERE phase <> 'FILL' AND run IN (SELECT value FROM json_each(?)) GROUP BY run
"""
_OPEN = """
SELECT s.seq, s.run, s.at_ms, s.recipe FROM run_started s
WHERE s.seq >= ? AND NOT EXISTS (SELECT 1 FROM run_ended e WHERE e.run = s.run) ORDER BY s.seq
"""
_AT_ONCE = 300
"""Runs whose rows are in memory together."""
_ANSWERS = 3
"""Kept: of the last two years, of a season, of all."""


def read_past(path: Path, since: datetime = _EVER) -> Past:
    """Return what every run that began at or after `since` gave: `PastReader.past`, read once."""
    return PastReader(path).past(since)


@dataclass(frozen=True, slots=True)
class _Kept:
    at: datetime
    doses: tuple[PastDose, ...]
    water: tuple[PastWater, ...]
    run: PastRun


class PastReader:
    """Reads what the runs gave, and of a record that has grown only what is new. For any thread."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._since_ms: int | None = None
        self._head = (0, "")
        self._kept: dict[str, _Kept] = {}
        self._open_from = 0
        """Every run before this place of the record has ended."""
        self._pasts: dict[int, tuple[int, Past]] = {}
        """Answers, which are worth keeping with their indexes: by how many runs of long ago each leaves out, with how
        many it has."""

    def past(self, since: datetime = _EVER) -> Past:
        """Return what every run that began at or after `since` gave, in no certain order; one under way is among them.

        A corrected mix's rows take the place of those that they restate. A run under way has committed what is injected
        so far, and nothing of it counts as delivered or as short yet. Water is the run's whole, its filter's drain
        included. Raises as `reading` does.
        """
        with self._lock, reading(self.path) as connection:
            self._follow(connection, since)
            whole = self._past_of(self._later(since))
            doses_now, water_now = list[PastDose](), list[PastWater]()
            under_way_now = connection.execute(_OPEN, (self._open_from,)).fetchall()
            self._open_from = under_way_now[0][0] if under_way_now else self._head[0]
            for seq, run, at_ms, recipe in under_way_now:
                under_way = _Open(connection, seq, run, at_ms, json.loads(recipe))
                doses_now += under_way.doses()
                water_now += under_way.water()
            return whole.also(doses_now, water_now) if doses_now or water_now else whole

    def runs(self, since: datetime = _EVER) -> tuple[PastRun, ...]:
        """Return the runs that began at or after `since` and have ended, oldest first. Raises as `reading` does."""
        with self._lock, reading(self.path) as connection:
            self._follow(connection, since)
            return tuple(one.run for one in self._later(since))

    def _later(self, since: datetime) -> list[_Kept]:
        return [one for one in self._kept.values() if one.at >= since]

    def _past_of(self, kept: Sequence[_Kept]) -> Past:
        left_out = len(self._kept) - len(kept)
        count, past = self._pasts.pop(left_out, (0, Past()))
        if count < len(kept):
            doses = (dose for one in kept[count:] for dose in one.doses)
            past = past.also(doses, (row for one in kept[count:] for row in one.water))
        if len(self._pasts) >= _ANSWERS:
            del self._pasts[next(iter(self._pasts))]
        self._pasts[left_out] = (len(kept), past)
        return past

    def _follow(self, connection: sqlite3.Connection, since: datetime) -> None:
        """Read what has come since the last look."""
        connection.text_factory = str  # quicker: damaged text raises here, and need not be named by its row
        since_ms = round(since.timestamp() * 1000.0)
        if self._since_ms is None or since_ms < self._since_ms or not self._is_continued(connection):
            self._since_ms, self._head, self._open_from, self._kept, self._pasts = since_ms, (0, ""), 0, {}, {}
        head = connection.execute(_HEAD).fetchone() or (0, "")
        span = {"seq": self._head[0], "since": self._since_ms}
        changed = connection.execute(_CHANGED, span).fetchall() if head != self._head else []
        for place in range(0, len(changed), _AT_ONCE):
            self._read(connection, changed[place : place + _AT_ONCE])
        self._head = head

    def _is_continued(self, connection: sqlite3.Connection) -> bool:
        """Return whether the record is the one that was read: a backup may have been restored meanwhile."""
        seq, digest = self._head
        return not seq or connection.execute("SELECT digest FROM seal WHERE seq = ?", (seq,)).fetchone() == (digest,)

    def _read(self, connection: sqlite3.Connection, changed: Sequence[tuple[str, int, str, int]]) -> None:
        named = (json.dumps([run for run, *_ in changed]),)
        stated: dict[str, _Statements] = defaultdict(dict)
        drawn: dict[str, _Statements] = defaultdict(dict)
        for table, is_revised in (("dose", 0), ("dose_restated", 1)):
            for run, channel, block, nutrient, *figures in connection.execute(_DOSES.format(table=table), named):
                stated[run][channel, block, nutrient] = (*figures, is_revised)
                if not is_revised:  # a corrected mix is of another strength, and of the same litres
                    drawn[run][channel, block, nutrient] = (*figures, is_revised)
        watered_ml = dict(connection.execute(_WATERED, named).fetchall())
        for run, at_ms, recipe, water_ml in changed:
            made = json.loads(recipe)
            at, shares = _moment(at_ms), {block["block"]: block["share"] for block in made["blocks"]}
            whole_m3, planned_m3 = watered_ml.get(run, 0) / 1e6, made.get("water_l", 0.0) / 1000.0
            if run in self._kept or (self._kept and at < next(reversed(self._kept.values())).at):
                self._pasts = {}  # a corrected mix restated it, or the clock was set back: no answer only grows
            self._kept[run] = _Kept(
                at,
                tuple(_doses(run, at, stated[run])),
                tuple(
                    PastWater(run, block, at, water_ml * share / 1e6, made.get("source", ""))
                    for block, share in shares.items()
                    if water_ml > 0
                ),
                PastRun(
                    run,
                    at,
                    {block: planned_m3 * share for block, share in shares.items()},
                    {block: whole_m3 * share for block, share in shares.items()},
                    tuple(_draws(made["channels"], drawn[run])),
                ),
            )


_Statements = dict[tuple[str, str, str], tuple[int, ...]]
"""By channel, block and nutrient: planned, delivered, committed and k = 2 in mg, whether in doubt, injected and its
k = 2 in mg, whether restated."""


def _doses(run: str, at: datetime, stated: _Statements) -> Iterator[PastDose]:
    """Yield the doses of one run, the channels added as dosing/outcome.py adds them."""
    sums: dict[tuple[str, str], tuple[int, ...]] = {}
    for (_, block, nutrient), figures in stated.items():
        before = sums.get((block, nutrient))
        # Two truth values add up to true as well.
        sums[block, nutrient] = figures if before is None else tuple(map(sum, zip(before, figures, strict=True)))
    for (block, nutrient), (planned, delivered, committed, u, is_disputed, _, _, is_revised) in sums.items():
        yield PastDose(
            run=run,
            block=block,
            nutrient=nutrient,
            at=at,
            planned_kg=kilograms(planned),
            delivered_kg=kilograms(delivered),
            committed_kg=kilograms(committed),
            u_kg=kilograms(u),
            is_disputed=bool(is_disputed),
            is_revised=bool(is_revised),
        )


def _draws(channels: Sequence[Mapping[str, Any]], drawn: _Statements) -> Iterator[PastDraw]:
    """Yield the litres of one run by channel."""
    injected_mg, u_mg = (defaultdict[str, defaultdict[str, float]](lambda: defaultdict(float)) for _ in range(2))
    for (channel, _, nutrient), (*_, injected, u_injected, _) in drawn.items():
        injected_mg[channel][nutrient] += injected
        u_mg[channel][nutrient] += u_injected
    for plan in channels:
        channel, strengths = plan["channel"], plan["nutrients_g_l"]
        if channel in injected_mg:
            litres = (stock_l(strengths, masses_mg[channel]) for masses_mg in (injected_mg, u_mg))
            yield PastDraw(channel, plan.get("batch", ""), *litres)


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
