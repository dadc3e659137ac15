"""Recording decisions, with a daemon or without: checked, and stored all or none with what they make of past doses."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.clock import Clock, UtcStamp, real_seconds
from daemon.control.record import canonical
from daemon.decisions.base import Decisions
from daemon.evidence import CommandAnswered, DoseRestated, Evidence
from daemon.folder import LEDGER, LOCK
from daemon.ledger.batch import NewDecision
from daemon.ledger.errors import LedgerDone
from daemon.ledger.in_force import InForce, read_in_force
from daemon.ledger.reports import is_simulated, recorded_before
from daemon.ledger.writer import Ledger, open_ledger
from daemon.messages import RECORD, Answer
from daemon.runtime.decided import RecordRequest, parse_request
from daemon.runtime.fitting import check_fit
from daemon.runtime.lock import PlantLock
from daemon.runtime.restating import rows_of_corrections, rows_of_run
from daemon.site import Plant

_CLOSE_S = 10.0


@dataclass(frozen=True, slots=True)
class Recorded:
    """What became of a record command."""

    answer: Answer
    versions: tuple[int, ...]
    """Of its decisions; none where it had been recorded before."""


def record(
    ledger: Ledger,
    plant: Plant,
    in_force: InForce,
    request: RecordRequest,
    stamp: UtcStamp,
    rows: Sequence[Evidence] = (),
    then: Callable[[tuple[int, ...]], None] | None = None,
) -> Recorded:
    """Record decisions, the doses that they restate, `rows` and the command itself in one transaction; wait for it.

    `in_force` is the newest version of all. `then` is as Ledger.record_decisions has it. Raises DecisionError for
    decisions that do not fit, LedgerVersion for one that is overtaken, LedgerError when it cannot be written.
    """
    earlier = recorded_before(ledger.path, request.id)
    if earlier is not None:
        return Recorded(Answer(request.id, earlier.accepted, earlier.reason), ())
    told = check_fit(plant, in_force, request)
    restated = rows_of_corrections(ledger.path, plant, in_force.decisions, request)
    there = {one.name: in_force.versions.get(one.name, 0) for one in request.decisions}
    reason = " ".join((*_named(request, there), *_restated(restated), *told))
    answered = CommandAnswered(
        command=request.id,
        who=request.who,
        role="",
        verb=RECORD,
        arguments=canonical(list(there)),
        accepted=True,
        reason=reason,
    )
    decisions = [
        NewDecision(
            one.kind,
            one.key,
            canonical(None if one.decision is None else one.decision.model_dump(mode="json")),
            there[one.name] if one.expected_version is None else one.expected_version,
        )
        for one in request.decisions
    ]
    try:
        versions = ledger.record_decisions(
            decisions, request.who, stamp, command=request.id, rows=(*restated, *rows, answered), then=then
        )
    except LedgerDone as done:
        return Recorded(Answer(request.id, True, str(done)), ())
    return Recorded(Answer(request.id, True, reason), versions)


def restate_run(ledger: Ledger, plant: Plant, decisions: Decisions, run: str, stamp: UtcStamp) -> int:
    """Record the doses of a run that has ended anew, where its tanks were changed since it was planned.

    Returns how many rows that took. Raises LedgerError when they cannot be written.
    """
    rows = rows_of_run(ledger.path, plant, decisions, run)
    if rows:
        ledger.record_decisions((), "", stamp, rows=rows)
    return len(rows)


def record_offline(
    plant: Plant, folder: Path, decisions: Sequence[Mapping[str, Any]], who: str, *, command: str, clock: Clock
) -> Answer:
    """Record decisions in a folder whose daemon does not run, as the daemon would; holds the plant's lock meanwhile.

    `decisions` are in the form of the local socket, `command` is the record command's id. There must be a ledger:
    whether it is born real or simulated, only the plant can say, and the daemon asks it. Raises PlantBusy when a daemon
    has the plant after all, OSError when the folder is closed to this user, DecisionError for what cannot be recorded,
    LedgerMissing and every other LedgerError.
    """
    request = parse_request({"id": command, "who": who, "decisions": list(decisions)})
    path = folder / LEDGER
    simulated = is_simulated(path)
    lock = PlantLock(folder / LOCK, (bus.endpoint for bus in plant.site.bus.values()))
    lock.acquire()
    try:
        stamp = clock.stamp()
        ledger = open_ledger(path, simulated=simulated, stamp=stamp, now=real_seconds, site_digest=plant.digest)
        try:
            return record(ledger, plant, read_in_force(path), request, stamp).answer
        finally:
            ledger.close(_CLOSE_S)
    finally:
        lock.close()


def _named(request: RecordRequest, there: Mapping[tuple[str, str], int]) -> Iterator[str]:
    """Yield what was recorded and what was removed, each with its version."""
    for said, is_removed in (("Recorded", False), ("Removed", True)):
        asked = [one for one in request.decisions if (one.decision is None) == is_removed]
        if asked:
            yield f"{said} {', '.join(f'{one.kind} {one.key} as version {there[one.name] + 1}' for one in asked)}."


def _restated(rows: Sequence[DoseRestated]) -> tuple[str, ...]:
    runs = len({row.run for row in rows})
    return (f"Restated {len(rows)} doses of {runs} run{'s' if runs > 1 else ''}.",) if rows else ()
