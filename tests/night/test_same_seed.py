"""The same seed is the same night: figures, record and requests, and a record that shows the smallest change."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon.ledger.reports import verify_file
from daemon.ledger.tables import SEALED
from drivers.link import Link
from drivers.reading import WriteResult
from tests.night.nights import Watched, watched_night

pytestmark = pytest.mark.plant

_REQUESTS_PER_SCAN = 2
"""One block read, and the write of the relays."""
_REQUESTS_OF_THE_START = 1 + 1 + 1
"""The identification, the safe relays, and the block read of the first image."""


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> tuple[Watched, Watched]:
    """Run two nights of one seed, with tolerances and noise."""
    folder = tmp_path_factory.mktemp("twice")
    first, second = (watched_night(folder / name, options=["--seed", "7"], keep_scans=True) for name in "ab")
    return first, second


def _rows(ledger: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Return every sealed row, its seal included. The birth holds the site's digest, which names this night's ports."""
    with closing(sqlite3.connect(ledger)) as connection:
        kinds = [name for name in SEALED if name not in ("meta", "run_started")]
        rows = {kind: connection.execute(f"SELECT * FROM {kind} ORDER BY seq").fetchall() for kind in kinds}
        rows["run_started"] = connection.execute("SELECT run, shift, recipe FROM run_started").fetchall()
    return rows


def test_the_same_seed_writes_the_same_record(twice: tuple[Watched, Watched]) -> None:
    """Every row of evidence, with its time, is the same; noise and tolerances are drawn by the seed alone."""
    first, second = twice
    assert _rows(first.ledger) == _rows(second.ledger)
    assert first.night.truth == second.night.truth
    assert (first.night.scans, first.night.requests) == (second.night.scans, second.night.requests)


def test_the_same_seed_decides_every_scan_alike(twice: tuple[Watched, Watched]) -> None:
    """Invariant 5: outputs are a function of the scan, so the same readings give the same outputs."""
    first, second = ([scanned.decision.outputs for scanned in watched.scans] for watched in twice)
    assert first == second


def test_another_seed_is_another_night(twice: tuple[Watched, Watched], tmp_path: Path) -> None:
    """The plant has tolerances that the seed draws, so the proof above is not of two perfect nights."""
    other = watched_night(tmp_path, options=["--seed", "8"])
    assert other.truth_kg("N") != twice[0].truth_kg("N")


def test_the_simulator_counts_the_planned_requests(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Scans times the planned requests, and the set values of the drive that changed: nothing else is on the wire."""
    set_values = 0
    write = Link.write_registers

    async def counted(self: Link, *arguments: Any, **options: Any) -> WriteResult:
        nonlocal set_values
        set_values += 1
        return await write(self, *arguments, **options)

    monkeypatch.setattr(Link, "write_registers", counted)
    at_the_end: list[tuple[int, int, int]] = []

    watched = watched_night(
        tmp_path,
        look=lambda service, simulator, scanned: at_the_end.append(
            (scanned.number, set_values, sum(health.requests for health in service.field.health().values()))
        ),
    )
    scans, changed, asked = at_the_end[-1]
    assert scans == watched.night.scans
    assert watched.night.requests == scans * _REQUESTS_PER_SCAN + _REQUESTS_OF_THE_START + changed == asked
    assert 1 < changed < scans / 10


def test_the_chain_verifies_and_finds_one_altered_byte(twice: tuple[Watched, Watched], tmp_path: Path) -> None:
    """Invariant 7: a whole night's record is gap-free, and a forger who gets past the triggers is found."""
    whole = verify_file(twice[0].ledger)
    assert whole.broken_seq is None and whole.rows > 50
    forged = tmp_path / "forged.db"
    shutil.copy(twice[0].ledger, forged)
    with closing(sqlite3.connect(forged, isolation_level=None)) as connection:
        for (trigger,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {trigger}")
        (seq, why) = connection.execute("SELECT seq, why FROM run_ended").fetchone()
        altered = chr(ord(why[0]) ^ 1) + why[1:]
        connection.execute("UPDATE run_ended SET why = ? WHERE seq = ?", (altered, seq))
    assert verify_file(forged).broken_seq == seq
