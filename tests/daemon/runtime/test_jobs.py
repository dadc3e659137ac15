"""The timetable's jobs, APScheduler itself among them: each start once a night, and never by a clock nobody trusts.

Wall time is the machine's, moved by time-machine; its monotonic clock stays. The farm is a record and a list of starts.
"""

import asyncio
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

import pytest
import time_machine

from daemon.clock import UtcStamp
from daemon.decisions.base import Decisions
from daemon.decisions.timetable import Timetable
from daemon.evidence import AlarmCleared, AlarmRaised, Event, Evidence, StartClaimed
from daemon.ledger.batch import NewDecision
from daemon.ledger.errors import LedgerRow, LedgerUnwritable
from daemon.ledger.nights import claims_of, decided_ms
from daemon.ledger.reading import evidence, reading
from daemon.ledger.writer import Ledger
from daemon.messages import Answer, Command
from daemon.runtime.jobs import Jobs
from daemon.runtime.start import Asked
from tests.daemon.ledger.samples import keep, opened

_T = TypeVar("_T")
ADELAIDE = "Australia/Adelaide"
_LONG_AGO = datetime(2026, 1, 1, tzinfo=UTC)


class FakeFarm:
    """A daemon that only writes down what it is asked."""

    def __init__(self, ledger: Ledger, timetable: Timetable) -> None:
        self.ledger = ledger
        self.decisions: Decisions = {("timetable", "nightly"): timetable}
        self.is_busy = False
        self.is_trusted = True
        self.answer = "The run starts."
        self.starts: list[tuple[datetime, str, list[str]]] = []
        self.said: list[str] = []
        self.planned: list[str] = []
        self.backup_hour: int | None = 13
        self.backups: list[datetime] = []

    @property
    def ledger_path(self) -> Path:
        return self.ledger.path

    def stamp(self) -> UtcStamp:
        return UtcStamp(datetime.now(UTC), self.is_trusted)  # noqa: TID251  (the moved clock is what is tested)

    def record(self, rows: Sequence[Evidence]) -> None:
        self.ledger.record_decisions((), "", self.stamp(), rows=rows)

    def is_on_record(self) -> bool:
        return True

    async def off_scan(self, work: Callable[[], _T]) -> _T:
        return work()

    async def start(self, command: Command, asked: Sequence[Asked]) -> Answer:
        self.starts.append((self.stamp().utc, command.id, [one.program for one in asked]))
        return Answer(command.id, self.answer == "The run starts.", self.answer)

    async def back_up(self) -> None:
        self.backups.append(self.stamp().utc)

    def plan(self, why: str) -> None:
        self.planned.append(why)

    def say(self, text: str) -> None:
        self.said.append(text)

    def nights(self) -> list[str]:
        """Return the night of each start, from its command."""
        return [command.removeprefix("night-")[:10] for _, command, _ in self.starts]


def _timetable(*starts: str, **more: Any) -> Timetable:
    return Timetable.model_validate({"programs": ["low", "high"], "starts": starts or ("22:00",), **more})


@contextmanager
def _farm(tmp_path: Path, timetable: Timetable, decided: datetime = _LONG_AGO) -> Iterator[FakeFarm]:
    with opened(tmp_path / "ledger.db") as ledger:
        body = timetable.model_dump_json()
        ledger.record_decisions([NewDecision("timetable", "nightly", body)], "Mina", UtcStamp(decided, True))
        yield FakeFarm(ledger, timetable)


async def _settle(jobs: Jobs) -> None:
    """Let the scheduler fire and what it set off come to its end."""
    for _ in range(4):
        await asyncio.sleep(0)
    while jobs._looking is not None and not jobs._looking.done():
        await asyncio.sleep(0)


def _wake(jobs: Jobs) -> None:
    """Do what the scheduler's own timer does once its time has come."""
    assert jobs._scheduler is not None
    jobs._scheduler.wakeup()


