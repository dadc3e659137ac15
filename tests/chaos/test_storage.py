"""Group D of the chaos list, in each phase: a disk that takes nothing, takes its time, or is held by somebody.

Water goes on, no stock flows without its record, and what was said meanwhile is kept and written when it can be.
"""

import asyncio
import sqlite3
from collections.abc import Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from threading import Event as Pause

import pytest
import uvloop

from daemon.control.states import Phase, ProcedureState
from daemon.ledger.batch import Unit
from daemon.ledger.reports import last_runs, verify_file
from daemon.ledger.store import Committed, Store
from tests.chaos.plants import SCAN_S, ChaosPlant, chaos_plant
from tests.daemon.ledger.samples import files_no_larger_than, held

pytestmark = pytest.mark.chaos

_COMMIT = Store.commit


async def _until_written(plant: ChaosPlant, *, writable: bool) -> None:
    """Let real time pass until the ledger has found out."""
    async with asyncio.timeout(20.0):
        while plant.spoilt.service.ledger.health().writable is not writable:
            await asyncio.sleep(0.01)


async def _without_a_disk(folder: Path, disk: "_Disk") -> None:
    async with chaos_plant(folder) as plant:
        for phase in Phase:

            async def fail() -> None:
                disk.begin(plant)
                said = plant.spoilt.service.ledger.health().submitted
                while plant.spoilt.service.ledger.health().submitted == said:
                    await plant.scan()
                # The writer fails in real time, and a scan here takes a thousandth of what it takes on a farm.
                await _until_written(plant, writable=False)

            async def mend() -> None:
                disk.end()
                await _until_written(plant, writable=True)

            seen = await plant.faulty_run(phase, fail, mend=mend)
            assert seen.state is ProcedureState.COMPLETE, seen
            assert seen.ended.water_ml >= 1350.0 * 1000.0, "the disk cost water"
            if phase is Phase.INJECT:
                assert seen.commanded_off_s <= 6.0 * SCAN_S, seen
                assert seen.on_again_s == float("inf")
            service = plant.spoilt.service
            assert service.is_on_record() and verify_file(service.ledger.path).broken_seq is None


class _Disk:
    """Takes nothing from `begin` to `end`."""

    def begin(self, plant: ChaosPlant) -> None:
        raise NotImplementedError

    def end(self) -> None:
        raise NotImplementedError


class _Full(_Disk):
    def __init__(self) -> None:
        self._limit = ExitStack()

    def begin(self, plant: ChaosPlant) -> None:
        self._limit.enter_context(files_no_larger_than(100))

    def end(self) -> None:
        self._limit.close()


class _Failing(_Disk):
    """Each commit fails as a broken card's does."""

    def __init__(self) -> None:
        self._patch = pytest.MonkeyPatch()

    def begin(self, plant: ChaosPlant) -> None:
        def fails(store: Store, batch: Sequence[Unit]) -> Committed:
            raise OSError(5, "Input/output error")

        self._patch.setattr(Store, "commit", fails)

    def end(self) -> None:
        self._patch.undo()


class _Held(_Disk):
    """Somebody's shell holds the file's write lock."""

    def __init__(self) -> None:
        self._lock = ExitStack()

    def begin(self, plant: ChaosPlant) -> None:
        self._lock.enter_context(held(plant.spoilt.service.ledger.path))

    def end(self) -> None:
        self._lock.close()


@pytest.mark.proof
def test_d1_d9_a_full_disk_in_each_phase(tmp_path: Path) -> None:
    """No byte more fits, or no file: the same to the record, which cannot grow."""
    uvloop.run(_without_a_disk(tmp_path, _Full()))


@pytest.mark.proof
def test_d5_every_commit_fails_in_each_phase(tmp_path: Path) -> None:
    """An input or output error each time."""
    uvloop.run(_without_a_disk(tmp_path, _Failing()))


def test_d5_one_commit_fails_and_costs_nothing(tmp_path: Path) -> None:
    """An input or output error once in each phase: it is tried again, and the run is whole."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            for phase in Phase:
                failed: list[int] = []

                def once(
                    store: Store,
                    batch: Sequence[Unit],
                    failed: list[int] = failed,
                ) -> Committed:
                    if not failed:
                        failed.append(len(batch))
                        raise OSError(5, "Input/output error")
                    return _COMMIT(store, batch)

                await plant.begin(phase)
                with pytest.MonkeyPatch.context() as patch:
                    patch.setattr(Store, "commit", once)
                    for _ in range(4):
                        await plant.scan()
                        await _until_written(plant, writable=True)
                    ended = await plant.to_the_end(any_end=True)
                assert failed and ended.water_l >= ended.recipe.water_l

    uvloop.run(night())


@pytest.mark.proof
def test_d4_a_disk_that_takes_a_second_for_each_commit(tmp_path: Path) -> None:
    """A card that is slow: no injector opens before its row is down; the run is whole, for the plant waits for none."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            commit, slow = Store.commit, [3]

            def slowly(store: Store, batch: Sequence[Unit]) -> Committed:
                if slow[0]:
                    slow[0] -= 1
                    Pause().wait(1.0)
                return commit(store, batch)

            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(Store, "commit", slowly)
                await plant.begin(Phase.INJECT)
                slow[0] = 1
                ended = await plant.to_the_end()
                assert plant.spoilt.service.is_on_record()
            assert not slow[0] and ended.water_l >= ended.recipe.water_l

    uvloop.run(night())


@pytest.mark.proof
@pytest.mark.timeout(200)
def test_d7_somebody_holds_the_record_while_it_injects(tmp_path: Path) -> None:
    """A backup or a shell with the write lock: water only until it lets go, and every row is kept."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(Phase.INJECT)
            disk = _Held()
            disk.begin(plant)
            try:
                await plant.scans(3)
                await _until_written(plant, writable=False)
                ended = await plant.to_the_end(any_end=True)
            finally:
                disk.end()
            await _until_written(plant, writable=True)
            assert ended.water_l >= ended.recipe.water_l and ended.given_up
            assert plant.spoilt.service.is_on_record()

    uvloop.run(night())


def test_d8_a_backup_that_is_made_while_it_injects_can_be_read(tmp_path: Path) -> None:
    """SQLite's own backup in the middle of a run: the copy's chain is whole and it shows the run; nobody notices."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(Phase.INJECT)
            assert plant.spoilt.service.is_on_record()
            copy = tmp_path / "copy.db"
            with (
                closing(sqlite3.connect(plant.spoilt.service.ledger.path)) as source,
                closing(sqlite3.connect(copy)) as target,
            ):
                source.backup(target)
            ended = await plant.to_the_end()
            assert not ended.given_up
            assert verify_file(copy).broken_seq is None
            (run,) = last_runs(copy, 1)
            assert run.started.row.run == ended.recipe.run and run.ended is None

    uvloop.run(night())
