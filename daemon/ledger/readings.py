"""What history.db holds, for charts and exports: as it came while that is kept, and for a chart a few thousand rows."""

import sqlite3
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from daemon.ledger.spans import FULL, TIERS, Part, gathered, parts_of

_PAGE = 5_000
"""Readings that an export has in memory, about."""
_HOURS = 24
MOST_ROWS = 4000
"""That a chart reads, about: of the tier that it takes; the newest hour comes as it is."""


def read(path: Path, point: str, from_ms: int, to_ms: int) -> list[tuple[int, float]]:
    """Return the moments (milliseconds since 1970-01-01 UTC) and values of a point, both ends included.

    Nothing for a point or a file that is not there. Raises sqlite3.Error for a file that cannot be read.
    """
    if not path.exists():
        return []
    with _reading(path) as connection:
        return [(part.at_ms, part.mean) for part in _full(connection, _id(connection, point), from_ms, to_ms)]


def points(path: Path) -> tuple[str, ...]:
    """Return the names of all points that have readings. Raises sqlite3.Error for a file that cannot be read."""
    if not path.exists():
        return ()
    with _reading(path) as connection:
        return tuple(name for (name,) in connection.execute("SELECT name FROM point ORDER BY name"))


def newest_ms(path: Path) -> int | None:
    """Return the moment of the newest reading; None where there is none. Raises sqlite3.Error as `points` does."""
    if not path.exists():
        return None
    with _reading(path) as connection:
        newest = "SELECT max(at_ms) FROM sample WHERE sample.point = point.id"
        packed = f"SELECT max(to_ms) FROM span WHERE span.point = point.id AND tier = {FULL}"
        rows = connection.execute(f"SELECT ({newest}), ({packed}) FROM point").fetchall()
        return max((moment for row in rows for moment in row if moment is not None), default=None)