async def _watch(farm: FakeFarm, zone: str, begin: datetime, end: datetime, step: timedelta) -> None:
    """Watch from `begin` to `end` with the scheduler's timer at every step, and nothing else to help it."""
    with time_machine.travel(begin, tick=False) as wall:
        jobs = Jobs(farm, ZoneInfo(zone), by_scheduler=True)
        jobs.begin()
        await _settle(jobs)
        now = begin
        while now <= end:
            wall.move_to(now)
            _wake(jobs)
            await _settle(jobs)
            now += step
        await jobs.end()


@pytest.mark.parametrize(
    ("zone", "change", "wall"),
    [
        (ADELAIDE, date(2026, 10, 4), "02:30"),  # in the gap
        (ADELAIDE, date(2027, 4, 4), "02:30"),  # comes twice
        ("Europe/Lisbon", date(2027, 3, 28), "01:30"),
        ("Europe/Lisbon", date(2026, 10, 25), "01:30"),
        ("America/Santiago", date(2026, 9, 6), "00:30"),
        ("America/Santiago", date(2027, 4, 4), "23:30"),
        ("Australia/Lord_Howe", date(2026, 10, 4), "02:15"),
        ("Australia/Lord_Howe", date(2027, 4, 4), "01:45"),
    ],
)
async def test_one_start_a_night_when_the_clocks_change(tmp_path: Path, zone: str, change: date, wall: str) -> None:
    """The scheduler itself, around a change of the clocks: no night without its start, none with two."""
    begin = datetime(change.year, change.month, change.day, 12, tzinfo=ZoneInfo(zone)) - timedelta(days=3)
    end = begin + timedelta(days=5)
    with _farm(tmp_path, _timetable(wall)) as farm:
        await _watch(farm, zone, begin.astimezone(UTC), end.astimezone(UTC), timedelta(minutes=20))
        expected = [str(begin.date() + timedelta(days=n)) for n in range(5)]
        assert farm.nights() == expected
        assert {tuple(programs) for _, _, programs in farm.starts} == {("low", "high")}


@pytest.mark.parametrize("hour", [13, None])
async def test_the_record_is_backed_up_once_a_day(tmp_path: Path, hour: int | None) -> None:
    """At half past its hour by the site's zone, every day; never where the site keeps none."""
    begin = datetime(2026, 10, 13, 9, tzinfo=ZoneInfo(ADELAIDE))
    with _farm(tmp_path, _timetable()) as farm:
        farm.backup_hour = hour
        end = begin + timedelta(days=3)
        await _watch(farm, ADELAIDE, begin.astimezone(UTC), end.astimezone(UTC), timedelta(minutes=20))
        local = [at.astimezone(ZoneInfo(ADELAIDE)) for at in farm.backups]
        assert [(at.day, at.hour) for at in local] == ([(13, 13), (14, 13), (15, 13)] if hour else [])


async def test_the_schedulers_own_timer_starts_the_night(tmp_path: Path) -> None:
    """A moment before its time nothing has started; the timer does it, with nobody looking."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE))
    with _farm(tmp_path, _timetable()) as farm, time_machine.travel(at - timedelta(seconds=0.3), tick=True):
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        await _settle(jobs)
        assert not farm.starts
        async with asyncio.timeout(20.0):
            while not farm.starts:
                await asyncio.sleep(0.02)
        await jobs.end()
        assert farm.nights() == ["2026-10-13"] and farm.starts[0][0] >= at


@pytest.mark.parametrize("jump", [timedelta(minutes=1), timedelta(hours=1), timedelta(days=3653)], ids=str)
@pytest.mark.parametrize("there_and_back", [True, False], ids=["forward and back", "back and forward"])
async def test_a_jump_of_the_wall_clock_starts_nothing_twice(
    tmp_path: Path, jump: timedelta, there_and_back: bool
) -> None:
    """Invariant: each start once a night, however the wall clock is put; each jump is noticed by the scan."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    sign = 1 if there_and_back else -1
    with _farm(tmp_path, _timetable()) as farm, time_machine.travel(at - timedelta(seconds=30), tick=False) as wall:
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        passed_s = 0.0
        for offset in (timedelta(0), sign * jump, timedelta(0), sign * jump, timedelta(0)):
            for _ in range(3):
                passed_s += 20.0
                wall.move_to(at + offset + timedelta(seconds=passed_s - 30.0))
                jobs.tick(farm.stamp(), passed_s)
                _wake(jobs)
                await _settle(jobs)
        await jobs.end()
        nights = farm.nights()
        assert nights.count("2026-10-13") == 1
        assert len(nights) == len(set(nights))


