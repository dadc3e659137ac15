"""The daily backup as the daemon makes it: a process of its own, whose failure is told and costs nothing else."""

import asyncio
from pathlib import Path

import pytest

from daemon.folder import LEDGER
from daemon.keeping import Keeping
from daemon.ledger.backup import backups, read_backup
from daemon.ledger.reports import verify_file
from daemon.runtime import backing_up
from daemon.runtime.backing_up import back_up
from tests.daemon.ledger.samples import WAIT_S, one_of_each, opened, stamp


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a daemon's folder with a record."""
    made = tmp_path / "db"
    made.mkdir()
    with opened(made / LEDGER) as ledger:
        assert ledger.wait_durable(ledger.submit(one_of_each(), stamp()), WAIT_S)
    return made


async def test_both_places_have_it(folder: Path, tmp_path: Path) -> None:
    """Beside the record and on the other disk, each read through; the head of the chain is told."""
    other = tmp_path / "usb"
    is_good, text = await back_up(folder, Keeping(backups=3, copy_to=str(other)))
    head = verify_file(folder / LEDGER).head
    assert is_good and text.count(head) == 2
    for place in (folder / "backups", other):
        (made,) = backups(place)
        assert read_backup(made).head == head


async def test_a_disk_that_is_not_there_is_told(folder: Path, tmp_path: Path) -> None:
    """The backup on the record's own disk stands all the same."""
    (tmp_path / "file").write_text("")
    is_good, text = await back_up(folder, Keeping(copy_to=str(tmp_path / "file" / "usb")))
    assert not is_good and "could not make a backup" in text and len(backups(folder / "backups")) == 1


async def test_one_that_hangs_is_ended(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the next day's: no process is left behind."""
    monkeypatch.setattr(backing_up, "_MOST_S", 0.2)
    monkeypatch.setattr(backing_up, "_WORDS", ("/bin/sh", "-c", "exec sleep 30"))
    async with asyncio.timeout(10.0):
        is_good, text = await back_up(folder, Keeping())
    assert not is_good and "was not done within" in text
