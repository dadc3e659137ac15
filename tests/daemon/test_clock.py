"""Durations come from a clock that never steps; wall time says whether it is trusted."""

import asyncio
import dataclasses
import itertools
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon import clock
from daemon.clock import RealClock, ScaledClock, SteppedClock, UtcStamp, real_seconds

START = datetime(2026, 10, 3, 18, 0, tzinfo=UTC)


class _SetClock(datetime):
    """A wall clock that the test sets."""

    wall = START

    @classmethod
    def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
        return cls.wall


@pytest.fixture
def wall(monkeypatch: pytest.MonkeyPatch) -> type[_SetClock]:
    """Return a wall clock to set."""
    monkeypatch.setattr(clock, "datetime", _SetClock)
    return _SetClock


@pytest.fixture
def sign(tmp_path: Path) -> Path:
    """Return a sign that the clock was set."""
    sign = tmp_path / "synchronized"
    sign.touch()
    return sign


def test_wall_clock_jump_moves_no_duration(wall: type[_SetClock], monkeypatch: pytest.MonkeyPatch) -> None:
    """Invariant 10: a wall clock set a year on or back changes the stamp, never the monotonic seconds."""
    seen_s = []
    real = RealClock()
    for jump in (timedelta(0), timedelta(days=365), timedelta(days=-365)):
        monkeypatch.setattr(wall, "wall", START + jump)
        seen_s.append(real.monotonic_s())
        assert real.stamp().utc == START + jump
    assert all(0.0 <= later - earlier < 1.0 for earlier, later in itertools.pairwise(seen_s))


def test_boot_in_1970_is_not_trusted(wall: type[_SetClock], sign: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards the timetable: no time before this software existed is trusted, not even one marked as synchronised."""
    real = RealClock((sign,))
    assert real.stamp().trusted
    monkeypatch.setattr(wall, "wall", datetime(1970, 1, 1, 0, 1, tzinfo=UTC))
    assert not real.stamp().trusted


def test_wall_time_that_nobody_set_is_not_trusted(wall: type[_SetClock], tmp_path: Path) -> None:
    """Guards the timetable: a plausible date is not enough, some source must have set the clock."""
    assert RealClock((tmp_path / "synchronized", tmp_path / "confirmed")).stamp() == UtcStamp(START, False)


def test_any_sign_is_believed_while_it_is_there(wall: type[_SetClock], sign: Path, tmp_path: Path) -> None:
    """Guards the timetable: one sign is enough, at any place, and trust ends with it."""
    absent = tmp_path / "absent"
    for signs in ((sign, absent), (absent, sign)):
        assert RealClock(signs).stamp() == UtcStamp(START, True)
    real = RealClock((absent, sign))
    sign.unlink()
    assert not real.stamp().trusted


def test_unreadable_sign_is_none_and_hides_no_other(wall: type[_SetClock], sign: Path, tmp_path: Path) -> None:
    """Guards the scan and the timetable: a sign that the kernel refuses to look up neither ends a scan nor counts."""
    refused = tmp_path / ("x" * 300)
    with pytest.raises(OSError, match="File name too long"):
        refused.stat()
    assert RealClock((refused,)).stamp() == UtcStamp(START, False)
    assert RealClock((refused, sign)).stamp() == UtcStamp(START, True)


def test_sign_in_a_closed_directory_is_none(wall: type[_SetClock], sign: Path) -> None:
    """Guards the scan: a time service that closes its directory to others costs trust, not a scan."""
    user = os.geteuid()
    sign.parent.chmod(0o000)
    if user == 0:
        os.seteuid(65534)  # no directory is closed to root
    try:
        with pytest.raises(PermissionError):
            sign.stat()
        assert RealClock((sign,)).stamp() == UtcStamp(START, False)
    finally:
        os.seteuid(user)
        sign.parent.chmod(0o700)


def test_running_time_service_alone_is_no_sign() -> None:
    """Guards the timetable: only a clock that was set, or an operator's word, is believed: no pid file of a service."""
    assert [str(sign) for sign in clock._SIGNS] == [
        "/run/systemd/timesync/synchronized",
        "/run/shiftwright/clock-confirmed",
    ]


async def test_real_wait_ends_at_its_time_and_not_before() -> None:
    """Guards the scan's period: a wait ends at its time, and a time that has passed costs nothing."""
    real = RealClock()
    begun_s = real.monotonic_s()
    await real.wait_until_s(begun_s + 0.02)
    waited_s = real.monotonic_s() - begun_s
    await asyncio.wait_for(real.wait_until_s(begun_s - 60.0), 1.0)
    assert 0.019 <= waited_s < 1.0


async def test_scaled_time_runs_by_its_factor(wall: type[_SetClock]) -> None:
    """Guards the demo: 60 simulated seconds at factor 2000 take 0.03 real ones, and the stamp moves with them."""
    begun_s = real_seconds()
    scaled = ScaledClock(2000.0)
    await scaled.wait_until_s(60.0)
    spent_s = real_seconds() - begun_s
    assert 0.029 <= spent_s < 1.0
    assert scaled.stamp().trusted
    assert timedelta(seconds=60) <= scaled.stamp().utc - START < timedelta(seconds=2000)


async def test_stepped_time_moves_by_waiting_alone() -> None:
    """Guards lockstep: the plant is moved by exactly what the clock moves, and only when the scan waits for later."""
    steps = []

    async def advance(step_s: float) -> None:
        steps.append(step_s)

    stepped = SteppedClock(advance, START)
    for until_s in (1.0, 1.0, 0.5, 2.5):
        await stepped.wait_until_s(until_s)
    assert steps == [1.0, 1.5]
    assert stepped.monotonic_s() == 2.5
    assert stepped.stamp() == UtcStamp(START + timedelta(seconds=2.5), True)


async def test_failed_step_leaves_the_clock_where_it_was() -> None:
    """Guards lockstep: a plant that did not move has cost no simulated time."""

    async def advance(step_s: float) -> None:
        raise ConnectionError

    stepped = SteppedClock(advance, START)
    with pytest.raises(ConnectionError):
        await stepped.wait_until_s(1.0)
    assert stepped.monotonic_s() == 0.0


def test_stamp_counts_utc_milliseconds_in_any_zone() -> None:
    """Guards the record: the stored number is UTC, through the hour that comes twice, and rounded, not cut."""
    adelaide = ZoneInfo("Australia/Adelaide")
    twice = datetime(2026, 4, 5, 2, 30, tzinfo=adelaide)
    first, second = (UtcStamp(moment, True).ms for moment in (twice, twice.replace(fold=1)))
    assert second - first == 3_600_000
    assert UtcStamp(datetime(1970, 1, 1, 0, 0, 1, 999_600, tzinfo=UTC), True).ms == 2000


def test_stamp_cannot_be_changed() -> None:
    """Guards the record: a stamp stays as it was taken."""
    stamp = UtcStamp(START, True)
    with pytest.raises(dataclasses.FrozenInstanceError):
        stamp.trusted = False  # type: ignore[misc]
