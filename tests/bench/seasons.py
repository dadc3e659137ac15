"""A record of many nights, made of one real night told again on other days."""

import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from daemon.clock import UtcStamp, real_seconds
from daemon.evidence import Checkpoint, Evidence, RunStarted
from daemon.folder import HISTORY, LEDGER
from daemon.ledger.batch import NewDecision
from daemon.ledger.reading import Stamped, evidence, reading
from daemon.ledger.reports import latest_decisions
from daemon.ledger.tables import EVIDENCE
from daemon.ledger.writer import Ledger, open_ledger
from tests.api.farms import Recorded

NIGHTS_A_SEASON = 300
_WAIT_S = 60.0
_ROWS_WAITING = 4000


def seasons(made: Recorded, folder: Path, count: int) -> Recorded:
    """Return a record of so many seasons that ends with the night of `made`, in a folder of its own."""
    folder.mkdir()
    for path in made.folder.iterdir():
        if path.is_file() and not path.name.startswith((LEDGER, HISTORY)):
            shutil.copy(path, folder / path.name)
    night = _night(made.folder / LEDGER)
    days = [365 * season + n for season in range(count) for n in range(NIGHTS_A_SEASON)][::-1]
    born = _moment(night[0].at_ms) - timedelta(days=days[0] + 1)
    ledger = open_ledger(folder / LEDGER, simulated=True, stamp=UtcStamp(born, True), now=real_seconds)
    try:
        for one in _decided(made.folder / LEDGER, count):
            ledger.record_decisions([one], "Mina", UtcStamp(born, True))
        for day in days:
            _tell(ledger, night, timedelta(days=day))
        assert ledger.wait_durable(ledger.health().submitted, _WAIT_S)
    finally:
        ledger.close(_WAIT_S)
    with closing(sqlite3.connect(folder / LEDGER)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return replace(made, folder=folder)


def _decided(path: Path, count: int) -> Iterator[NewDecision]:
    """Yield what was decided: each cycle with its recommendation once a year, and a filling of each tank a week."""
    latest = latest_decisions(path)
    fillings: dict[str, tuple[str, dict[str, Any]]] = {}
    for one in latest:
        yield NewDecision(one.kind, one.key, one.body)
        body = json.loads(one.body)
        if one.kind in ("cycle", "recommendation"):
            for back in range(1, count):
                earlier = one.body
                for year in (2026, 2027):
                    earlier = earlier.replace(f"{year}-", f"{year - back}-")
                moved = json.loads(earlier)
                if one.kind == "recommendation":
                    moved["cycle"] = f"{moved['cycle']}_{back}"
                yield NewDecision(one.kind, f"{one.key}_{back}", json.dumps(moved))
        if one.kind == "mix" and body["did"] == "filled" and not body["heel_l"]:
            fillings[body["tank"]] = (body["at"], body)
    for tank, (at, body) in fillings.items():
        for week in range(1, NIGHTS_A_SEASON // 7 * count):
            moment = datetime.fromisoformat(at) - timedelta(weeks=week)
            emptied = {"tank": tank, "did": "drained", "at": moment.isoformat(), "by": "Mina", "heel_l": 0.0}
            yield NewDecision("mix", f"{tank}_drained_{week}", json.dumps(emptied))
            filled = body | {"at": (moment + timedelta(minutes=5)).isoformat()}
            yield NewDecision("mix", f"{tank}_filled_{week}", json.dumps(filled))


def _night(path: Path) -> list[Stamped[Any]]:
    """Return the rows of the night, in their order, a tenth of its checkpoints among them."""
    with reading(path) as connection:
        rows = sorted((row for kind in EVIDENCE for row in evidence(connection, kind)), key=lambda stamped: stamped.seq)
    thinned = [row for n, row in enumerate(rows) if not isinstance(row.row, Checkpoint) or n % 10 == 0]
    assert any(isinstance(row.row, RunStarted) for row in thinned)
    return thinned


def _tell(ledger: Ledger, night: list[Stamped[Any]], ago: timedelta) -> None:
    """Record the night as it was so many days ago; each of its runs has another name."""
    names = {row.row.run for row in night if isinstance(row.row, RunStarted)}
    for at_ms, rows in _by_moment(night):
        told = [_renamed(row.row, names, ago.days) for row in rows]
        ledger.submit(told, UtcStamp(_moment(at_ms) - ago, True))
    health = ledger.health()
    if health.submitted - health.durable > _ROWS_WAITING:
        assert ledger.wait_durable(health.submitted, _WAIT_S)


def _by_moment(night: list[Stamped[Any]]) -> Iterator[tuple[int, list[Stamped[Any]]]]:
    rows: list[Stamped[Any]] = []
    for row in night:
        if rows and row.at_ms != rows[0].at_ms:
            yield rows[0].at_ms, rows
            rows = []
        rows.append(row)
    yield rows[0].at_ms, rows


def _renamed(row: Evidence, names: set[str], number: int) -> Evidence:
    changed: dict[str, Any] = {}
    for field in fields(row):
        value = getattr(row, field.name)
        if isinstance(value, str):
            for name in names:
                value = value.replace(name, f"{name}-{number}")
            if field.name == "command" and value:
                value = f"{value}-{number}"
            changed[field.name] = value
    return replace(row, **changed)


def _moment(at_ms: int) -> datetime:
    return datetime.fromtimestamp(at_ms / 1000.0, UTC)
