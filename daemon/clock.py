"""The only place in the daemon that asks the time: real, scaled and stepped clocks, and how far wall time is trusted.

Durations come from `monotonic_s`. `utc` is for the record and the timetable alone, and carries whether it is trusted:
a farm computer without a battery boots in 1970.
"""

import asyncio
import math
import os
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

_NEVER_BEFORE = datetime(2026, 1, 1, tzinfo=UTC)
_SIGNS = (Path("/run/systemd/timesync/synchronized"), Path("/run/shiftwright/clock-confirmed"))
"""What says that the clock was set: systemd-timesyncd, or an operator. That a time service runs proves nothing."""


@dataclass(frozen=True, slots=True)
class UtcStamp:
    """A moment for the record, with whether the clock was trusted when it was taken."""

    utc: datetime
    trusted: bool

    @property
    def ms(self) -> int:
        """Milliseconds since 1970-01-01 UTC."""
        return round(self.utc.timestamp() * 1000.0)


class Clock(Protocol):
    """What the scan and the jobs know of time."""

    kind: str

    def monotonic_s(self) -> float:
        """Return seconds that never step, for durations."""
        ...

    def stamp(self) -> UtcStamp:
        """Return the wall time in UTC for the record."""
        ...

    async def wait_until_s(self, monotonic_s: float) -> None:
        """Return once `monotonic_s()` has reached the given time; at once when it has passed."""
        ...


class RealClock:
    """The shed's clock."""

    kind = "real"

    def __init__(self, signs: tuple[Path, ...] = _SIGNS, look_s: float = 5.0) -> None:
        """Trust wall time while any of the files `signs` exists; look for them at most every `look_s`."""
        self._signs = signs
        self._look_s = look_s
        self._looked_at_s = -math.inf
        self._is_signed = False

    def monotonic_s(self) -> float:
        """Return the system's monotonic seconds."""
        return time.monotonic()

    def stamp(self) -> UtcStamp:
        """Return the system's UTC; untrusted until a sign says that it is right; one out of reach says nothing."""
        now, now_s = datetime.now(UTC), time.monotonic()
        if now_s - self._looked_at_s >= self._look_s:
            # Unlike Path.exists, os.path.exists takes every error for a file that is not there.
            self._is_signed = any(os.path.exists(sign) for sign in self._signs)
            self._looked_at_s = now_s
        return UtcStamp(now, now >= _NEVER_BEFORE and self._is_signed)

    async def wait_until_s(self, monotonic_s: float) -> None:
        """Sleep until `monotonic_s`."""
        await asyncio.sleep(max(0.0, monotonic_s - time.monotonic()))


class ScaledClock:
    """Simulated time that runs `factor` times as fast as real time, for a simulator that paces itself likewise."""

    kind = "scaled"

    def __init__(self, factor: float) -> None:
        """Begin now, `factor` times as fast as real time."""
        self._factor = factor
        self._origin_s = time.monotonic()
        self._start = datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Return simulated seconds since this clock was made."""
        return (time.monotonic() - self._origin_s) * self._factor

    def stamp(self) -> UtcStamp:
        """Return the simulated UTC, always trusted."""
        return UtcStamp(self._start + timedelta(seconds=self.monotonic_s()), True)

    async def wait_until_s(self, monotonic_s: float) -> None:
        """Sleep the real time that is left until the simulated `monotonic_s`."""
        await asyncio.sleep(max(0.0, (monotonic_s - self.monotonic_s()) / self._factor))


class SteppedClock:
    """Simulated time that moves only when the scan waits: the wait calls `advance` on the simulator."""

    kind = "stepped"

    def __init__(self, advance: Callable[[float], Awaitable[None]], start: datetime) -> None:
        self._advance = advance
        self._start = start
        self._now_s = 0.0

    def monotonic_s(self) -> float:
        """Return the simulated seconds stepped so far."""
        return self._now_s

    def stamp(self) -> UtcStamp:
        """Return the simulated UTC, always trusted."""
        return UtcStamp(self._start + timedelta(seconds=self._now_s), True)

    async def wait_until_s(self, monotonic_s: float) -> None:
        """Move the plant on to `monotonic_s`, and the clock with it."""
        step_s = monotonic_s - self._now_s
        if step_s > 0.0:
            await self._advance(step_s)
            self._now_s = monotonic_s


def real_seconds() -> float:
    """Return real monotonic seconds, for wall-time figures and for deadlines that stay real in simulated time."""
    return time.monotonic()
