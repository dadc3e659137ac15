"""Flush that is owed: planned for a START, and, where the site allows it, asked for at the first safe chance."""

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from daemon.clock import UtcStamp
from daemon.control.decide import State
from daemon.control.lines import Owed
from daemon.control.states import ACTIVE, Effect, ProcedureState, UnitMode
from daemon.decisions.base import Decisions
from daemon.messages import DAEMON, Command, Verb
from daemon.planning.checks import refused
from daemon.planning.flush import plan_flush
from daemon.planning.run_names import name_of
from daemon.runtime.scan import Scanned
from daemon.runtime.start import Planned
from daemon.site import Site

FLUSH = "flush"
"""What stands for the program in the name of a run that only flushes."""
_QUIET_S = 120.0
"""Nobody does anything and nothing is wrong for so long before it begins by itself (engineering judgement)."""
_AGAIN_S = 900.0
"""After a start that was refused or that did not pay (engineering judgement)."""
_BEFORE_START = timedelta(minutes=30)
"""So near to a start of the timetable it is left to that, which pays first (engineering judgement)."""


def owed_by_segment(owed: Sequence[Owed]) -> dict[str, float]:
    """Return what each segment owes most, in litres of its own: the same water flushes every stock."""
    most_l: dict[str, float] = {}
    for item in owed:
        most_l[item.segment] = max(most_l.get(item.segment, 0.0), item.left_l)
    return most_l


def plan_flushes(
    site: Site, decisions: Decisions, owed: Sequence[Owed], arguments: Mapping[str, Any], command_id: str, now: datetime
) -> Planned:
    """Return the plans of a START that flushes (arguments: flush, a list of blocks, none for all). Raises PlanError."""
    wanted = arguments["flush"]
    if not isinstance(wanted, list) or not all(isinstance(name, str) for name in wanted):
        raise refused("start", f"got flush {wanted!r}; expected a list of blocks, empty for all that owe one")
    plans = plan_flush(
        site, decisions, owed_by_segment(owed), wanted, lambda place: name_of(now, FLUSH, command_id, place), now
    )
    return Planned(plans, {})


class Flusher:
    """Sees when what is owed may be flushed with nobody asking for it."""

    def __init__(self, site: Site, ask: Callable[[Command], None]) -> None:
        """`ask` puts a START to the daemon, beside the scan."""
        self._is_allowed = site.limits.flush_by_itself
        self._ask = ask
        self._is_barred = False
        self._since_s: float | None = None
        self._next_s = 0.0

    def saw(self, scanned: Scanned, at_s: float, next_start: Callable[[], datetime | None]) -> None:
        """Take a scan in; `at_s` is its monotonic second, `next_start` tells that of the timetable."""
        if not self._is_allowed:
            return
        state, stamp = scanned.decision.state, scanned.stamp
        self._is_barred = self._bars(state, scanned)
        is_safe = (
            bool(state.lines.owed)
            and not self._is_barred
            and not state.leases
            and state.unit.procedure not in ACTIVE
            and state.unit.mode is UnitMode.AUTOMATIC
            and scanned.decision.facts.selector_auto is True
            and scanned.decision.verdict.effect is Effect.NONE
        )
        if not is_safe:
            self._since_s = None
            return
        if self._since_s is None:
            self._since_s = at_s
        if at_s - self._since_s >= _QUIET_S and at_s >= self._next_s and not _comes_soon(stamp, next_start()):
            self._next_s = at_s + _AGAIN_S
            self._ask(Command(f"flush-{stamp.ms}", FLUSH, DAEMON, Verb.START, {"flush": []}))

    def _bars(self, state: State, scanned: Scanned) -> bool:
        """Return whether somebody has put a hand to it: after that nothing starts by itself before the next run."""
        if scanned.decision.facts.selector_auto is False:
            return True
        procedure, run = state.unit.procedure, state.run
        if procedure is ProcedureState.STOPPED and run is not None and run.end == "stopped by an operator":
            return True
        return self._is_barred and procedure not in ACTIVE


def _comes_soon(stamp: UtcStamp, next_start: datetime | None) -> bool:
    return next_start is not None and next_start - stamp.utc < _BEFORE_START