def thinned(path: Path, point: str, from_ms: int, to_ms: int, most: int) -> list[tuple[int, float, float, float]]:
    """Return at most so many parts of a span, each with its first moment, and the least, mean and highest value in it.

    Parts without readings are left out. Raises sqlite3.Error for a file that cannot be read.
    """
    if not path.exists() or to_ms < from_ms:
        return []
    with _reading(path) as connection:
        parts = _at_most(connection, _id(connection, point), from_ms, to_ms)
    part_ms = max(1, -(-(to_ms - from_ms + 1) // most))
    wide = gathered((part._replace(at_ms=max(0, part.at_ms - from_ms)) for part in parts), part_ms)
    first = {max(0, part.at_ms - from_ms) // part_ms: part.at_ms for part in reversed(parts)}
    return [(first[part.at_ms // part_ms], part.least, part.mean, part.most) for part in wide]


def pages(path: Path, point: str, from_ms: int, to_ms: int) -> Iterator[list[tuple[int, float]]]:
    """Yield a span's readings in parts, each read in a transaction of its own, so that none holds the file for long.

    Raises sqlite3.Error for a file that cannot be read.
    """
    while from_ms <= to_ms and path.exists():
        with _reading(path) as connection:
            end_ms = _end_of_page(connection, _id(connection, point), from_ms, to_ms)
            found = _full(connection, _id(connection, point), from_ms, end_ms)
        if found:
            yield [(part.at_ms, part.mean) for part in found]
        from_ms = end_ms + 1


def _end_of_page(connection: sqlite3.Connection, point: int, from_ms: int, to_ms: int) -> int:
    """Return where a page that begins at `from_ms` ends: with the packed hour that fills it, or after so many rows."""
    end_ms = to_ms
    hours = connection.execute(
        "SELECT to_ms, n FROM span WHERE point = ? AND tier = ? AND to_ms >= ? AND from_ms <= ? "
        "ORDER BY from_ms LIMIT ?",
        (point, FULL, from_ms, to_ms, _HOURS),
    ).fetchall()
    rows = 0
    for number, (hour_ms, n) in enumerate(hours, 1):
        rows += n
        if rows >= _PAGE or number == _HOURS:
            end_ms = min(end_ms, hour_ms)
            break
    for (at_ms,) in connection.execute(
        "SELECT at_ms FROM sample WHERE point = ? AND at_ms BETWEEN ? AND ? ORDER BY at_ms LIMIT 1 OFFSET ?",
        (point, from_ms, to_ms, _PAGE - 1),
    ):
        end_ms = min(end_ms, at_ms)
    return end_ms


def _at_most(connection: sqlite3.Connection, point: int, from_ms: int, to_ms: int) -> list[Part]:
    """Return a span by the finest tier that has it in about MOST_ROWS; what is older than that tier by coarser ones."""
    tier = _finest(connection, point, from_ms, to_ms)
    parts = _tier(connection, point, tier, from_ms, to_ms)
    for coarser in range(tier + 1, len(TIERS)):
        oldest_ms = parts[0].at_ms if parts else to_ms + 1
        if oldest_ms - TIERS[coarser].step_ms < from_ms:
            break
        parts = [*_tier(connection, point, coarser, from_ms, oldest_ms - TIERS[coarser].step_ms), *parts]
    return _with_samples(connection, point, from_ms, to_ms, parts)


def _finest(connection: sqlite3.Connection, point: int, from_ms: int, to_ms: int) -> int:
    (packed,) = connection.execute(
        "SELECT coalesce(sum(n), 0) FROM span WHERE point = ? AND tier = ? AND to_ms >= ? AND from_ms <= ?",
        (point, FULL, from_ms, to_ms),
    ).fetchone()
    if packed <= MOST_ROWS:
        return FULL
    tiers = (tier for tier in range(1, len(TIERS)) if (to_ms - from_ms) // TIERS[tier].step_ms <= MOST_ROWS)
    return next(tiers, len(TIERS) - 1)


def _tier(connection: sqlite3.Connection, point: int, tier: int, from_ms: int, to_ms: int) -> list[Part]:
    """Return the parts of a tier that lie in a span, in order of time; of two of one moment the later written."""
    before_ms = from_ms - TIERS[tier].span_ms
    found: dict[int, Part] = {}
    for (data,) in connection.execute(
        "SELECT data FROM span WHERE point = ? AND tier = ? AND from_ms BETWEEN ? AND ? AND to_ms >= ? ORDER BY id",
        (point, tier, before_ms, to_ms, from_ms),
    ):
        parts = parts_of(tier, data)
        moments = [part.at_ms for part in parts]
        begin = bisect_left(moments, from_ms - TIERS[tier].step_ms + 1)
        found |= {part.at_ms: part for part in parts[begin : bisect_right(moments, to_ms)]}
    return [found[at_ms] for at_ms in sorted(found)]


def _full(connection: sqlite3.Connection, point: int, from_ms: int, to_ms: int) -> list[Part]:
    return _with_samples(connection, point, from_ms, to_ms, _tier(connection, point, FULL, from_ms, to_ms))


def _with_samples(
    connection: sqlite3.Connection, point: int, from_ms: int, to_ms: int, parts: list[Part]
) -> list[Part]:
    """Return parts with the readings that are not packed yet; they are the later word on their moments."""
    rows = connection.execute(
        "SELECT at_ms, value FROM sample WHERE point = ? AND at_ms BETWEEN ? AND ? ORDER BY at_ms",
        (point, from_ms, to_ms),
    ).fetchall()
    if not rows:
        return parts
    newest = {at_ms: Part(at_ms, value, value, value, 1) for at_ms, value in rows}
    merged = {part.at_ms: part for part in parts} | newest
    return [merged[at_ms] for at_ms in sorted(merged)]


def _id(connection: sqlite3.Connection, point: str) -> int:
    found = connection.execute("SELECT id FROM point WHERE name = ?", (point,)).fetchone()
    return -1 if found is None else int(found[0])


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
        connection.execute("BEGIN")
        yield connection