async def test_nothing_starts_while_the_clock_is_not_trusted(tmp_path: Path) -> None:
    """A boot in 1970, then the right time without trust, then trust: one start, and only then."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with (
        _farm(tmp_path, _timetable()) as farm,
        time_machine.travel(datetime(1970, 1, 1, tzinfo=UTC), tick=False) as wall,
    ):
        farm.is_trusted = False
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        await _settle(jobs)
        jobs.tick(farm.stamp(), 1.0)
        wall.move_to(at + timedelta(minutes=5))
        for second in (2.0, 3.0):
            jobs.tick(farm.stamp(), second)
            _wake(jobs)
            await _settle(jobs)
        assert not farm.starts
        farm.is_trusted = True
        jobs.tick(farm.stamp(), 4.0)
        await _settle(jobs)
        assert farm.nights() == ["2026-10-13"]
        jobs.tick(farm.stamp(), 5.0)
        await _settle(jobs)
        await jobs.end()
        assert len(farm.starts) == 1


@pytest.mark.parametrize(("late_min", "starts"), [(90, 1), (30, 0)])
async def test_a_missed_start_runs_within_its_window_or_is_told(tmp_path: Path, late_min: int, starts: int) -> None:
    """After a power cut of an hour: still in its window it runs; past it, it is skipped for good, with an alarm."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable(late_min=late_min), at - timedelta(hours=6)) as farm:
        for _ in range(2):  # and a second boot changes nothing
            with time_machine.travel(at + timedelta(hours=1), tick=False):
                jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
                jobs.begin()
                await _settle(jobs)
                await jobs.end()
        with reading(farm.ledger_path) as connection:
            alarms = [row.row.code for row in evidence(connection, AlarmRaised)]
            skipped = [row.row.detail for row in evidence(connection, Event, "WHERE t.code = 'start-skipped'")]
    assert alarms == ["start-missed"] * (1 - starts)
    assert len(skipped) == 1 - starts and (not skipped or "22:00 was missed" in skipped[0])
    assert [said for said in farm.said if "missed" in said] == [
        "Timetable nightly: the start of 22:00 was missed, and it is too late for it now."
    ] * (1 - starts)


async def test_a_start_waits_for_the_run_under_way(tmp_path: Path) -> None:
    """Two starts that meet: the second begins when the plant is at rest, and once."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable()) as farm, time_machine.travel(at, tick=False):
        farm.is_busy = True
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        await _settle(jobs)
        jobs.tick(farm.stamp(), 1.0)
        await _settle(jobs)
        assert not farm.starts
        farm.is_busy = False
        for second in (2.0, 3.0):
            jobs.tick(farm.stamp(), second)
            await _settle(jobs)
        await jobs.end()
    assert farm.nights() == ["2026-10-13"]


async def test_a_timetable_starts_nothing_for_the_time_before_it(tmp_path: Path) -> None:
    """One that is entered at 22:30 for 22:00 begins the next night: nobody expects water the moment it is typed in."""
    at = datetime(2026, 10, 13, 22, 30, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable()) as farm:
        body = _timetable(late_min=60).model_dump_json()
        farm.ledger.record_decisions([NewDecision("timetable", "nightly", body)], "Mina", UtcStamp(at, True))
        await _watch(farm, ADELAIDE, at, at + timedelta(days=1), timedelta(minutes=15))
    assert farm.nights() == ["2026-10-14"]


async def test_what_is_refused_is_told_and_not_tried_again(tmp_path: Path) -> None:
    """A start that the plant refuses is over for the night: a person looks at it."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable()) as farm:
        farm.answer = "The emergency stop and the selector must both be read as healthy and in Auto."
        await _watch(farm, ADELAIDE, at, at + timedelta(hours=3), timedelta(minutes=10))
        with reading(farm.ledger_path) as connection:
            (told,) = evidence(connection, Event, "WHERE t.code = 'not-run'")
    assert len(farm.starts) == 1
    assert "emergency stop" in told.row.detail


