"""Hundreds of deaths and disk faults of a ledger's writer: nothing acknowledged is lost, and no file is spoilt.

Deaths come at any moment: while it opens, recovers what the last death left, commits or checkpoints. Faults are put
into system calls by strace: each write, sync, truncation and read in its turn fails once or from then on, or kills.
The page cache outlives all of it: this is a crash of the process, not of the computer.
"""

import os
import random
import signal
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count, islice
from pathlib import Path

import pytest

from daemon.clock import real_seconds
from tests.daemon.ledger.nursery import Nursery, assert_whole, faulty
from tests.figures import record

_KILLS, _LONG_KILLS = 500, 12_000
_FAULTS, _LONG_FAULTS = 200, 5_200
_A_LEDGER = 20
"""Deaths and faults that one ledger bears before it is judged: nobody but the next writer recovers from each."""
_LONGEST_S = 0.030
"""Of a writer that is not waited for: about as long as it takes to open and to commit some times."""

_CALLS = ("pwrite64", "fdatasync", "fsync", "ftruncate", "pread64", "openat")
_HOWS = ("error=EIO", "error=ENOSPC", "error=EROFS", "signal=SIGKILL")
_LATEST = {"pwrite64": 60, "fdatasync": 16, "fsync": 3, "ftruncate": 3, "pread64": 40, "openat": 12}
"""So many of each a writer comes to, about."""


@dataclass
class _Tally:
    """What a sweep came to."""

    deaths: int = 0
    """Deaths, or faults that came to pass."""
    compound: int = 0
    """Of them, in a writer that had the last one's death to recover from."""
    acknowledged: dict[str, int] = field(default_factory=dict)


def _sweep_kills(folder: Path, kills: int) -> _Tally:
    chance, tally = random.Random(11), _Tally()
    with Nursery("rows") as nursery:
        for first in range(0, kills, _A_LEDGER):
            path = folder / f"{first}.db"
            acknowledged: dict[str, int] = {}
            for kill in range(first, first + _A_LEDGER):
                pid = nursery.begin(path, kill)
                last = 0
                if chance.random() < 0.5:
                    last = nursery.acknowledged(chance.randint(1, 9))
                else:  # most likely while it opens, and so while it recovers from the death before
                    end_s = real_seconds() + chance.uniform(0.0, _LONGEST_S)
                    while real_seconds() < end_s:
                        pass
                    tally.compound += kill > first
                os.kill(pid, signal.SIGKILL)
                acknowledged[str(kill)] = max(last, nursery.last_words()[0])
                tally.deaths += 1
            assert_whole(path, acknowledged)
            tally.acknowledged |= acknowledged
            _remove(path)
    return tally


def _faults() -> Iterator[str]:
    """Yield faults without an end: each call, each way, once and for good, in an order that is the same each time."""
    chance = random.Random(12)
    for turn in count():
        for call in _CALLS:
            for how in _HOWS:
                when = 1 + (turn * 7 + chance.randrange(7)) % _LATEST[call]
                lasting = "+" if how != "signal=SIGKILL" and chance.random() < 0.5 else ""
                yield f"{call}:{how}:when={when}{lasting}"


def _sweep_faults(folder: Path, faults: int) -> _Tally:
    tally, left, log = _Tally(), _faults(), folder / "strace"
    with Nursery("few") as nursery, Nursery("rows") as killed:
        for number in count():
            path = folder / f"{number}.db"
            acknowledged: dict[str, int] = {}
            for fault in islice(left, _A_LEDGER):
                _one_fault(tally, path, acknowledged, fault, log, nursery, killed)
            assert_whole(path, acknowledged)
            tally.acknowledged |= acknowledged
            _remove(path)
            if tally.deaths >= faults:
                break
    return tally


def _one_fault(
    tally: _Tally,
    path: Path,
    acknowledged: dict[str, int],
    fault: str,
    log: Path,
    nursery: Nursery,
    killed: Nursery,
) -> None:
    """Have one writer meet a fault, on every third ledger after another writer's death."""
    name = f"{path.stem}-{len(acknowledged)}"
    is_compound = len(acknowledged) % 3 == 2
    if is_compound:  # so that the fault meets the recovery
        pid = killed.begin(path, f"{name}-first")
        last = killed.acknowledged(1 + len(acknowledged) % 5)
        os.kill(pid, signal.SIGKILL)
        acknowledged[f"{name}-first"] = max(last, killed.last_words()[0])
    pid = nursery.begin(path, name)
    _until_stopped(pid)
    with faulty(pid, fault, log):
        acknowledged[name], said = nursery.last_words()
    assert not said.startswith("ledger.damaged"), (fault, said)
    traced = log.read_text("utf-8")
    came = "INJECTED" in traced or "killed by SIGKILL" in traced
    tally.deaths += came
    tally.compound += came and is_compound


def _until_stopped(pid: int) -> None:
    """Wait until a writer has halted."""
    end_s = real_seconds() + 10.0
    while Path(f"/proc/{pid}/stat").read_text("utf-8").rsplit(")", 1)[1].split()[0] != "T":
        assert real_seconds() < end_s


def _remove(path: Path) -> None:
    for one in path.parent.glob(f"{path.name}*"):
        one.unlink()


@pytest.mark.proof
@pytest.mark.timeout(400)
def test_hundreds_of_kills_lose_nothing(tmp_path: Path) -> None:
    """Invariant 7 in every CI: kills while opening, recovering, committing; what was acknowledged is there."""
    tally = _sweep_kills(tmp_path, _KILLS)
    assert tally.deaths == _KILLS and tally.compound > _KILLS // 4 and sum(tally.acknowledged.values()) > _KILLS


@pytest.mark.proof
@pytest.mark.peer
@pytest.mark.timeout(400)
def test_hundreds_of_disk_faults_lose_nothing(tmp_path: Path) -> None:
    """Invariant 7 in every CI: failed writes, syncs, truncations, reads, opens; a disk fault spoils no record."""
    tally = _sweep_faults(tmp_path, _FAULTS)
    assert tally.deaths >= _FAULTS and tally.compound >= _FAULTS // 10 and sum(tally.acknowledged.values()) > _FAULTS


@pytest.mark.long
@pytest.mark.timeout(9000)
def test_thousands_of_kills_and_faults_lose_nothing(tmp_path: Path) -> None:
    """The same, ten thousand kills and five thousand faults, recorded."""
    kills = _sweep_kills(tmp_path, _LONG_KILLS)
    faults = _sweep_faults(tmp_path, _LONG_FAULTS)
    counts = sum(kills.acknowledged.values()), sum(faults.acknowledged.values())
    record(
        "faulty_disk",
        claim="a writer of the ledger killed at any moment, its disk failing in any call",
        test="tests/daemon/ledger/test_faulty_disk.py, `-m long`",
        aim=">= 500 kills and >= 200 faults in CI, >= 10,000 and >= 5,000 recorded; 0 acknowledged rows lost, "
        "0 integrity failures",
        reached=f"{kills.deaths:,} kills ({kills.compound:,} of them where the one before was being recovered from), "
        f"{faults.deaths:,} faults in pwrite64, fdatasync, fsync, ftruncate, pread64 and openat (EIO, ENOSPC, EROFS, "
        f"SIGKILL; once and for good; {faults.compound:,} of them on a ledger that a death had left); 0 of "
        f"{sum(counts):,} acknowledged rows lost, every chain and page whole",
        limit="crash of the process: the page cache outlives it; not power loss",
    )
    assert kills.deaths >= 10_000 and faults.deaths >= 5_000
