"""Spans of readings packed into rows of history.db: hours at full resolution, and a ladder of least, mean and highest.

When an hour is over its readings are packed, and each tier above is brought up to it, so that a chart of any span finds
a tier with a few thousand rows. The fine tiers go after their time; the coarse ones stay.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from daemon.keeping import Keeping
from daemon.ledger.packing import pack, unpack

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
SPAN_SCHEMA = (
    "CREATE TABLE IF NOT EXISTS span (id INTEGER PRIMARY KEY, point INTEGER NOT NULL REFERENCES point (id), "
    "tier INTEGER NOT NULL, from_ms INTEGER NOT NULL, to_ms INTEGER NOT NULL, n INTEGER NOT NULL, data BLOB NOT NULL)",
    "CREATE INDEX IF NOT EXISTS ix_span ON span (point, tier, from_ms)",
)
_ROWS_AT_ONCE = 20_000
_MEAN_DECIMALS = 4
"""Beyond the last digit that an instrument here shows, in cubic metres an hour, kilopascals, litres or mS/cm."""


class Tier(NamedTuple):
    """A resolution."""

    step_ms: int
    span_ms: int
    """Of one row of the file."""


FULL, MINUTES = 0, 1
TIERS = (
    Tier(1, HOUR_MS),
    Tier(60_000, 6 * HOUR_MS),
    Tier(15 * 60_000, 4 * DAY_MS),
    Tier(4 * HOUR_MS, 64 * DAY_MS),
    Tier(64 * HOUR_MS, 1024 * DAY_MS),
)


class Part(NamedTuple):
    """A part of a span: its first moment, and the readings in it."""

    at_ms: int
    least: float
    mean: float
    most: float
    n: int
    """How many readings."""


def compact(connection: sqlite3.Connection, newest_ms: int) -> bool:
    """Pack the readings of hours before `newest_ms`'s and bring every tier up to them; return whether there were any.

    Within the caller's transaction. What is too much for one comes with the next: months of plain rows, once.
    """
    begin_ms = newest_ms - newest_ms % HOUR_MS
    packed = False
    left = _ROWS_AT_ONCE
    for (point,) in connection.execute("SELECT id FROM point").fetchall():
        rows = connection.execute(
            "SELECT at_ms, value FROM sample WHERE point = ? AND at_ms < ? ORDER BY at_ms LIMIT ?",
            (point, begin_ms, left),
        ).fetchall()
        if len(rows) == left:
            rows = _whole_hours(rows)
        if not rows:
            continue
        left -= len(rows)
        for hour in _by_span([Part(at_ms, value, value, value, 1) for at_ms, value in rows], HOUR_MS):
            _insert(connection, point, FULL, [part.at_ms for part in hour], [[part.mean for part in hour]])
            parts = hour
            for tier in range(MINUTES, len(TIERS)):
                parts = gathered(parts, TIERS[tier].step_ms)
                _add(connection, point, tier, parts)
            packed = True
        connection.execute("DELETE FROM sample WHERE point = ? AND at_ms <= ?", (point, rows[-1][0]))
    return packed


def _whole_hours(rows: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Return rows that were cut off somewhere without those of the last hour."""
    last = rows[-1][0] // HOUR_MS if rows else 0
    return [row for row in rows if row[0] // HOUR_MS < last]


def drop_old(connection: sqlite3.Connection, newest_ms: int, keeping: Keeping) -> None:
    """Drop what is finer than its time, and, where the file is over its size, the oldest of the finest there is."""
    for tier, days in ((FULL, keeping.readings_days), (MINUTES, keeping.minutes_days)):
        connection.execute("DELETE FROM span WHERE tier = ? AND to_ms < ?", (tier, newest_ms - days * DAY_MS))
    for tier in (FULL, MINUTES):
        while _used_bytes(connection) > keeping.readings_mb * 1_000_000:
            (oldest_ms,) = connection.execute("SELECT min(from_ms) FROM span WHERE tier = ?", (tier,)).fetchone()
            if oldest_ms is None:
                break
            connection.execute("DELETE FROM span WHERE tier = ? AND from_ms < ?", (tier, oldest_ms + DAY_MS))


def gathered(parts: Iterable[Part], step_ms: int) -> list[Part]:
    """Return parts, in order of time, gathered into wider ones that begin at whole multiples of `step_ms`."""
    found: list[Part] = []
    for part in parts:
        at_ms = part.at_ms - part.at_ms % step_ms
        if found and found[-1].at_ms == at_ms:
            found[-1] = _together(found[-1], part)
        else:
            found.append(part._replace(at_ms=at_ms))
    return found


def parts_of(tier: int, data: bytes) -> list[Part]:
    """Return what a row of the file holds; nothing of one that is damaged: the others are worth having."""
    try:
        times, columns = unpack(data)
    except ValueError:
        return []
    if tier == FULL:
        return [Part(at_ms, value, value, value, 1) for at_ms, value in zip(times, columns[0], strict=True)]
    least, mean, most, n = columns
    return [
        Part(at_ms, low, middle, high, int(many))
        for at_ms, low, middle, high, many in zip(times, least, mean, most, n, strict=True)
    ]


def _add(connection: sqlite3.Connection, point: int, tier: int, parts: Sequence[Part]) -> None:
    """Add parts to the rows that their spans have in the file already."""
    for span in _by_span(parts, TIERS[tier].span_ms):
        begin_ms = span[0].at_ms - span[0].at_ms % TIERS[tier].span_ms
        found = connection.execute(
            "SELECT id, data FROM span WHERE point = ? AND tier = ? AND from_ms BETWEEN ? AND ?",
            (point, tier, begin_ms, begin_ms + TIERS[tier].span_ms - 1),
        ).fetchall()
        known = [part for _, data in found for part in parts_of(tier, data)]
        whole = gathered(sorted((*known, *span), key=lambda part: part.at_ms), TIERS[tier].step_ms)
        connection.executemany("DELETE FROM span WHERE id = ?", [(row,) for row, _ in found])
        columns = [
            [part.least for part in whole],
            [round(part.mean, _MEAN_DECIMALS) for part in whole],
            [part.most for part in whole],
            [float(part.n) for part in whole],
        ]
        _insert(connection, point, tier, [part.at_ms for part in whole], columns)


def _insert(
    connection: sqlite3.Connection, point: int, tier: int, times: Sequence[int], columns: Sequence[Sequence[float]]
) -> None:
    last_ms = times[-1] + TIERS[tier].step_ms - 1
    connection.execute(
        "INSERT INTO span (point, tier, from_ms, to_ms, n, data) VALUES (?, ?, ?, ?, ?, ?)",
        (point, tier, times[0], last_ms, len(times), pack(times, *columns)),
    )


def _together(one: Part, other: Part) -> Part:
    n = one.n + other.n
    mean = (one.mean * one.n + other.mean * other.n) / n
    return Part(one.at_ms, min(one.least, other.least), mean, max(one.most, other.most), n)


def _by_span(parts: Sequence[Part], span_ms: int) -> Iterator[list[Part]]:
    """Yield parts, in order of time, by the span that each is in."""
    span: list[Part] = []
    for row in parts:
        if span and row.at_ms // span_ms != span[0].at_ms // span_ms:
            yield span
            span = []
        span.append(row)
    if span:
        yield span


def _used_bytes(connection: sqlite3.Connection) -> int:
    pages, free, size = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * size
