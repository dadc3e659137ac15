"""What the timetable's jobs need of the daemon."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

from daemon.clock import UtcStamp
from daemon.decisions.base import Decisions
from daemon.evidence import Evidence
from daemon.messages import Answer, Command
from daemon.runtime.start import Asked

_T = TypeVar("_T")


class Farm(Protocol):
    """What the jobs need of the daemon."""

    @property
    def decisions(self) -> Decisions:
        """Those in force."""
        ...

    @property
    def is_busy(self) -> bool:
        """Whether a run is under way."""
        ...

    @property
    def ledger_path(self) -> Path:
        """The record."""
        ...

    def stamp(self) -> UtcStamp:
        """Return the wall time."""
        ...

    def record(self, rows: Sequence[Evidence]) -> None:
        """Record rows together or not at all, and wait for the disk. Raises LedgerError."""
        ...

    def is_on_record(self) -> bool:
        """Wait a little for the disk; return whether it has all that was said."""
        ...

    async def off_scan(self, work: Callable[[], _T]) -> _T:
        """Do something that blocks beside the scan."""
        ...

    async def start(self, command: Command, asked: Sequence[Asked]) -> Answer:
        """Start what is asked, as far as it can be planned."""
        ...

    @property
    def backup_hour(self) -> int | None:
        """Hour of the day at which the record is backed up; None where it never is."""
        ...

    async def back_up(self) -> None:
        """Back the record up, and say what came of it."""
        ...

    def plan(self, why: str) -> None:
        """Have tonight planned anew, beside the scan."""
        ...

    def say(self, text: str) -> None:
        """Tell people."""
        ...
