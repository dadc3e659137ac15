"""What the record says of starts that were claimed: what is due no more, and what a stop of the controller left over.

Reads the file: not for the scan's thread. Raises LedgerError.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.decisions.timetable import Timetable
from daemon.evidence import StartClaimed
from daemon.ledger.nights import alarm_stands, claims_of, decided_ms, runs_besides, runs_marked, was_refused
from daemon.planning.rest import rest_of
from daemon.runtime.folder import HISTORY
from daemon.runtime.start import Asked, mark_of, place_of

MISSED = "start-missed"
"""Code of the alarm of a start, or what was left of one, that was skipped."""
_STOPPED = "the controller stopped during the run"
"""Why of a run that recovery closed (control/recovery.py)."""


@dataclass(frozen=True, slots=True)
class Claimed:
    """What is known of this night's starts and the last's."""

    since: dict[str, datetime]
    """When each timetable was decided as it is now."""
    claims: tuple[StartClaimed, ...]
    """In the order in which they were made."""
    alarm_stands: bool
    """Whether the alarm of a missed start was raised and not cleared."""


def read_claimed(path: Path, nights: Sequence[str], now_ms: int) -> Claimed:
    """Return what the record at `path` knows of the starts of these nights."""
    decided = decided_ms(path, Timetable.kind, now_ms)
    since = {key: datetime.fromtimestamp(ms / 1000.0, UTC) for key, ms in decided.items()}
    return Claimed(since, claims_of(path, nights), alarm_stands(path, MISSED))


def has_others(path: Path, claim: StartClaimed) -> bool:
    """Return whether somebody started something else since."""
    return runs_besides(path, claim.command, mark_of(claim.command))


def left_of(path: Path, claims: Sequence[StartClaimed]) -> tuple[list[Asked], int]:
    """Return what a start still owes where the controller stopped in it, and when it is known to have lived last.

    `claims` are the start's parts in their order; one that came to no run changes nothing of what was owed before it.
    """
    left = [Asked(program) for program in json.loads(claims[0].programs)]
    lived_ms = 0
    for claim in claims:
        lived_ms = max(lived_ms, claim.due_ms)
        marked = runs_marked(path, mark_of(claim.command), path.with_name(HISTORY))
        runs = {place_of(name): run for name, run in marked.items()}
        if was_refused(path, claim.command):
            return [], lived_ms
        if not runs:
            continue
        last = max(runs)
        cut, programs = runs[last], json.loads(claim.programs)
        if (cut.state, cut.why) != ("ABORTED", _STOPPED):
            return [], lived_ms
        lived_ms = max(lived_ms, cut.lived_ms)
        rest = rest_of(cut.recipe, cut.injected_l, cut.water_l)
        left = [Asked(programs[last], rest)] if rest.stock_l or rest.water_m3 else []
        left += [Asked(program) for program in programs[last + 1 :]]
    return left, lived_ms