def test_the_record_takes_a_start_once(tmp_path: Path) -> None:
    """The guard under all the rest: a second claim of the same start of the same night is refused."""
    claim = StartClaimed("nightly", 0, "2026-10-13", 0, 1, "[]", command="c", why="")
    with _farm(tmp_path, _timetable()) as farm:
        farm.record((claim,))
        with pytest.raises(LedgerRow):
            farm.record((claim,))
        assert claims_of(farm.ledger_path, ["2026-10-13", "2026-10-14"]) == (claim,)
        assert claims_of(farm.ledger_path, ["2026-10-14"]) == ()


async def test_a_clock_put_far_ahead_and_back_leaves_no_night_without_its_start(tmp_path: Path) -> None:
    """The scheduler's jobs keep their next moment by the clock as it was: they are made anew, or wait for ten years."""
    at = datetime(2026, 10, 13, 21, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable()) as farm, time_machine.travel(at, tick=False) as wall:
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        passed_s = 0.0
        for offset in (timedelta(0), timedelta(days=3653), *[timedelta(0)] * 50):
            wall.move_to(at + offset + timedelta(seconds=passed_s))
            jobs.tick(farm.stamp(), passed_s)
            _wake(jobs)
            await _settle(jobs)
            passed_s += 3600.0
        await jobs.end()
    assert [night for night in farm.nights() if night < "2036"] == ["2026-10-13", "2026-10-14", "2026-10-15"]
    assert "the clock was set" in farm.planned


