"""Plants and a technician on paper: walks a step from its first stage to its last without a daemon."""

import random
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from daemon.commissioning.attempt import Seen
from daemon.commissioning.step import Ask, Entry, Form, Stage, Step
from daemon.site import Plant, Site
from daemon.site_file import parse_site
from drivers.profile import load_profiles

_TESTS = Path(__file__).parents[2]
SITES = {
    "kestrel_bend": _TESTS.parent / "daemon" / "cli" / "kestrel_bend" / "site.toml",
    "two_buses": _TESTS / "two_buses.toml",
    "every_kind": _TESTS / "every_kind.toml",
}
_MOST_STAGES = 400


@cache
def plant_of(name: str) -> Plant:
    """Return one of the plants."""
    return parse_site(SITES[name].read_text("utf-8"), load_profiles())


def seen(at_s: float = 0.0, **changes: Any) -> Seen:
    """Return a scan of a plant at rest, with changes."""
    rest = Seen(at_s, {}, frozenset(), frozenset(), frozenset(), is_active=False, is_owing=False)
    return rest._replace(**changes)


def answer(ask: Ask, dice: random.Random) -> Any:
    """Return something that may be entered."""
    match ask.form:
        case Form.CHOICE:
            return dice.choice(ask.choices)
        case Form.TEXT:
            return "as told"
        case Form.NUMBERS:
            return [2.0] * 16
        case Form.NUMBER:
            return max(ask.least, min(ask.most, 1.0))


def walk(
    step: Step, site: Site, subject: str, seed: int, *, is_blind: bool = False
) -> Iterator[tuple[tuple[Entry, ...], Stage]]:
    """Yield each stage with what was entered before it; the daemon keeps a still count, or no reading at all."""
    dice = random.Random(seed)
    entries: tuple[Entry, ...] = ()
    for _ in range(_MOST_STAGES):
        stage = step.then(site, subject, entries)
        if stage is None:
            return
        yield entries, stage
        values = {ask.name: answer(ask, dice) for ask in stage.asks}
        if stage.is_daemons:
            row = [90.0, *(None if is_blind else 1.0 for _ in stage.watch)]
            values |= {"watch": list(stage.watch), "samples": [[0.0, *row[1:]], row], "caused": []}
        entries = (*entries, Entry(stage.name, values))
        if stage.is_many:
            entries = (*entries, Entry(stage.name, {"done": True}))
    raise AssertionError(f"{step.name} {subject} does not end")
