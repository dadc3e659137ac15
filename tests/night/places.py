"""Plants whose nights take minutes in the core alone, for tests that run thousands of them, plant after plant."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from daemon.recipe import Recipe
from tests.night.core import CoreNight, charged_night
from tests.night.sites import CREEK, KESTREL_BEND, SHORT_NIGHT, SHORT_PIPES, TWO_BUSES, cut, edited

_TESTS = Path(__file__).parents[1]
_PART = 0.05
"""Of the length of Kestrel Bend's pipes, and of its water and doses."""
_KESTREL = {
    "min_off_s = 300.0": "min_off_s = 5.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "fill_max_s = 900.0": "fill_max_s = 300.0",
    "pause_max_s = 300.0": "pause_max_s = 150.0",
    "wash_every_m3 = 250.0": "wash_every_m3 = 9.0",  # one in each shift or two
}
_FLOW = (
    'flow = { point = "station.ai1", at_low = 0.0, at_high = 120.0, accuracy_pct_of_reading = 1.0, '
    "accuracy_pct_of_span = 0.1 }\n"
)
_LOW, _HIGH, _GROVE = "low_night", "high_night", "grove_night"
_KESTREL_NIGHTS = ((_LOW,), (_HIGH,), (_GROVE,), (_LOW, _HIGH, _GROVE), (_GROVE, _LOW), (_HIGH, _GROVE))
_KINDS_PART = 0.02
_KINDS = {
    "scan_s = 1.0": "scan_s = 2.0",
    "min_off_s = 120.0": "min_off_s = 10.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "wash_every_m3 = 150.0": "wash_every_m3 = 2.0",
    "volume_l = 120.0": "volume_l = 8.0",  # the displacement tank
    "rate_l_h = 400.0": "rate_l_h = 1200.0",
}


class Place(NamedTuple):
    """A plant, what was decided there, and the nights that it has."""

    name: str
    site_file: Path
    decisions: str
    nights: tuple[tuple[str, ...], ...]
    """Programs, one shift after the other."""
    scan_s: float

    def night(
        self, seed: int, programs: tuple[str, ...], *, perfect: bool = False
    ) -> tuple[CoreNight, tuple[Recipe, ...]]:
        """Return a charged night of these programs and its recipes."""
        return charged_night(self.site_file, self.decisions, seed, programs, perfect=perfect, scan_s=self.scan_s)


def places(folder: Path) -> tuple[Place, ...]:
    """Write the plants to `folder` and return them."""
    return (
        kestrel(folder, "kestrel_bend"),
        kestrel(folder, "by_pulses", {_FLOW: ""}),
        _every_kind(folder),
        _creek(folder, "creek", CREEK / "site.toml"),
        _creek(folder, "two_buses", TWO_BUSES),
    )


def kestrel(
    folder: Path,
    name: str,
    changes: Mapping[str, str] | None = None,
    *,
    part: float = _PART,
    share: float = _PART,
) -> Place:
    """Write Kestrel Bend with pipes at `part` of their length, its water and doses at `share`, and more changes."""
    text = edited(_shorter(KESTREL_BEND / "site.toml", part), {**_KESTREL, **(changes or {})})
    decisions = cut((KESTREL_BEND / "decisions.toml").read_text("utf-8"), share)
    return Place(name, _written(folder, name, text), decisions, _KESTREL_NIGHTS, 2.0)


def _every_kind(folder: Path) -> Place:
    text = edited(_shorter(_TESTS / "every_kind.toml", _KINDS_PART), _KINDS)
    decisions = (_TESTS / "every_kind_decisions.toml").read_text("utf-8")
    return Place("every_kind", _written(folder, "every_kind", text), decisions, (("together",), ("in_turn",)), 2.0)


def _creek(folder: Path, name: str, site_file: Path) -> Place:
    text = edited(site_file.read_text("utf-8"), SHORT_PIPES)
    decisions = edited((CREEK / "decisions.toml").read_text("utf-8"), SHORT_NIGHT)
    return Place(name, _written(folder, name, text), decisions, (("creek_night",),), 1.0)


def _shorter(site_file: Path, part: float) -> str:
    text = site_file.read_text("utf-8")
    return re.sub(r"length_m = ([\d.]+)", lambda found: f"length_m = {float(found[1]) * part:g}", text)


def _written(folder: Path, name: str, text: str) -> Path:
    file = folder / f"{name}.toml"
    file.write_text(text, "utf-8")
    return file
