"""Starts by the timetable: APScheduler says when to look, one pure function what is due, the ledger that it is once.

A job never runs a shift: it only has the starts looked at, and what is due is claimed in the record and then asked of
the daemon as anybody asks for a START. Nothing starts while the clock is not trusted. In stepped and scaled time the
scan looks instead, once a simulated minute.
"""

import asyncio
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.cron import CronTrigger

from daemon.clock import UtcStamp
from daemon.control.record import canonical
from daemon.decisions.base import of_kind
from daemon.decisions.timetable import Timetable
from daemon.evidence import AlarmCleared, AlarmRaised, Event, Evidence, StartClaimed
from daemon.ledger.errors import LedgerError, LedgerRow, LedgerUnwritable
from daemon.messages import DAEMON, Command, Verb
from daemon.planning.timetable import Start, begun, next_start, night_of
from daemon.runtime.farm import Farm
from daemon.runtime.left_over import MISSED, has_others, left_of, read_claimed
from daemon.runtime.start import Asked

_T = TypeVar("_T")

WHO = "timetable"
_JUMP_S = 2.0
_EVERY_S = 60.0
_NIGHT = timedelta(days=1)
_NOON, _AFTERNOON = 12, 15
_NEW_NIGHT, _STOCK_CHECK = "a new night", "the afternoon"
_MOST_PARTS = 3
"""Goes at what a cut left over: power that keeps failing is for somebody to look at."""
_LATE_JOB_S = 3600
"""A job that is late only looks: what may still start is the timetable's own rule."""


class Nights(BaseTrigger):  # type: ignore[misc]
    """APScheduler's view of a timetable: its next start by the one pure function."""

    def __init__(self, key: str, timetable: Timetable, zone: ZoneInfo) -> None:
        self._key, self._timetable, self._zone = key, timetable, zone

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime | None:
        """Return the next start after now, or after the one before where the clock was set back behind it."""
        after = max(now, previous_fire_time) if previous_fire_time is not None else now
        found = next_start(self._key, self._timetable, self._zone, after.astimezone(UTC))
        return found.at if found is not None else None


