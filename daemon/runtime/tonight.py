"""Tonight's plan: what the record and the plant tell for it, made off the scan, and its form in the record."""

import json
from collections.abc import Mapping
from dataclasses import asdict
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from daemon.agronomy.tank import log_of
from daemon.commissioning.status import Done, bars_of
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.timetable import Allocation
from daemon.planning.look_back import look_back_to
from daemon.planning.outlook import Known, Outlook, TonightRun
from daemon.planning.tanks_tonight import tank_text
from daemon.planning.tonight import plan_night
from daemon.site import Plant

if TYPE_CHECKING:
    from daemon.ledger.accounts import PastReader


def outlook_now(
    plant: Plant, decisions: Decisions, past: "PastReader", night: date, now: datetime, levels_l: Mapping[str, float]
) -> Outlook:
    """Return what will run on a night, by the record and the tanks' levels as far as they are read.

    Reads the file: not for the scan's thread. Raises LedgerError.
    """
    return plan_night(plant, decisions, night, now, known_of(plant, decisions, past, night, now, levels_l))


def known_of(
    plant: Plant, decisions: Decisions, past: "PastReader", night: date, now: datetime, levels_l: Mapping[str, float]
) -> Known:
    """Return what the record and the levels tell for a night. Raises LedgerError."""
    from daemon.ledger.nights import claims_of, water_since_m3

    path = past.path
    begun = frozenset((c.timetable, c.number, date.fromisoformat(c.night)) for c in claims_of(path, [str(night)]))
    zone = ZoneInfo(plant.site.site.zone)
    since = {
        key: datetime.combine(found.first, time(), zone)
        for key, found in of_kind(decisions, Allocation).items()
        if found.first <= night <= found.last
    }
    return Known(
        past=past.past(look_back_to(decisions, now)),
        held_l={**_logged_l(plant, decisions, path, now), **levels_l},
        begun=begun,
        water_m3={key: water_since_m3(path, round(at.timestamp() * 1000.0)) for key, at in since.items()},
        bars=bars_of(plant.site, done_of(path), now),
    )


def done_of(path: Path) -> list[Done]:
    """Return the steps of the commissioning that were accepted. Raises LedgerError."""
    from daemon.ledger.attempts import accepted

    return [Done(*one.done) for one in accepted(path)]


def _logged_l(plant: Plant, decisions: Decisions, path: Path, now: datetime) -> dict[str, float]:
    """Return what the tanks hold by their logs, less what was drawn since."""
    from daemon.ledger.drawings import drawn_l

    held = {}
    for tank in plant.site.tank:
        log = [entry for entry in log_of(tank, decisions) if entry.mix.at <= now]
        if not log or log[-1].contents is None:
            continue
        channels = [name for name, injector in plant.site.injector.items() if injector.tank == tank]
        drawn = drawn_l(path, channels, round(log[-1].mix.at.astimezone(UTC).timestamp() * 1000.0))
        held[tank] = max(0.0, log[-1].contents.litres - drawn)
    return held


def plan_content(outlook: Outlook) -> dict[str, Any]:
    """Return a night's plan as the record keeps it."""
    return {
        "night": str(outlook.night),
        "starts": [
            {
                "timetable": one.start.timetable,
                "number": one.start.number,
                "at": one.start.at.isoformat(),
                "latest": one.start.latest.isoformat(),
                "is_begun": one.is_begun,
                "runs": [_run_content(run) for run in one.runs],
            }
            for one in outlook.starts
        ],
        "tanks": [{**asdict(tank), "by": tank.by.isoformat()} for tank in outlook.tanks],
        "checks": [asdict(check) for check in outlook.checks],
    }


def _run_content(run: TonightRun) -> dict[str, Any]:
    return {
        "program": run.program,
        "shift": run.shift,
        "begins": run.begins.isoformat(timespec="seconds"),
        "ends": run.ends.isoformat(timespec="seconds"),
        "refusal": run.refusal,
        "recipe": json.loads(json.dumps(asdict(run.recipe))) if run.recipe is not None else None,
        "checks": [asdict(check) for check in run.checks],
    }


def short_tanks(outlook: Outlook, zone: ZoneInfo) -> dict[str, str]:
    """Return what to tell of each tank that does not hold what the night needs, by tank."""
    return {tank.tank: tank_text(tank, zone) for tank in outlook.tanks if tank.lacks_l}
