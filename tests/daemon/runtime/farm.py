"""What the tests of recording share: the creek plant, what was decided there, and runs that drew from its tank."""

import tomllib
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from daemon.clock import UtcStamp
from daemon.control.record import canonical
from daemon.decisions.kinds import KINDS
from daemon.evidence import Checkpoint, Dose, Evidence, InjectionIntent, PhaseEnded, RunEnded, RunStarted
from daemon.ledger.writer import Ledger
from tests.daemon.control.plant import CREEK
from tests.daemon.ledger.samples import WAIT_S

START = datetime(2026, 10, 13, 11, 30, tzinfo=UTC)
STRENGTHS = {"N": 31.0, "Ca": 37.0}
"""Of the creek's stock, in g/L: 200 g/L of a product with 15.5 % and 18.5 %."""


class StillClock:
    """A clock that stands at one moment."""

    kind = "real"

    def __init__(self, now: datetime = START) -> None:
        self.now = now

    def monotonic_s(self) -> float:
        return 0.0

    def stamp(self) -> UtcStamp:
        return UtcStamp(self.now, True)

    async def wait_until_s(self, monotonic_s: float) -> None:
        return


def item(kind: str, key: str, **body: Any) -> dict[str, Any]:
    """Return one decision in the form of a request."""
    return {"kind": kind, "key": key, "body": body}


def creek(**changes: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the creek's decisions in the form of a request, with keys of a `kind` changed."""
    content = tomllib.loads((CREEK / "decisions.toml").read_text("utf-8"))
    return [
        item(kind, key, **KINDS[kind].model_validate({**body, **changes.get(kind, {})}).model_dump(mode="json"))
        for kind, items in content.items()
        for key, body in items.items()
    ]


def fill(key: str, kg: float, at: datetime, *, heel_l: float = 0.0, why: str = "", **changes: Any) -> dict[str, Any]:
    """Return a filling of the creek's tank to 800 L with so much calcium nitrate."""
    body = {
        "tank": "a",
        "did": "filled",
        "at": at.isoformat(),
        "by": "Mina",
        "heel_l": heel_l,
        "stock": "calcium",
        "portions": [{"product": "calcium_nitrate", "kg": kg}],
        "filled_to_l": 800.0,
        "why": why,
    }
    return item("mix", key, **(body | changes))


def request(command: str, *decisions: Mapping[str, Any], who: str = "Mina") -> dict[str, Any]:
    """Return a record command as it comes over the socket."""
    return {"id": command, "who": who, "decisions": list(decisions)}


def run_rows(
    run: str, stock_l: float = 40.0, channel: str = "a", strengths: Mapping[str, float] = STRENGTHS
) -> list[tuple[int, Evidence]]:
    """Return a run of an hour and the second of each row: stock from minute 10 to 50, all delivered but a tenth."""
    recipe = {
        "run": run,
        "blocks": [{"block": "creek", "share": 1.0, "planned_mg": {channel: {}}}],
        "channels": [{"channel": channel, "nutrients_g_l": dict(strengths)}],
    }
    rows: list[tuple[int, Evidence]] = [
        (0, RunStarted(run, "creek", "digest", canonical(recipe))),
        (600, InjectionIntent(run, channel, "calcium", "a_1", 50_000, 12_000, "{}")),
        *(
            (600 + 60 * n, Checkpoint(run, channel, "INJECT", 100_000 * n, round(25.0 * stock_l * n), 0, 0))
            for n in range(1, 40)
        ),
        (3000, PhaseEnded(run, "INJECT", 2_400_000, 4_000_000, round(1000.0 * stock_l), "")),
    ]
    for nutrient, g_l in strengths.items():
        injected_mg = round(stock_l * g_l * 1000.0)
        out_mg = round(0.9 * injected_mg)
        figures = (injected_mg, injected_mg, out_mg, injected_mg - out_mg, 0, injected_mg // 50, out_mg // 20)
        rows.append((3600, Dose(run, "creek", channel, nutrient, "METER", "measured", *figures)))
    return [*rows, (3600, RunEnded(run, "COMPLETE", "DELIVERED", "", 84_000_000, 3_600_000))]


def keep_run(ledger: Ledger, run: str, start: datetime, **how: Any) -> None:
    """Have a whole run in the record, from `start` on."""
    keep_rows(ledger, start, run_rows(run, **how))


def keep_rows(ledger: Ledger, start: datetime, rows: Sequence[tuple[int, Evidence]]) -> None:
    """Have rows in the record, each at its second from `start` on."""
    ticket = 0
    for second, row in rows:
        ticket = ledger.submit([row], UtcStamp(start + timedelta(seconds=second), True))
    assert ledger.wait_durable(ticket, WAIT_S)


def files(folder: Path) -> set[str]:
    """Return the names of what is in a folder."""
    return {path.name for path in folder.iterdir()}
