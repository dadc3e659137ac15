"""Readings packed hour by hour, and the ladder of tiers above them: nothing that came in is lost or told twice."""

import math
import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daemon.keeping import Keeping
from daemon.ledger.history import History
from daemon.ledger.readings import MOST_ROWS, newest_ms, pages, read, thinned
from daemon.ledger.spans import DAY_MS, FULL, HOUR_MS, TIERS, Part, compact, gathered

BEGIN_MS = 1_791_000_000_000 - 1_791_000_000_000 % DAY_MS
_STEP_MS = 10_000


def _filled(path: Path, hours: float, step_ms: int = _STEP_MS, keeping: Keeping | None = None) -> dict[int, float]:
    """Write so many hours of a flow with noise, and return them."""
    chance, given = random.Random(5), {}
    history = History(path, keeping or Keeping())
    for at_ms in range(BEGIN_MS, BEGIN_MS + round(hours * HOUR_MS), step_ms):
        given[at_ms] = round(60.0 + 0.00375 * chance.randint(-40, 40), 5)
        if history.append(at_ms, {"flow": given[at_ms]}):
            history.flush()
    history.close()
    return given


def _rows(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_what_came_in_comes_back_packed_or_not(tmp_path: Path) -> None:
    """Over any span, with ends inside packed hours and in the hour that is not over; exports page by page the same."""
    path = tmp_path / "history.db"
    given = _filled(path, 7.4)
    assert _rows(path, "sample") < HOUR_MS / _STEP_MS and _rows(path, f"span WHERE tier = {FULL}") == 7
    chance = random.Random(6)
    for _ in range(40):
        first, last = sorted(BEGIN_MS + chance.randint(-HOUR_MS, 8 * HOUR_MS) for _ in range(2))
        expected = [(at_ms, value) for at_ms, value in given.items() if first <= at_ms <= last]
        found = read(path, "flow", first, last)
        assert [at_ms for at_ms, _ in found] == [at_ms for at_ms, _ in expected]
        assert all(math.isclose(a, b, rel_tol=1e-9) for (_, a), (_, b) in zip(found, expected, strict=True))
        assert [row for page in pages(path, "flow", first, last) for row in page] == found
    assert newest_ms(path) == max(given)


@pytest.mark.parametrize("days", [0.2, 1.0, 3.0, 12.0])
def test_a_chart_of_any_span_reads_few_rows_and_keeps_peaks(tmp_path: Path, days: float) -> None:
    """Least and highest are those of all readings, the mean is within a digit, from whichever tier it comes."""
    path = tmp_path / "history.db"
    step_ms = _STEP_MS if days < 5.0 else 6 * _STEP_MS
    given = _filled(path, days * 24.0 + 0.5, step_ms)
    found = thinned(path, "flow", BEGIN_MS, BEGIN_MS + round(days * DAY_MS) + HOUR_MS, 500)
    assert 10 <= len(found) <= 500
    assert found[0][0] == BEGIN_MS and [row[0] for row in found] == sorted({row[0] for row in found})
    assert min(row[1] for row in found) == pytest.approx(min(given.values()), rel=1e-9)
    assert max(row[3] for row in found) == pytest.approx(max(given.values()), rel=1e-9)
    mean = sum(given.values()) / len(given)
    assert sum(row[2] for row in found) / len(found) == pytest.approx(mean, abs=0.01)


def test_every_tier_counts_every_reading(tmp_path: Path) -> None:
    """A tier that left out an hour, or took one twice, would be seen by nobody on a chart."""
    from daemon.ledger.spans import parts_of

    path = tmp_path / "history.db"
    given = _filled(path, 60.0)
    with closing(sqlite3.connect(path)) as connection:
        for tier in range(len(TIERS)):
            found = connection.execute("SELECT data FROM span WHERE tier = ?", (tier,)).fetchall()
            parts = [part for (data,) in found for part in parts_of(tier, data)]
            moments = [part.at_ms for part in parts]
            assert len(set(moments)) == len(moments)
            assert all(at_ms % TIERS[tier].step_ms == 0 for at_ms in moments)
            assert sum(part.n for part in parts) == len(given) - _rows(path, "sample")


def test_fine_readings_go_after_their_time_and_charts_go_on(tmp_path: Path) -> None:
    """Full resolution for so long, then minutes, then quarters of an hour: the old end of a chart comes from a coarser
    tier, and nothing of it is missing."""
    path = tmp_path / "history.db"
    given = _filled(path, 20 * 24.0, 180_000, Keeping(readings_days=7, minutes_days=14))
    last = max(given)
    oldest = {at for at, _ in read(path, "flow", 0, last)}
    assert last - 8 * DAY_MS <= min(oldest) <= last - 6 * DAY_MS
    old = thinned(path, "flow", BEGIN_MS, BEGIN_MS + DAY_MS, 2000)
    assert 90 <= len(old) <= 97  # quarters of an hour
    whole = thinned(path, "flow", BEGIN_MS, last, 400)
    assert whole[0][0] == BEGIN_MS and whole[-1][0] > last - DAY_MS and len(whole) == 400
    with closing(sqlite3.connect(path)) as connection:
        least = dict(connection.execute("SELECT tier, min(from_ms) FROM span GROUP BY tier").fetchall())
    assert least[0] > least[1] > least[2] == BEGIN_MS


def test_a_size_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A card that is shared with the record is not filled by readings: the oldest of the finest go first."""

    def ten_megabytes_an_hour(connection: sqlite3.Connection) -> int:
        return 10_000_000 * int(connection.execute("SELECT count(*) FROM span WHERE tier = 0").fetchone()[0])

    monkeypatch.setattr("daemon.ledger.spans._used_bytes", ten_megabytes_an_hour)
    path = tmp_path / "history.db"
    _filled(path, 30.0, 60_000, Keeping(readings_mb=50))
    with closing(sqlite3.connect(path)) as connection:
        counts = dict(connection.execute("SELECT tier, count(*) FROM span GROUP BY tier").fetchall())
    assert counts[0] <= 6 and counts[1] >= 4


def test_a_file_from_before_is_packed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A farm that upgrades has months of plain rows: they are packed some at a time, so that memory stays small."""
    monkeypatch.setattr("daemon.ledger.spans._ROWS_AT_ONCE", 250)
    path = tmp_path / "history.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("CREATE TABLE point (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)")
        connection.execute(
            "CREATE TABLE sample (at_ms INTEGER NOT NULL, point INTEGER NOT NULL REFERENCES point (id), "
            "value REAL NOT NULL, PRIMARY KEY (point, at_ms)) WITHOUT ROWID"
        )
        connection.execute("INSERT INTO point VALUES (1, 'flow')")
        rows = [(BEGIN_MS + n * 60_000, 1, 50.0 + n % 7) for n in range(600)]
        connection.executemany("INSERT INTO sample VALUES (?, ?, ?)", rows)
    history = History(path)
    for n in range(3):
        assert _rows(path, "sample") == max(0, 600 - 240 * n) + n
        history.append(BEGIN_MS + 11 * HOUR_MS + n, {"flow": 1.0})
        history.flush()
    history.close()
    assert _rows(path, "sample") == 3
    assert read(path, "flow", 0, BEGIN_MS + 10 * HOUR_MS) == [(at_ms, value) for at_ms, _, value in rows]


def test_a_clock_set_back_and_a_damaged_row(tmp_path: Path) -> None:
    """What comes a second time for a moment stands, packed too; a damaged row is a gap, and what follows is kept."""
    path = tmp_path / "history.db"
    _filled(path, 3.2)
    again = History(path)
    again.append(BEGIN_MS + HOUR_MS, {"flow": 7.0})
    again.append(BEGIN_MS + 4 * HOUR_MS, {"flow": 8.0})
    again.close()
    assert read(path, "flow", BEGIN_MS + HOUR_MS, BEGIN_MS + HOUR_MS) == [(BEGIN_MS + HOUR_MS, 7.0)]
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE span SET data = x'00' WHERE from_ms = ?", (BEGIN_MS,))
    later = History(path)
    later.append(BEGIN_MS + 5 * HOUR_MS, {"flow": 9.0})
    later.close()
    assert later.errors == 0
    assert read(path, "flow", BEGIN_MS, BEGIN_MS + HOUR_MS - 1) == []
    assert read(path, "flow", BEGIN_MS + 4 * HOUR_MS, BEGIN_MS + 5 * HOUR_MS)[-1] == (BEGIN_MS + 5 * HOUR_MS, 9.0)


def test_parts_are_gathered() -> None:
    """Means weigh by the readings that they are of."""
    parts = [Part(0, 1.0, 2.0, 3.0, 2), Part(50, 0.0, 5.0, 9.0, 1), Part(100, 4.0, 4.0, 4.0, 1)]
    assert gathered(parts, 100) == [Part(0, 0.0, 3.0, 9.0, 3), Part(100, 4.0, 4.0, 4.0, 1)]
    assert gathered([], 100) == []


def test_an_hour_under_way_is_left(tmp_path: Path) -> None:
    """Nothing is packed before its hour is over, so that a flush costs little."""
    path = tmp_path / "history.db"
    _filled(path, 0.9)
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        assert not compact(connection, BEGIN_MS + HOUR_MS - 1)
    assert _rows(path, "span") == 0 and MOST_ROWS > 0
