"""Not a test: writers of a ledger that are killed or get faults from their disk, one after the other.

A nursery imports everything once and forks, so that thousands of deaths cost no start of Python.
"""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self

from daemon.evidence import Event
from daemon.ledger.reading import evidence, reading
from daemon.ledger.reports import verify_file

CHILD = Path(__file__).with_name("killed_child.py")
_HERE = Path(__file__).parents[3]


class Nursery:
    """A process that forks a writer for each line it is given, of what killed_child.py says they write."""

    def __init__(self, what: str) -> None:
        self._process = subprocess.Popen(
            [sys.executable, CHILD, what],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
            env=os.environ | {"PYTHONPATH": str(_HERE)},
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, at: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait()

    def begin(self, path: Path, name: object) -> int:
        """Have a writer begin on a ledger; return its process id."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{name} {path}\n")
        return int(self._line())

    def acknowledged(self, at_least: int) -> int:
        """Return the newest number that the writer has acknowledged, once it is at least so many."""
        last = 0
        while last < at_least:
            line = self._line()
            assert line != "dead", "the writer ended by itself"
            last = int(line)
        return last

    def last_words(self) -> tuple[int, str]:
        """Wait for the writer's end; return the last number that it acknowledged since, and what else it said."""
        last, said = 0, ""
        while (line := self._line()) != "dead":
            if line.isdecimal():
                last = int(line)
            elif line:
                said = line
        return last, said

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, "the nursery died"
        return line.strip()


def assert_whole(path: Path, acknowledged: dict[str, int]) -> None:
    """Hold a ledger against what its writers acknowledged: pages, chain, no gap, nothing twice."""
    with closing(sqlite3.connect(path)) as connection:  # may write: what a death left in the log is recovered here
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    verdict = verify_file(path)
    assert verdict.broken_seq is None, verdict
    with reading(path) as connection:
        found = [event.row for event in evidence(connection, Event)]
    for name, last in acknowledged.items():
        details = [event.detail for event in found if event.code == f"kill-{name}"]
        assert details == [str(n) for n in range(1, len(details) + 1)], name
        assert len(details) >= last, (name, len(details), last)


@contextmanager
def faulty(pid: int, fault: str, log: Path) -> Iterator[None]:
    """Have a system call of a stopped process, and of its threads, fail as strace's `inject` says; let it go on."""
    calls = fault.partition(":")[0]
    tracer = subprocess.Popen(
        ["strace", "-f", "-e", f"trace={calls}", "-e", f"inject={fault}", "-o", log, "-p", str(pid)],
        stderr=subprocess.PIPE,
        text=True,
    )
    assert tracer.stderr is not None
    try:
        attached = tracer.stderr.readline()
        assert "attached" in attached, attached
        os.kill(pid, signal.SIGCONT)
        yield
        tracer.wait(20.0)
    finally:
        tracer.kill()
        tracer.wait()
        tracer.stderr.close()