@pytest.mark.parametrize("year", [1970, 2036])
async def test_a_timetable_entered_by_a_wrong_clock_counts_from_when_the_clock_is_right(
    tmp_path: Path, year: int
) -> None:
    """A controller that does not know the year: it starts nothing of before, and does not wait for ten years either."""
    at = datetime(2026, 10, 13, 22, 30, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    body = _timetable().model_dump_json()
    with _farm(tmp_path, _timetable()) as farm:
        wrong = UtcStamp(datetime(year, 10, 13, tzinfo=UTC), False)
        farm.ledger.record_decisions([NewDecision("timetable", "nightly", body)], "Mina", wrong)
        keep(farm.ledger, Event("start", "{}"), second=0)  # of November, by a trusted clock: later than now
        await _watch(farm, ADELAIDE, at, at + timedelta(days=1), timedelta(minutes=15))
    assert farm.nights() == ["2026-10-14"]


def test_the_newest_version_of_a_timetable_counts(tmp_path: Path) -> None:
    """An older version of a later year is over: when it was decided as it is now is what counts."""
    now = datetime(2026, 10, 13, tzinfo=UTC)
    body = _timetable().model_dump_json()
    with _farm(tmp_path, _timetable(), decided=datetime(2036, 1, 1, tzinfo=UTC)) as farm:
        farm.ledger.record_decisions([NewDecision("timetable", "nightly", body)], "Mina", UtcStamp(now, True))
        now_ms = round((now + timedelta(days=1)).timestamp() * 1000.0)
        assert decided_ms(farm.ledger_path, "timetable", now_ms) == {"nightly": round(now.timestamp() * 1000.0)}


@pytest.mark.parametrize("is_kept", [True, False], ids=["its commit came after all", "nothing was recorded"])
async def test_a_claim_that_the_disk_did_not_take_in_time_is_tried_again(tmp_path: Path, is_kept: bool) -> None:
    """A disk that hangs when the night begins costs no night: once it answers, the start is made, and once."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable(), at - timedelta(hours=6)) as farm, time_machine.travel(at, tick=False) as wall:
        record, hangs = farm.record, [True]

        def hang_once(rows: Sequence[Evidence]) -> None:
            if not hangs:
                return record(rows)
            hangs.clear()
            if is_kept:
                record(rows)
            raise LedgerUnwritable("no commit in 10 s")

        farm.record = hang_once  # type: ignore[method-assign]
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        await _settle(jobs)
        assert not farm.starts
        for second in range(0, 300, 10):
            wall.move_to(at + timedelta(seconds=second))
            jobs.tick(farm.stamp(), float(second))
            await _settle(jobs)
        await jobs.end()
        assert [claim.part for claim in claims_of(farm.ledger_path, ["2026-10-13"])] == [0]
    assert farm.nights() == ["2026-10-13"]
    assert any("tries again: no commit" in text for text in farm.said)


async def test_a_record_that_takes_nothing_costs_no_water(tmp_path: Path) -> None:
    """Losing fertiliser never loses water: half of its lateness on, the night starts unclaimed, and once."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable(late_min=60)) as farm, time_machine.travel(at, tick=False) as wall:

        def refuse(rows: Sequence[Evidence]) -> None:
            raise LedgerUnwritable("no commit in 10 s")

        farm.record = refuse  # type: ignore[method-assign]
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        for minute in range(90):
            wall.move_to(at + timedelta(minutes=minute))
            jobs.tick(farm.stamp(), 60.0 * minute)
            await _settle(jobs)
        await jobs.end()
    assert [start - at for start, _, _ in farm.starts] == [timedelta(minutes=30)]
    assert "The record takes nothing: the night starts all the same, with water alone." in farm.said


async def test_a_fault_of_the_program_ends_no_watch(tmp_path: Path) -> None:
    """What nobody foresaw in one look is told, and the next look starts the night."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    with _farm(tmp_path, _timetable(), at - timedelta(hours=6)) as farm, time_machine.travel(at, tick=False) as wall:
        start, stumbles = farm.start, [True]

        async def stumble_once(command: Command, asked: Sequence[Asked]) -> Answer:
            if stumbles.pop() if stumbles else False:
                raise ValueError("nobody thought of this")
            return await start(command, asked)

        farm.start = stumble_once  # type: ignore[method-assign]
        jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
        jobs.begin()
        for day in range(2):
            wall.move_to(at + timedelta(days=day))
            jobs.tick(farm.stamp(), 86_400.0 * day)
            _wake(jobs)
            await _settle(jobs)
        await jobs.end()
    assert any("fault of the program" in text and "nobody thought" in text for text in farm.said)
    assert farm.nights() == ["2026-10-14"]


async def test_a_missed_start_stands_in_the_status_until_its_time_is_over(tmp_path: Path) -> None:
    """Who looks in the morning sees it, after another boot too; the alarm is cleared when a new night has passed."""
    at = datetime(2026, 10, 13, 22, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    told = []
    with _farm(tmp_path, _timetable(late_min=30), at - timedelta(hours=6)) as farm:
        for hours in (1, 12, 20, 39):
            with time_machine.travel(at + timedelta(hours=hours), tick=False):
                if hours == 20:
                    farm.decisions = {("timetable", "nightly"): _timetable(late_min=30, last="2026-10-13")}
                jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=True)
                jobs.begin()
                await _settle(jobs)
                told.append(jobs.notices)
                await jobs.end()
        with reading(farm.ledger_path) as connection:
            cleared = [row.row.code for row in evidence(connection, AlarmCleared)]
    why = "the start of 22:00 was missed, and it is too late for it now"
    assert told == [[f"Timetable nightly, night of 2026-10-13: {why}"]] * 3 + [[]]
    assert cleared == ["start-missed"]


async def test_tonight_is_planned_at_noon_and_in_the_afternoon(tmp_path: Path) -> None:
    """The new night at noon, and the tanks again at three: with the scheduler, and without one in simulated time."""
    begin = datetime(2026, 10, 13, 9, tzinfo=ZoneInfo(ADELAIDE)).astimezone(UTC)
    for by_scheduler in (True, False):
        with opened(tmp_path / f"{by_scheduler}.db") as ledger, time_machine.travel(begin, tick=False) as wall:
            farm = FakeFarm(ledger, _timetable())
            jobs = Jobs(farm, ZoneInfo(ADELAIDE), by_scheduler=by_scheduler)
            jobs.begin()
            for minute in range(0, 12 * 60, 5):
                wall.move_to(begin + timedelta(minutes=minute))
                jobs.tick(farm.stamp(), 60.0 * minute)
                if by_scheduler:
                    _wake(jobs)
                await _settle(jobs)
            await jobs.end()
        assert farm.planned == ["a new night", "the afternoon"]
