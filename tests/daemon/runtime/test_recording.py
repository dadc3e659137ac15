"""Recording without a daemon: the same function, under the plant's own lock (invariant 12)."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon.folder import LEDGER, LOCK
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.in_force import DecisionError, read_in_force
from daemon.ledger.reading import reading
from daemon.ledger.reports import latest_decisions, run_report, verify_file
from daemon.messages import Answer
from daemon.runtime.decided import Decided
from daemon.runtime.lock import PlantBusy, PlantLock
from daemon.runtime.recording import record_offline
from tests.daemon.control.plant import kestrel
from tests.daemon.ledger.samples import opened
from tests.daemon.runtime.farm import START, StillClock, creek, files, fill, item, keep_run, request


def _offline(folder: Path, command: str, *decisions: dict[str, Any]) -> Answer:
    return record_offline(kestrel(), folder, decisions, "Mina", command=command, clock=StillClock())


@pytest.fixture(params=[True, False], ids=["simulated", "real"])
def folder(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """Return the folder of a daemon that has run once."""
    with opened(tmp_path / LEDGER, simulated=request.param):
        pass
    return tmp_path


async def test_what_is_recorded_offline_is_in_force_for_the_daemon(folder: Path) -> None:
    """The command line and the daemon write one record, whatever it was born as, and an id is done once by both."""
    answer = _offline(folder, "c1", *creek())
    assert answer.accepted
    assert _offline(folder, "c1", *creek()) == answer
    with reading(folder / LEDGER) as connection:
        (born,) = connection.execute("SELECT born FROM meta").fetchone()
    with opened(folder / LEDGER, simulated=born == "simulated") as ledger:
        decided = Decided(kestrel(), ledger, StillClock())
        decided.load(folder / LEDGER)
        assert decided.newest == read_in_force(folder / LEDGER).decisions != {}
        assert await decided.answer(request("c1", *creek())) == answer
    assert {one.version for one in latest_decisions(folder / LEDGER)} == {1}


def test_a_correction_offline_restates_as_the_daemon_does(folder: Path) -> None:
    """A wrong bag that is found while the controller is off is restated all the same."""
    path = folder / LEDGER
    filled = START - timedelta(hours=10)
    _offline(folder, "c1", *creek(), fill("a_2", 160.0, filled))
    with reading(path) as connection:
        (born,) = connection.execute("SELECT born FROM meta").fetchone()
    with opened(path, simulated=born == "simulated") as ledger:
        keep_run(ledger, "night", START)
    assert "Restated 2 doses of 1 run." in _offline(folder, "c2", fill("a_2", 80.0, filled, why="half the bags")).reason
    report = run_report(path, "night")
    assert report is not None
    assert {stamped.row.who for stamped in report.restated} == {"Mina"}
    assert verify_file(path).broken_seq is None


def test_what_is_refused_leaves_the_folder_as_it_was(folder: Path) -> None:
    """A mistake writes nothing, and the plant is free for the daemon afterwards."""
    head = verify_file(folder / LEDGER).head
    with pytest.raises(DecisionError, match=r"shift\.ridge\.blocks"):
        _offline(folder, "c1", item("shift", "ridge", blocks=["ridge"]))
    with pytest.raises(DecisionError, match="who"):
        record_offline(kestrel(), folder, creek(), "", command="c1", clock=StillClock())
    assert verify_file(folder / LEDGER).head == head
    lock = PlantLock(folder / LOCK, ())
    lock.acquire()
    lock.close()


def test_a_plant_that_is_driven_is_not_written_beside(folder: Path) -> None:
    """Invariant 12: two never write one ledger; the message says to send it to the one that has the plant."""
    lock = PlantLock(folder / LOCK, ())
    lock.acquire()
    try:
        with pytest.raises(PlantBusy, match="send commands to it"):
            _offline(folder, "c1", *creek())
    finally:
        lock.close()
    assert latest_decisions(folder / LEDGER) == ()


def test_a_record_is_not_born_without_its_plant(tmp_path: Path) -> None:
    """Real or simulated, only the plant can say: without a ledger the daemon comes first, and nothing is left here."""
    with pytest.raises(LedgerMissing, match="start the daemon once"):
        _offline(tmp_path, "c1", *creek())
    assert files(tmp_path) == set()
