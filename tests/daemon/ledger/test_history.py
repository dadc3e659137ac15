"""The history of readings: bounded, quiet, and worth no dose."""

import math
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

import daemon.ledger.readings
from daemon.ledger.history import FLUSH_SETS, KEPT_SETS, History
from daemon.ledger.readings import pages, points, read, thinned
from tests.daemon.ledger.samples import files_no_larger_than


def test_readings_come_back(tmp_path: Path) -> None:
    """A chart shows what was read, point by point and within its span."""
    path = tmp_path / "history.db"
    history = History(path)
    assert [history.append(n * 1000, {"flow": n / 2, "ec": 1.5}) for n in range(FLUSH_SETS)] == [False] * (
        FLUSH_SETS - 1
    ) + [True]
    assert read(path, "flow", 0, 10**9) == []
    history.flush()
    assert read(path, "flow", 2000, 4000) == [(2000, 1.0), (3000, 1.5), (4000, 2.0)]
    history.append(2000, {"flow": 9.0})  # a clock that was set back
    history.close()
    assert read(path, "flow", 2000, 3000) == [(2000, 9.0), (3000, 1.5)]
    assert read(path, "nothing", 0, 10**9) == []
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert (history.errors, history.lost_sets) == (0, 0)


def test_a_span_is_thinned(tmp_path: Path) -> None:
    """A chart has so many parts at most, whatever its span, and loses no peak; without a file it is empty."""
    path = tmp_path / "history.db"
    assert points(path) == () and thinned(path, "flow", 0, 10, 5) == [] and list(pages(path, "flow", 0, 10)) == []
    history = History(path)
    for n in range(100):
        history.append(n, {"flow": 50.0 if n == 33 else float(n % 10), "ec": 1.5})
    history.close()
    assert points(path) == ("ec", "flow")
    found = thinned(path, "flow", 0, 99, 10)
    assert [at_ms for at_ms, *_ in found] == list(range(0, 100, 10))
    assert found[0] == (0, 0.0, 4.5, 9.0) and max(most for *_, most in found) == 50.0
    assert len(thinned(path, "flow", 0, 99, 7)) == 7 and thinned(path, "flow", 0, 99, 1)[0][0] == 0
    assert thinned(path, "flow", 50, 40, 10) == [] and len(thinned(path, "flow", 0, 99, 2000)) == 100


def test_a_span_comes_page_by_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An export of any length holds neither memory nor the file: no reading is left out or told twice."""
    monkeypatch.setattr(daemon.ledger.readings, "_PAGE", 7)
    path = tmp_path / "history.db"
    history = History(path)
    for n in range(30):
        history.append(n, {"flow": float(n)})
    history.close()
    found = list(pages(path, "flow", 2, 28))
    assert max(map(len, found)) == 7 and [at_ms for page in found for at_ms, _ in page] == list(range(2, 29))


def test_values_that_are_no_number_are_left_out(tmp_path: Path) -> None:
    """A reading gone bad makes a gap in the chart and stops nothing."""
    path = tmp_path / "history.db"
    history = History(path)
    history.append(1, {"flow": math.nan, "ec": math.inf, "level": 2.0})
    history.close()
    assert (read(path, "flow", 0, 9), read(path, "ec", 0, 9), read(path, "level", 0, 9)) == ([], [], [(1, 2.0)])
    assert history.errors == 0


def test_a_damaged_history_is_moved_aside(tmp_path: Path) -> None:
    """Losing the history loses no dose: a damaged file is moved aside, a new one begun, and readings in hand kept."""
    path = tmp_path / "history.db"
    for n in (1, 2):
        path.write_bytes(b"not a history " * 1000)
        history = History(path)
        history.append(n, {"flow": float(n)})
        history.flush()
        assert history.errors == 1
        history.flush()
        history.close()
        assert history.errors == 1
        assert read(path, "flow", 0, 9) == [(n, float(n))]
        assert path.with_name(f"history.db.damaged-{n}").exists()


def test_a_full_disk_is_counted_and_survived(tmp_path: Path) -> None:
    """Losing the history loses no dose: errors are counted, never raised, and readings wait for room."""
    path = tmp_path / "history.db"
    history = History(path)
    history.append(1, {"flow": 1.0})
    with files_no_larger_than(100):
        history.flush()
        history.flush()
        assert history.errors == 2
    history.flush()
    history.close()
    assert read(path, "flow", 0, 9) == [(1, 1.0)]


def test_what_waits_is_bounded(tmp_path: Path) -> None:
    """A disk that is away for days does not eat the computer's memory: the oldest readings go, and are counted."""
    path = tmp_path / "history.db"
    history = History(path)
    for n in range(KEPT_SETS + 10):
        history.append(n, {"flow": 1.0})
    assert history.lost_sets == 10
    history.close()
    assert read(path, "flow", 0, 10**9)[0] == (10, 1.0)


def test_history_is_light() -> None:
    """Invariant 6: the history may be made before the ledger's heavy imports are wanted."""
    script = (
        "import sys, daemon.ledger.history; sys.exit({'sqlmodel', 'sqlalchemy', 'alembic'} & set(sys.modules) != set())"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False, cwd=Path(__file__).parents[3]).returncode == 0
