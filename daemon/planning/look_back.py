"""How far back planning looks: to the beginning of what a budget, a cap or an allocation may still count."""

from datetime import UTC, datetime, time, timedelta

from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.crops import Cycle

_AT_LEAST = timedelta(days=800)
"""A cap's year, the one before it, and some weeks."""
_A_DAY = timedelta(days=1)
"""No zone is further from UTC."""


def look_back_to(decisions: Decisions, now: datetime) -> datetime:
    """Return the moment in UTC before which nothing that was given counts any more for what is planned at `now`."""
    running = [
        datetime.combine(cycle.starts, time(), UTC) - _A_DAY
        for cycle in of_kind(decisions, Cycle).values()
        if datetime.combine(cycle.ends, time(), UTC) + 2 * _A_DAY >= now
    ]
    return min((now - _AT_LEAST, *running))
