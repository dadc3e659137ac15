"""The drill: a night is run and backed up while it runs, the folder is destroyed, and restored: the same report."""

import shutil
from pathlib import Path

import pytest

from daemon.control.states import ENDED
from daemon.ledger.reports import last_runs, run_report, verify_file
from tests.process.processes import bench, shiftwright, start_run

pytestmark = [pytest.mark.chaos, pytest.mark.proof]

_HAS_ENDED = {state.value for state in ENDED}


async def test_destroyed_and_restored_says_the_same_of_the_night(tmp_path: Path) -> None:
    """Invariant 7 over the loss of the whole disk; a backup made in INJECT is whole, and the farm goes on after it."""
    other_disk = tmp_path / "usb"
    async with bench(tmp_path / "farm") as farm:
        ledger = farm.folder / "ledger.db"
        async with farm.daemon() as daemon:
            await start_run(daemon)
            await daemon.until(lambda s: s.phase == "INJECT" and s.progress["stock_l"] > 0.5)
            said = await shiftwright("backup", "--db", farm.folder, "--to", other_disk / "inject")
            assert said.code == 0, said
            await daemon.until(lambda s: s.procedure in _HAS_ENDED)
            assert (await shiftwright("backup", "--db", farm.folder, "--to", other_disk / "after")).code == 0
            refused = await shiftwright("restore", *(other_disk / "after").iterdir(), "--db", farm.folder)
            assert refused.code == 1 and "Stop the daemon and the api first" in refused.err
            assert await daemon.terminate() == 0
        before = last_runs(ledger, 1)[0].started.row.run
        report = run_report(ledger, before)
        assert report is not None and report.doses

        shutil.rmtree(farm.folder)
        (backup,) = (other_disk / "after").iterdir()
        assert (await shiftwright("restore", backup, "--db", farm.folder, "--dry-run")).code == 0
        assert not ledger.exists()
        restored = await shiftwright("restore", backup, "--db", farm.folder)
        assert restored.code == 0 and "look at the meters" in restored.out, restored
        assert run_report(ledger, before) == report and verify_file(ledger).broken_seq is None

        async with farm.daemon() as daemon:
            await start_run(daemon)
            await daemon.until(lambda s: s.procedure in _HAS_ENDED)
            assert await daemon.terminate() == 0
        assert run_report(ledger, before) == report and len(last_runs(ledger, 5)) == 2

        (in_inject,) = (other_disk / "inject").iterdir()
        shutil.rmtree(farm.folder)
        assert (await shiftwright("restore", in_inject, "--db", farm.folder)).code == 0
        async with farm.daemon() as daemon:  # what the night gave after that backup is in no record; it owes its flush
            snapshot = await daemon.until(lambda s: bool(s.owed))
            assert snapshot.procedure not in ("RUNNING", "HELD")
            assert await daemon.terminate() == 0
        assert last_runs(ledger, 1)[0].ended is not None
