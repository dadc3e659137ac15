"""The daemon's nights: what the timetable's jobs need of it, and tonight's plan, kept up to date in the record."""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from zoneinfo import ZoneInfo

from daemon.as_measured import as_measured
from daemon.clock import UtcStamp
from daemon.commissioning.status import notices_of, standings
from daemon.control.record import canonical
from daemon.control.states import ACTIVE
from daemon.decisions.base import Decisions
from daemon.equipment import Injector
from daemon.evidence import Event, Evidence, NightPlanned, RunEnded
from daemon.ledger.errors import LedgerError
from daemon.messages import Answer, Command
from daemon.planning.outlook import Outlook
from daemon.planning.timetable import night_of
from daemon.runtime.backing_up import back_up
from daemon.runtime.flushing import Flusher
from daemon.runtime.jobs import Jobs
from daemon.runtime.scan import Scanned
from daemon.runtime.start import Asked
from daemon.runtime.tonight import done_of, outlook_now, plan_content, short_tanks
from drivers.reading import Quality

if TYPE_CHECKING:
    from daemon.runtime.service import Service

_T = TypeVar("_T")
_DAY = timedelta(days=1)


class Nights:
    """One daemon's timetable and plan."""

    def __init__(self, service: "Service", say: Callable[[str], None], *, by_scheduler: bool) -> None:
        """Prepare to watch; `by_scheduler` lets APScheduler say when to look."""
        self._service, self._say = service, say
        self._zone = ZoneInfo(service.plant.site.site.zone)
        self._decisions: Decisions = {}
        self._recorded: dict[str, str] = {}
        self._told: dict[tuple[date, str], str] = {}
        self._planning: asyncio.Task[None] | None = None
        self._wanted = ""
        self._notices: tuple[str, ...] = ()
        """What of the commissioning keeps fertiliser out, or soon will."""
        self._levels_l: Mapping[str, float] = {}
        self.jobs = Jobs(self, self._zone, by_scheduler=by_scheduler)
        self._flusher = Flusher(service.plant.site, self._flush)
        self._flushing: asyncio.Task[None] | None = None
        self._has_begun = False
        self._unkept = ""
        """Why the last backup failed."""

    def saw(self, scanned: Scanned) -> None:
        """Take a scan in: what makes a new plan necessary, and what lets a start that waits begin."""
        service = self._service
        if service.decided.newest is not self._decisions:
            self._decisions = service.decided.newest
            self._levels_l = levels_of(service.plant.site.injector, scanned)
            if self._has_begun:
                self.jobs.changed()
            self._want("what people decided")
        if not self._has_begun:
            self._has_begun = True
            self.jobs.begin()
        if any(isinstance(row, RunEnded) for row in scanned.decision.entries):
            self._levels_l = levels_of(service.plant.site.injector, scanned)
            self._want("a run ended")
        at_s = service.clock.monotonic_s()
        self.jobs.tick(scanned.stamp, at_s)
        self._flusher.saw(scanned, at_s, self._next_at)

    @property
    def summary(self) -> dict[str, Any]:
        """The next start, and what somebody should see to before it."""
        found = self.jobs.next
        tonight = self._night(self.stamp().utc)
        at = found.at.astimezone(self._zone).isoformat(timespec="minutes") if found is not None else ""
        return {
            "next": {"timetable": found.timetable, "at": at} if found is not None else None,
            "notices": [
                *self._notices,
                *self.jobs.notices,
                *([self._unkept] if self._unkept else []),
                *(text for (night, _), text in self._told.items() if night == tonight),
            ],
        }

    @property
    def decisions(self) -> Decisions:
        """Those in force."""
        return self._service.decided.newest

    @property
    def is_busy(self) -> bool:
        """Whether a run is under way."""
        return self._service.scanner.state.unit.procedure in ACTIVE

    @property
    def ledger_path(self) -> Path:
        """The record."""
        return self._service.ledger.path

    def stamp(self) -> UtcStamp:
        """Return the wall time."""
        return self._service.clock.stamp()

    def say(self, text: str) -> None:
        """Tell people."""
        self._say(text)

    def record(self, rows: Sequence[Evidence]) -> None:
        """Record rows together or not at all, and wait for the disk. Raises LedgerError."""
        self._service.ledger.record_decisions((), "", self.stamp(), rows=rows)

    def is_on_record(self) -> bool:
        """Wait a little for the disk; return whether it has all that was said."""
        return self._service.is_on_record()

    async def off_scan(self, work: Callable[[], _T]) -> _T:
        """Do something that blocks beside the scan."""
        return await self._service.off_scan(work)

    async def start(self, command: Command, asked: Sequence[Asked]) -> Answer:
        """Start what is asked, as far as it can be planned."""
        return await self._service.start_as_far_as(command, asked)

    def _night(self, now: datetime) -> date:
        """Return the night that is planned: this one, or the next once nothing of this one is to come.

        So breakfast tells what comes tonight, and what its tanks lack is told while there is a day to mix.
        """
        night, found = night_of(now, self._zone), self.jobs.next
        return found.night if found is not None and not self.is_busy and found.night == night + _DAY else night

    def _next_at(self) -> datetime | None:
        found = self.jobs.next
        return found.at if found is not None else None

    def _flush(self, command: Command) -> None:
        """Have a flush started beside the scan."""
        self._flushing = asyncio.get_running_loop().create_task(self._flush_now(command))

    async def _flush_now(self, command: Command) -> None:
        answer = await self._service.command(command)
        what = "begins by itself" if answer.accepted else "is not begun by itself"
        self._say(f"The flush that is owed {what}: {answer.reason}")

    @property
    def backup_hour(self) -> int | None:
        """Hour of the day at which the record is backed up; None where it never is."""
        keeping = self._service.plant.site.keeping
        return keeping.hour if keeping.backups else None

    async def back_up(self) -> None:
        """Back the record up, and say what came of it."""
        stamp = self.stamp()
        is_good, text = await back_up(self.ledger_path.parent, self._service.plant.site.keeping)
        self._unkept = "" if is_good else f"The backup of {stamp.utc.astimezone(self._zone):%Y-%m-%d} failed: {text}"
        if self._unkept:
            self._say(self._unkept)
        event = Event("backup" if is_good else "backup-failed", canonical({"text": text}))
        self._service.ledger.submit((event,), self.stamp())

    def plan(self, why: str) -> None:
        """Have tonight planned anew, beside the scan."""
        newest = self._service.scanner.newest
        if newest is not None:
            self._levels_l = levels_of(self._service.plant.site.injector, newest)
        self._want(why)

    def _want(self, why: str) -> None:
        self._wanted = why
        if self._planning is None or self._planning.done():
            self._planning = asyncio.get_running_loop().create_task(self._plan_until_done())

    async def _plan_until_done(self) -> None:
        while self._wanted:
            why, self._wanted = self._wanted, ""
            stamp = self.stamp()
            if not stamp.trusted:
                return
            night = self._night(stamp.utc)
            decisions, levels_l = self.decisions, self._levels_l
            try:
                outlook, content = await self.off_scan(partial(self._outlook, decisions, night, stamp, levels_l))
            except LedgerError as error:
                self._say(f"Tonight could not be planned: {error}")
                return
            except Exception as error:  # what runs tonight is planned anew at its start, whatever is wrong with this
                self._say(f"Tonight could not be planned, by a fault of the program: {error!r}")
                return
            if outlook.starts and self._recorded.get(str(night)) != content:
                self._recorded = {str(night): content}
                self._service.ledger.submit((NightPlanned(str(night), why, content),), stamp)
            self._tell_tanks(outlook, stamp)

    def _outlook(
        self, decisions: Decisions, night: date, stamp: UtcStamp, levels_l: Mapping[str, float]
    ) -> tuple[Outlook, str]:
        service = self._service
        service.is_on_record()
        plant = as_measured(service.plant, decisions)
        outlook = outlook_now(plant, decisions, service.past, night, stamp.utc, levels_l)
        self._notices = notices_of(standings(service.plant.site, done_of(service.ledger.path), stamp.utc))
        return outlook, canonical(plan_content(outlook))

    def _tell_tanks(self, outlook: Outlook, stamp: UtcStamp) -> None:
        """Tell of each tank that lacks stock, once a night, as early as it is known: at night it is too late."""
        for tank, text in short_tanks(outlook, self._zone).items():
            if (outlook.night, tank) not in self._told:
                self._told[outlook.night, tank] = text
                self._say(text)
                detail = {"tank": tank, "night": str(outlook.night), "text": text}
                self._service.ledger.submit((Event("tank-short", canonical(detail)),), stamp)

    async def end(self) -> None:
        """Stop watching."""
        await self.jobs.end()
        for task in (self._planning, self._flushing):
            if task is not None:
                task.cancel()
                await asyncio.gather(task, return_exceptions=True)


def levels_of(injectors: Mapping[str, Injector], scanned: Scanned) -> dict[str, float]:
    """Return the litres in each tank whose level is read and good."""
    found = {}
    for name, channel in scanned.image.channels.items():
        if channel.content_l.quality is Quality.GOOD:
            found[injectors[name].tank] = channel.content_l.value
    return found
