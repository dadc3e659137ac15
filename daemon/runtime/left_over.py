"""What the record says of starts that were claimed: what is due no more, and what a stop of the controller left over.

Reads the file: not for the scan's thread. Raises LedgerError.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from daemon.control.open_run import STOPPED
from daemon.decisions.timetable import Timetable
from daemon.evidence import StartClaimed
from daemon.folder import HISTORY
from daemon.ledger.nights import alarm_stands, claims_of, decided_ms, runs_besides, runs_marked, was_refused
from daemon.ledger.reports import last_runs
from daemon.planning.checks import refused
from daemon.planning.rest import Rest, rest_of
from daemon.planning.run_names import NOW, mark_of, place_of, program_of, rest_mark
from daemon.runtime.flushing import FLUSH
from daemon.runtime.start import Asked

MISSED = "start-missed"
"""Code of the alarm of a start, or what was left of one, that was skipped."""
_RUNS = 40
"""Of the last nights."""


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


def rest_asked(path: Path, run: str) -> Asked:
    """Return what a START for the rest of a run asks for. Raises PlanError where there is none to give, or none more.

    What has been begun once is not begun again: a rest that is cut off itself leaves a rest of its own.
    """
    found = runs_marked(path, run, path.with_name(HISTORY)).get(run)
    if found is None or not found.state:
        raise refused("rest", f"run {run}: the record knows no such run that has ended. See shiftwright owed")
    if is_rest_begun(path, run):
        raise refused("rest", f"run {run}: its rest was started before; what that one left is its own rest")
    if program_of(run).endswith(NOW) or program_of(run) == FLUSH:
        raise refused("rest", f"run {run}: it was water by hand, and is started by hand again")
    rest = rest_of(found.recipe, found.injected_l, found.water_l)
    if not rest.stock_l and not rest.water_m3:
        raise refused("rest", f"run {run}: nothing is left of it")
    return Asked(program_of(run), rest, run)


def left_by_runs(path: Path) -> list[tuple[str, str, Rest]]:
    """Return the newest runs that ended short by a crash, a stop or an abort, why, and their rest; newest first."""
    found = []
    for summary in last_runs(path, _RUNS):
        ended, run = summary.ended, summary.started.row.run
        if ended is None or ended.row.state not in ("ABORTED", "STOPPED") or program_of(run) == FLUSH:
            continue
        so_far = runs_marked(path, run, path.with_name(HISTORY))[run]
        rest = rest_of(so_far.recipe, so_far.injected_l, so_far.water_l)
        if (rest.stock_l or rest.water_m3) and not is_rest_begun(path, run):
            found.append((run, ended.row.why, rest))
    return found


def is_rest_begun(path: Path, run: str) -> bool:
    """Return whether a run for the rest of `run` was begun; one that the weather kept from beginning was not."""
    return any(found.state != "IDLE" for found in runs_marked(path, rest_mark(run)).values())


def left_of(path: Path, claims: Sequence[StartClaimed]) -> tuple[list[Asked], int]:
    """Return what a start still owes where the controller stopped in it, and when it is known to have lived last.

    `claims` are the start's parts in their order; one that came to no run changes nothing of what was owed before it.
    """
    left = [Asked(program) for program in json.loads(claims[0].programs)]
    lived_ms = 0
    for claim in claims:
        lived_ms = max(lived_ms, claim.due_ms)
        marked = runs_marked(path, mark_of(claim.command), path.with_name(HISTORY))
        runs = {place_of(name): (name, run) for name, run in marked.items()}
        if was_refused(path, claim.command):
            return [], lived_ms
        if not runs:
            continue
        last = max(runs)
        (name, cut), programs = runs[last], json.loads(claim.programs)
        if (cut.state, cut.why) != ("ABORTED", STOPPED):
            return [], lived_ms
        lived_ms = max(lived_ms, cut.lived_ms)
        rest = rest_of(cut.recipe, cut.injected_l, cut.water_l)
        left = [Asked(programs[last], rest, name)] if rest.stock_l or rest.water_m3 else []
        left += [Asked(program) for program in programs[last + 1 :]]
    return left, lived_ms