class Jobs:
    """Watches the timetables of one farm."""

    def __init__(self, farm: Farm, zone: ZoneInfo, *, by_scheduler: bool) -> None:
        """Prepare; `by_scheduler` lets APScheduler say when to look, by the system's clock."""
        self._farm, self._zone = farm, zone
        self._scheduler = AsyncIOScheduler(timezone=zone) if by_scheduler else None
        self._looking: asyncio.Task[None] | None = None
        self._look_again = False
        self._last: tuple[UtcStamp, float] | None = None
        self._looked_s = -_EVERY_S
        self._is_fresh = True
        self._waits = False
        self._has_failed = False
        self._unsure: set[str] = set()
        self._unclaimed: set[tuple[str, int, date]] = set()
        """Starts made while the record took nothing: water alone, for without a record no injector opens."""
        self._hours: tuple[date, bool] | None = None
        self._timetables: Mapping[str, Timetable] = {}
        self._notices: dict[tuple[str, int, str], str] = {}

    @property
    def next(self) -> Start | None:
        """The next start of all timetables."""
        now = self._farm.stamp().utc
        found = (next_start(key, one, self._zone, now) for key, one in self._timetables.items())
        return min((start for start in found if start is not None), key=lambda start: start.at, default=None)

    @property
    def notices(self) -> list[str]:
        """What did not run of this night and the last, and why."""
        return [
            f"Timetable {timetable}, night of {night}: {why}" for (timetable, _, night), why in self._notices.items()
        ]

    def begin(self) -> None:
        """Begin to watch, and look at once at what came while nobody watched."""
        if self._scheduler is not None:
            self._scheduler.start()
        self.changed()

    def changed(self) -> None:
        """Take new decisions up."""
        self._timetables = of_kind(self._farm.decisions, Timetable)
        if self._scheduler is not None:
            self._scheduler.remove_all_jobs()
            options: dict[str, Any] = {"misfire_grace_time": _LATE_JOB_S, "coalesce": True, "max_instances": 1}
            for key, timetable in self._timetables.items():
                self._scheduler.add_job(self._fired, Nights(key, timetable, self._zone), id=f"start {key}", **options)
            for hour, why in ((_NOON, _NEW_NIGHT), (_AFTERNOON, _STOCK_CHECK)):
                trigger = CronTrigger(hour=hour, minute=0, timezone=self._zone)
                self._scheduler.add_job(self._turned, trigger, args=[why], id=why, **options)
            if (backup_hour := self._farm.backup_hour) is not None:
                trigger = CronTrigger(hour=backup_hour, minute=30, timezone=self._zone)
                self._scheduler.add_job(self._farm.back_up, trigger, id="backup", **options)
        self.look()

    async def _turned(self, why: str) -> None:
        """Plan at an hour of the day."""
        self._farm.plan(why)
        self.look()

    async def _fired(self) -> None:
        """Be what a job does: a coroutine, for APScheduler runs all else in a thread."""
        self.look()

    def tick(self, stamp: UtcStamp, monotonic_s: float) -> None:
        """Notice a wall clock that jumps or comes to be trusted, and a plant that comes to rest. For each scan."""
        before, self._last = self._last, (stamp, monotonic_s)
        if before is not None:
            was, was_s = before
            jumped_s = (stamp.utc - was.utc).total_seconds() - (monotonic_s - was_s)
            if abs(jumped_s) > _JUMP_S or stamp.trusted != was.trusted:
                # Every job keeps its next moment by the clock as it was: one that was put back leaves it years ahead.
                self.changed()
                self._farm.plan("the clock was set")
        is_due = (self._scheduler is None or self._has_failed) and monotonic_s - self._looked_s >= _EVERY_S
        if is_due or (self._waits and not self._farm.is_busy):
            self._looked_s = monotonic_s
            self.look()
        if is_due and self._scheduler is None:
            self._turn(stamp.utc)

    def _turn(self, now: datetime) -> None:
        """Plan at noon and in the afternoon where no scheduler says so."""
        here = now.astimezone(self._zone)
        before, self._hours = self._hours, (night_of(now, self._zone), here.hour >= _AFTERNOON)
        if before is not None and before[0] != self._hours[0]:
            self._farm.plan(_NEW_NIGHT)
        elif before is not None and self._hours[1] and not before[1]:
            self._farm.plan(_STOCK_CHECK)

    def look(self) -> None:
        """Look at what is due, beside the scan; once more where somebody looks already."""
        if self._looking is not None and not self._looking.done():
            self._look_again = True
            return
        self._looking = asyncio.get_running_loop().create_task(self._look_until_seen())

    async def _look_until_seen(self) -> None:
        while True:
            self._look_again = False
            try:
                await self._look()
            except LedgerError as error:
                self._farm.say(f"The timetable cannot start anything, and tries again: {error}")
                self._has_failed = True
            except Exception as error:  # the watch goes on whatever is wrong with one look
                self._farm.say(f"The timetable failed by a fault of the program, and tries again: {error!r}")
                self._has_failed = True
            else:
                self._has_failed = False
            if not self._look_again:
                return

    async def _look(self) -> None:
        stamp, self._waits = self._farm.stamp(), False
        if not stamp.trusted or not self._timetables:
            return
        tonight = night_of(stamp.utc, self._zone)
        nights = [str(night) for night in (tonight - _NIGHT, tonight)]
        known = await self._farm.off_scan(partial(read_claimed, self._farm.ledger_path, nights, _ms(stamp.utc)))
        told = {(claim.timetable, claim.number, claim.night): claim.why for claim in known.claims if claim.why}
        self._notices = {name: why for name, why in self._notices.items() if name[2] in nights} | told
        if known.alarm_stands and not told:
            await self._farm.off_scan(partial(self._farm.record, (AlarmCleared(MISSED),)))
        if self._is_fresh:
            await self._go_on(known.claims, tonight, stamp.utc)
            self._is_fresh = False
        claimed = {
            (claim.timetable, claim.number, claim.night) for claim in known.claims if claim.command not in self._unsure
        }
        decided = {key: one for key, one in self._timetables.items() if key in known.since}
        failed: LedgerError | None = None
        for start in begun(decided, known.since, self._zone, stamp.utc):
            if (start.timetable, start.number, str(start.night)) in claimed or start.name in self._unclaimed:
                continue
            try:
                await self._make(start, decided[start.timetable], stamp.utc)
            except LedgerError as error:  # one that cannot be written down holds up no other
                failed = error
        if failed is not None:
            raise failed

    async def _make(self, start: Start, timetable: Timetable, now: datetime) -> None:
        """Make a start that has come, have it wait for the run under way, or skip it where it is too late."""
        if now > start.latest:
            self._unsure.discard(_command_of(start.timetable, start.number, str(start.night), 0))
            await self._skip(start)
        elif self._farm.is_busy:
            self._waits = True
        else:
            programs = [Asked(program) for program in timetable.programs]
            try:
                await self._start(_claim(start, 0, programs), programs)
            except LedgerUnwritable:
                if now < start.at + (start.latest - start.at) / 2:
                    raise  # and tried again
                self._unclaimed.add(start.name)
                self._farm.say("The record takes nothing: the night starts all the same, with water alone.")
                await self._ask(_claim(start, 0, programs), programs)

    async def _start(self, claim: StartClaimed, asked: Sequence[Asked]) -> None:
        """Claim, and only then start: what is claimed and does not come to run is not run a second time."""
        try:
            has_claimed = await self._has_claimed(claim)
        except LedgerError:
            self._unsure.add(claim.command)  # its commit may be under way
            raise
        if not has_claimed and claim.command not in self._unsure:
            return
        self._unsure.discard(claim.command)
        await self._ask(claim, asked)

    async def _ask(self, claim: StartClaimed, asked: Sequence[Asked]) -> None:
        """Ask for the START of a claim; what is refused is told, and over for the night."""
        command = Command(claim.command, WHO, DAEMON, Verb.START, {"programs": [one.program for one in asked]})
        answer = await self._farm.start(command, asked)
        if not answer.accepted:
            self._notices[claim.timetable, claim.number, claim.night] = f"it did not start: {answer.reason}"
            self._farm.say(f"Timetable {claim.timetable} did not start: {answer.reason}")
            detail = canonical({"programs": [one.program for one in asked], "why": answer.reason})
            await self._farm.off_scan(lambda: self._farm.record((Event("not-run", detail),)))

    async def _skip(self, start: Start) -> None:
        here = start.at.astimezone(self._zone)
        why = f"the start of {here:%H:%M} was missed, and it is too late for it now"
        await self._skipped(
            StartClaimed(start.timetable, start.number, str(start.night), 0, _ms(start.at), "[]", command="", why=why)
        )

    async def _skipped(self, claim: StartClaimed) -> None:
        """Record a start, or what was left of one, as skipped, and tell."""
        rows = (
            Event("start-skipped", canonical({"timetable": claim.timetable, "why": claim.why})),
            AlarmRaised(MISSED, "none", False),
        )
        if await self._has_claimed(claim, rows):
            self._notices[claim.timetable, claim.number, claim.night] = claim.why
            self._farm.say(f"Timetable {claim.timetable}: {claim.why}.")

    async def _has_claimed(self, claim: StartClaimed, rows: Sequence[Evidence] = ()) -> bool:
        try:
            await self._farm.off_scan(lambda: self._farm.record((claim, *rows)))
        except LedgerRow:
            return False  # claimed before
        return True

    async def _go_on(self, claims: Sequence[StartClaimed], tonight: date, now: datetime) -> None:
        """Go on with what a stop of the controller left of this night, once after each boot."""
        await self._farm.off_scan(self._farm.is_on_record)  # what recovery closed is read from there
        parts: dict[tuple[str, int], list[StartClaimed]] = {}
        for claim in (claim for claim in claims if claim.night == str(tonight)):
            parts.setdefault((claim.timetable, claim.number), []).append(claim)
        for made in parts.values():
            claim = made[-1]
            timetable = self._timetables.get(claim.timetable)
            if not claim.command or timetable is None:
                continue
            left, lived_ms = await self._farm.off_scan(partial(left_of, self._farm.ledger_path, made))
            if not left:
                continue
            names = ", ".join(one.program for one in left)
            name = (claim.timetable, claim.number, claim.night, claim.part + 1)
            if lived_ms < _ms(now - timedelta(minutes=timetable.late_min)):
                why = "the controller was off for too long"
            elif claim.part + 1 > _MOST_PARTS:
                why = "it was stopped too often"
            elif self._farm.is_busy or await self._farm.off_scan(partial(has_others, self._farm.ledger_path, claim)):
                why = "other runs were started since"
            else:
                self._farm.say(f"A stop of the controller left some of this night over. It goes on with: {names}.")
                await self._start(StartClaimed(*name, _ms(now), *_what(left, *name), why=""), left)
                continue
            why = f"a stop of the controller left some of it over ({names}), and it does not go on: {why}"
            await self._skipped(StartClaimed(*name, _ms(now), "[]", command="", why=why))

    async def end(self) -> None:
        """Stop watching; what is being started is left to its answer."""
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)
        if self._looking is not None and not self._looking.done():
            self._looking.cancel()
            await asyncio.gather(self._looking, return_exceptions=True)


def _claim(start: Start, part: int, asked: Sequence[Asked]) -> StartClaimed:
    what = _what(asked, start.timetable, start.number, str(start.night), part)
    return StartClaimed(start.timetable, start.number, str(start.night), part, _ms(start.at), *what, why="")


def _what(asked: Sequence[Asked], timetable: str, number: int, night: str, part: int) -> tuple[str, str]:
    """Return the programs, and the id of the START."""
    return canonical([one.program for one in asked]), _command_of(timetable, number, night, part)


def _command_of(timetable: str, number: int, night: str, part: int) -> str:
    return f"night-{night}-{timetable}-{number}-{part}"


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000.0)
