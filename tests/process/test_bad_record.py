"""A record that cannot be used: no record, no dose. The message says what to do, and the file is left as it was."""

import contextlib
import hashlib
import os
import shutil
import sqlite3
import subprocess
from collections.abc import AsyncIterator, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.clock import real_seconds
from daemon.ledger.reports import last_runs, verify_file
from daemon.ledger.writer import open_ledger
from tests.daemon.ledger.samples import WAIT_S, stamp
from tests.process.processes import SPEED, Bench, Said, bench, running, shiftwright, start_run


@contextlib.contextmanager
def frozen(path: Path) -> Iterator[None]:
    """Let nobody change a file or folder: by its mode, which does not bind root, or as immutable, which does."""
    if os.geteuid() != 0:
        mode = path.stat().st_mode
        path.chmod(mode & ~0o222)
        try:
            yield
        finally:
            path.chmod(mode)
        return
    chattr = shutil.which("chattr")
    if chattr is None or subprocess.run([chattr, "+i", path], capture_output=True, check=False).returncode:
        pytest.skip("root is bound by no file mode, and this file system makes nothing immutable")
    try:
        yield
    finally:
        subprocess.run([chattr, "-i", path], check=True)


async def _refused(setup: Bench) -> Said:
    """Start the daemon, which must end with 4 and leave the plant safe."""
    said = await shiftwright("run", setup.site, "--db", setup.folder, "--speed", SPEED)
    assert said.code == 4, said
    assert "Traceback" not in said.err
    assert not any((await setup.truth())["outputs"].values())
    assert not (setup.folder / "daemon.sock").exists()
    return said


@pytest.fixture
async def used(tmp_path: Path) -> AsyncIterator[Bench]:
    """A plant whose daemon has recorded the decisions and ended."""
    async with bench(tmp_path) as setup:
        async with setup.daemon() as daemon:
            await daemon.until(lambda snapshot: True)
            assert await daemon.terminate() == 0
        yield setup


async def test_a_newer_ledger_is_left_alone(used: Bench) -> None:
    """Written by a later release: safe outputs, exit 4, not one byte of it changed."""
    ledger = used.folder / "ledger.db"
    with closing(sqlite3.connect(ledger)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    before, since = hashlib.sha256(ledger.read_bytes()).digest(), len(used.proxy.frames)
    said = await _refused(used)
    assert "got a ledger of revision 9999" in said.err and "run the release that wrote it" in said.err
    assert hashlib.sha256(ledger.read_bytes()).digest() == before
    assert next(frame.coils for frame in used.proxy.writes(since) if frame.coils) == "0000"


async def test_a_ledger_of_a_real_plant_takes_no_simulated_row(tmp_path: Path) -> None:
    """A ledger is born real or simulated and never mixes."""
    async with bench(tmp_path) as setup:
        setup.folder.mkdir()
        open_ledger(setup.folder / "ledger.db", simulated=False, stamp=stamp(), now=real_seconds).close(WAIT_S)
        said = await _refused(setup)
        assert "got a ledger born real, expected one born simulated" in said.err
        assert verify_file(setup.folder / "ledger.db").rows == 1


async def test_a_damaged_ledger_is_left_alone(used: Bench) -> None:
    """What is no ledger any more is not overwritten: it may still be read by somebody who knows how."""
    ledger = used.folder / "ledger.db"
    ledger.write_bytes(b"not a database" + ledger.read_bytes()[14:])
    before = ledger.read_bytes()
    said = await _refused(used)
    assert "restore the last backup" in said.err
    assert ledger.read_bytes() == before


async def test_a_folder_nobody_may_write(tmp_path: Path) -> None:
    """No record can be made there: exit 4 with the folder's name, nothing begun, and the next start is not barred."""
    async with bench(tmp_path) as setup:
        setup.folder.mkdir()
        with frozen(setup.folder):
            said = await _refused(setup)
        assert str(setup.folder) in said.err and "may write" in said.err
        assert not list(setup.folder.iterdir())
        async with setup.daemon() as daemon:
            await daemon.until(lambda snapshot: True)


async def test_a_file_where_the_folder_should_be(tmp_path: Path) -> None:
    """The same word for a path that can be no folder."""
    async with bench(tmp_path) as setup:
        setup.folder.write_text("mine")
        said = await shiftwright("run", setup.site, "--db", setup.folder, "--speed", SPEED)
        assert said.code == 4 and "expected a folder" in said.err
        assert setup.folder.read_text() == "mine"


@pytest.mark.chaos
async def test_a_ledger_that_cannot_be_written_gives_water_only(used: Bench) -> None:
    """No record, no dose, and no water lost: the run waters to its end, and its rows are kept until they can be."""
    with contextlib.ExitStack() as ice:
        ice.enter_context(frozen(used.folder / "ledger.db"))
        async with running(used.site, used.folder, "--speed", SPEED) as daemon:
            await start_run(daemon)
            done = await daemon.until(lambda snapshot: snapshot.procedure not in ("RUNNING", "IDLE"))
            assert done.procedure == "COMPLETE", done.alarms
            assert done.progress["water_m3"] >= done.progress["planned_water_m3"]
            assert not done.ledger["writable"]
            said = await shiftwright("status", "--db", used.folder)
            assert "The record cannot be written: water only, no fertiliser." in said.out
            assert (await used.truth())["stock_injected_l"]["a"] == 0.0
            ice.close()
            await daemon.until(lambda snapshot: bool(snapshot.ledger["writable"]))
            assert await daemon.terminate() == 0
    (last,) = last_runs(used.folder / "ledger.db", 1)
    assert last.ended is not None and last.ended.row.state == "COMPLETE"
    assert last.ended.row.outcome != "DELIVERED" and "record-late" in last.ended.row.why
    assert verify_file(used.folder / "ledger.db").broken_seq is None
