"""Invariant 12: two daemons never drive one plant."""

import os
import signal
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from daemon.runtime.lock import PlantBusy, PlantLock

_ROOT = Path(__file__).parents[3]
_HOLD = """
import sys
from pathlib import Path
from daemon.runtime.lock import PlantLock
lock = PlantLock(Path(sys.argv[1]), sys.argv[2:])
lock.acquire()
print("held", flush=True)
sys.stdin.read()
"""


@pytest.fixture
def bus() -> str:
    """Return an endpoint that no other run of the tests on this computer takes."""
    return f"test-{uuid.uuid4().hex}.invalid:502"


@contextmanager
def _other_daemon(path: Path, *endpoints: str) -> Iterator[subprocess.Popen[str]]:
    """Run another process that holds the lock, until it is told to end or killed."""
    command = [sys.executable, "-c", _HOLD, str(path), *endpoints]
    with subprocess.Popen(command, cwd=_ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        try:
            yield other
        finally:
            other.kill()


def test_second_daemon_is_refused_and_told_who_drives(tmp_path: Path) -> None:
    """Invariant 12: while another process holds the plant nobody else gets it; the message names it and the way out."""
    path = tmp_path / "plant.lock"
    with _other_daemon(path) as other:
        for _ in range(2):  # a refused try leaves no trace
            with pytest.raises(PlantBusy, match=f"process {other.pid} .*systemctl stop") as caught:
                PlantLock(path, ()).acquire()
        assert caught.value.code == "plant.busy"
        assert path.read_text() == f"{other.pid}\n"


def test_killed_daemon_holds_nothing(tmp_path: Path) -> None:
    """Invariant 12: the lock dies with its holder, however it dies, and the next one's pid replaces its."""
    path = tmp_path / "plant.lock"
    with _other_daemon(path) as other:
        other.send_signal(signal.SIGKILL)
        other.wait()
        path.write_text("99999999999\nleft by a crash")
        with closing(PlantLock(path, ())) as lock:
            lock.acquire()
            assert path.read_text() == f"{os.getpid()}\n"


def test_same_process_gets_the_plant_once(tmp_path: Path) -> None:
    """Invariant 12: not even two parts of one process drive the plant; closing gives it back, twice does nothing."""
    path = tmp_path / "plant.lock"
    first, second = PlantLock(path, ()), PlantLock(path, ())
    first.acquire()
    with pytest.raises(PlantBusy, match=f"process {os.getpid()} "):
        second.acquire()
    first.close()
    first.close()
    second.acquire()
    second.close()
    assert path.exists()


def test_holder_without_a_pid_yet_is_another_process(tmp_path: Path) -> None:
    """Invariant 12: the refusal stands in the moment before the holder has written its pid."""
    path = tmp_path / "plant.lock"
    with closing(PlantLock(path, ())) as lock:
        lock.acquire()
        path.write_text("")
        with pytest.raises(PlantBusy, match="another process drives"):
            PlantLock(path, ()).acquire()


def test_started_programs_do_not_keep_the_plant(tmp_path: Path, bus: str) -> None:
    """Invariant 12, the other side: a helper that outlives the daemon does not bar the next one."""
    path = tmp_path / "plant.lock"
    lock = PlantLock(path, [bus])
    lock.acquire()
    with subprocess.Popen(["sleep", "60"], close_fds=False) as helper:
        lock.close()
        with closing(PlantLock(path, [bus])) as second:
            second.acquire()
            assert helper.poll() is None
        helper.kill()


def test_lock_follows_no_link(tmp_path: Path) -> None:
    """Guards files elsewhere: a link in the lock's place is not written through."""
    victim = tmp_path / "victim"
    victim.write_text("kept")
    (tmp_path / "plant.lock").symlink_to(victim)
    with pytest.raises(OSError, match="symbolic links"):
        PlantLock(tmp_path / "plant.lock", ()).acquire()
    assert victim.read_text() == "kept"


def test_other_folder_does_not_reach_the_same_bus(tmp_path: Path, bus: str) -> None:
    """Invariant 12: a daemon with another database folder is refused at the bus, which the message names, in any case.

    Its folder is as it was: free for the daemon that has it, and without a pid of ours.
    """
    mine = tmp_path / "mine.lock"
    with _other_daemon(tmp_path / "other.lock", "elsewhere.invalid:502", bus):
        for _ in range(2):  # a refused try leaves no trace
            lock = PlantLock(mine, [bus.upper()])
            with pytest.raises(PlantBusy, match=f"bus {bus} already: .*systemctl stop") as caught:
                lock.acquire()
            assert not lock.held
        assert caught.value.code == "plant.busy"
        assert mine.read_text() == ""
        with closing(PlantLock(mine, ["elsewhere.invalid:503"])) as free:
            free.acquire()
            assert free.held


def test_killed_daemon_holds_no_bus(tmp_path: Path, bus: str) -> None:
    """Invariant 12, the other side: the kernel frees every bus of a daemon that was killed."""
    with _other_daemon(tmp_path / "other.lock", bus) as other:
        other.send_signal(signal.SIGKILL)
        other.wait()
        with closing(PlantLock(tmp_path / "mine.lock", [bus])) as lock:
            lock.acquire()
            assert lock.held


def test_refused_lock_gives_back_what_it_took(tmp_path: Path, bus: str) -> None:
    """Invariant 12: all or nothing: what was taken before the refusal is free again, file and buses, and only that."""
    first, last = f"a-{bus}", f"z-{bus}"
    with closing(PlantLock(tmp_path / "holder.lock", [last])) as holder:
        holder.acquire()
        with pytest.raises(PlantBusy, match=f"bus {last} "):
            PlantLock(tmp_path / "mine.lock", [last, first]).acquire()
        with closing(PlantLock(tmp_path / "mine.lock", [first])) as lock:
            lock.acquire()
        with pytest.raises(PlantBusy, match=f"bus {last} "):
            PlantLock(tmp_path / "mine.lock", [last]).acquire()
    with closing(PlantLock(tmp_path / "mine.lock", [last, first])) as lock:
        lock.acquire()
        assert lock.held


def test_two_buses_of_one_site_at_one_endpoint_do_not_bar_each_other(tmp_path: Path, bus: str) -> None:
    """Invariant 12, the other side: a plant is not refused to itself."""
    with closing(PlantLock(tmp_path / "plant.lock", [bus, bus.upper()])) as lock:
        lock.acquire()
        assert lock.held


@pytest.mark.parametrize("extra", [0, 1, 200])
def test_endpoint_of_any_length_is_taken(tmp_path: Path, bus: str, extra: int) -> None:
    """Invariant 12: a host name longer than the kernel's names still bars the second daemon, and it alone."""
    longest = 108 - len("\0shiftwright/")
    endpoint = bus.rjust(longest + extra, "x")
    with closing(PlantLock(tmp_path / "first.lock", [endpoint])) as first:
        first.acquire()
        with pytest.raises(PlantBusy, match=f"bus {endpoint} "):
            PlantLock(tmp_path / "second.lock", [endpoint]).acquire()
        with closing(PlantLock(tmp_path / "third.lock", ["y" + endpoint[1:]])) as third:
            third.acquire()
            assert third.held
