"""A number from the plant never travels without its quality and its age."""

from enum import Enum
from typing import NamedTuple


class Quality(Enum):
    """How far a reading may be trusted, in OPC UA's words."""

    GOOD = "GOOD"
    UNCERTAIN = "UNCERTAIN"
    BAD = "BAD"


class Reading(NamedTuple):
    """One value as a scan received it. A tuple: a scan makes one for every point."""

    value: float
    """In the unit that the point's name carries; switches read 0.0 or 1.0; NaN when nothing usable came."""
    quality: Quality
    at_s: float
    """When it was received, in seconds of the monotonic clock that the reader was handed."""

    def age_s(self, now_s: float) -> float:
        """Return the age in seconds at `now_s` of the same clock."""
        return now_s - self.at_s


class WriteResult(Enum):
    """What is known of a write after its answer."""

    CONFIRMED = "CONFIRMED"
    """The device echoed exactly what was sent. This proves the register, never the valve behind it."""
    UNCONFIRMED = "UNCONFIRMED"
    """No answer, or one that is not the echo: the output may or may not have changed."""
    REFUSED = "REFUSED"
    """The device answered with an exception: the output has not changed."""
