"""How a line and each device on it have answered, in counters; and how long one that failed is left alone."""

from dataclasses import dataclass
from enum import Enum
from typing import Any

_FIRST_PAUSE_S = 0.5
_LONGEST_PAUSE_S = 10.0


class Failure(Enum):
    """Why a request brought nothing."""

    TIMEOUT = "TIMEOUT"
    DISCONNECTED = "DISCONNECTED"
    EXCEPTION = "EXCEPTION"
    """The device answered that it will not or cannot. The link is well."""
    PROTOCOL = "PROTOCOL"
    """The answer was not one that the request allows."""
    BACKING_OFF = "BACKING_OFF"
    """Not asked: the device, or the whole line, failed a moment ago and rests."""


class DeviceState(Enum):
    """What is known of a device, in words."""

    NEVER_SEEN = "never seen"
    """It has not answered since the start."""
    ANSWERING = "answering"
    LOST = "lost"
    """It has answered, and does not any more."""


@dataclass(frozen=True, slots=True)
class Counters:
    """Requests and what came of them since the line was made. Those answered at once while resting are not counted."""

    requests: int
    ok: int
    timeouts: int
    exceptions: int
    protocol: int
    disconnects: int
    last_failure: str
    """The newest failure in words; empty when there was none yet."""
    consecutive_failures: int
    """Requests in a row with no believable answer. A device's exception is an answer."""


@dataclass(frozen=True, slots=True)
class Health(Counters):
    """How a line answers, all of its devices together."""

    connected: bool


@dataclass(frozen=True, slots=True)
class DeviceHealth(Counters):
    """How one device answers."""

    state: DeviceState
    resting: bool
    """Whether requests are answered at once without asking it."""


class Rest:
    """The pause after a failure: 0.5 s, doubling to 10 s, until something is answered."""

    def __init__(self) -> None:
        self.until_s = 0.0
        """Event loop time at which the pause ends; 0 when the last attempt was answered."""
        self._pause_s = _FIRST_PAUSE_S

    def failed(self, now_s: float) -> None:
        """Begin a pause. An attempt made during one does not prolong it: the reads would never have their turn."""
        if now_s >= self.until_s:
            self.until_s = now_s + self._pause_s
            self._pause_s = min(2.0 * self._pause_s, _LONGEST_PAUSE_S)

    def over(self) -> None:
        """Forget what failed."""
        self.until_s, self._pause_s = 0.0, _FIRST_PAUSE_S


class Tally:
    """The counters behind a health, and the rest of what they count."""

    def __init__(self) -> None:
        self.rest = Rest()
        self.requests = 0
        self.ok = 0
        self.failures = dict.fromkeys(Failure, 0)
        self.in_a_row = 0
        self.seen = False
        """Whether anything was answered since the start."""
        self.last_failure = ""

    def answered(self) -> None:
        """Note a believable answer, be it an exception."""
        self.in_a_row, self.seen = 0, True
        self.rest.over()

    def failed(self, reason: Failure, detail: str) -> None:
        """Count a failure, in words as well."""
        self.failures[reason] += 1
        self.last_failure = f"{reason.value}: {detail}"

    def line(self, connected: bool) -> Health:
        """Return the counters as those of a line."""
        return Health(**self._counters(), connected=connected)

    def device(self, line: "Tally", now_s: float) -> DeviceHealth:
        """Return the counters as those of a device on `line`. While the line itself is down, none of it answers."""
        lost = self.in_a_row > 0 or line.rest.until_s > 0.0
        return DeviceHealth(
            **self._counters(),
            state=DeviceState.NEVER_SEEN if not self.seen else DeviceState.LOST if lost else DeviceState.ANSWERING,
            resting=now_s < max(self.rest.until_s, line.rest.until_s),
        )

    def _counters(self) -> dict[str, Any]:
        return {
            "requests": self.requests,
            "ok": self.ok,
            "timeouts": self.failures[Failure.TIMEOUT],
            "exceptions": self.failures[Failure.EXCEPTION],
            "protocol": self.failures[Failure.PROTOCOL],
            "disconnects": self.failures[Failure.DISCONNECTED],
            "last_failure": self.last_failure,
            "consecutive_failures": self.in_a_row,
        }
