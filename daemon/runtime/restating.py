"""Which doses of which runs are stated anew, by what was corrected in the tanks that they drew from."""

from datetime import UTC, datetime
from pathlib import Path

from daemon.agronomy.restate import Correction, first_difference_ms, restated, strengths_of
from daemon.agronomy.tank import entry_at, log_of
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Mix
from daemon.evidence import DoseRestated
from daemon.ledger.drawings import drawn_in, drawn_since
from daemon.runtime.decided import RecordRequest
from daemon.site import Plant

_ENTERED_LATE = "entered after runs had drawn from the tank"
_CHANGED_MEANWHILE = "the tank was changed after the run was planned"


def rows_of_corrections(
    path: Path, plant: Plant, decisions: Decisions, request: RecordRequest
) -> tuple[DoseRestated, ...]:
    """Return the rows that the mixes among new decisions make of doses in the ledger at `path`.

    Labels are taken as they are now, before and after: a label that changes is another bag's, and restates nothing.
    """
    asked = {one.name: one.decision for one in request.decisions if one.decision is not None}
    mixes = {name: mix for name, mix in asked.items() if isinstance(mix, Mix)}
    earlier = {name: mix for name in mixes if isinstance(mix := decisions.get(name), Mix)}
    now = {**decisions, **asked}
    before = {name: decision for name, decision in now.items() if name not in mixes} | earlier
    rows: list[DoseRestated] = []
    for tank in sorted({mix.tank for mix in (*mixes.values(), *earlier.values())}):
        old, new = strengths_of(log_of(tank, before)), strengths_of(log_of(tank, now))
        since_ms = first_difference_ms(old, new)
        if since_ms is None:
            continue
        _, key, why = min(
            (mix.at, key, mix.why)
            for (kind, key), mix in mixes.items()
            if mix != earlier.get((kind, key)) and tank in (mix.tank, earlier.get((kind, key), mix).tank)
        )
        correction = Correction(key, why or _ENTERED_LATE, request.who)
        changes_ms = [strength.since_ms for strength in (*old, *new)]
        for drawing in drawn_since(path, _channels(plant, tank), since_ms, changes_ms):
            rows += restated(drawing, old, new, correction)
    return tuple(rows)


def rows_of_run(path: Path, plant: Plant, decisions: Decisions, run: str) -> tuple[DoseRestated, ...]:
    """Return the rows for a run that has ended, where its tanks were changed after it was planned.

    Its doses were stated with the strength that it was planned with, whoever topped the tank up meanwhile.
    """
    logs = {tank: log_of(tank, decisions) for tank in plant.site.tank}
    strengths = {tank: strengths_of(log) for tank, log in logs.items()}
    rows: list[DoseRestated] = []
    for drawing in drawn_in(path, run, [s.since_ms for history in strengths.values() for s in history]):
        injector = plant.site.injector.get(drawing.channel)
        if injector is None:
            continue  # of another site file
        tank = injector.tank
        entry = entry_at(tank, decisions, datetime.fromtimestamp(drawing.to_ms / 1000.0, UTC))
        if entry is not None:
            correction = Correction(entry.key, entry.mix.why or _CHANGED_MEANWHILE, entry.mix.by)
            rows += restated(drawing, (), strengths[tank], correction)
    return tuple(rows)


def _channels(plant: Plant, tank: str) -> frozenset[str]:
    return frozenset(name for name, injector in plant.site.injector.items() if injector.tank == tank)
