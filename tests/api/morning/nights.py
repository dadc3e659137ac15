"""Nights of the real daemon on the simulated plant, over Modbus TCP, as breakfast reads them from the record."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import uvloop

from api.morning.facts import NightFacts
from api.morning.reading import read_night
from api.morning.telling import Told, When, tell_night
from api.words.words import words_for
from daemon.cli.night import ledger_of, on_free_ports, run_night
from daemon.ledger.in_force import read_in_force
from tests.night.places import Place
from tests.night.sites import START

ZONE = ZoneInfo("Australia/Adelaide")
NIGHT = date(2026, 10, 13)
BREAKFAST = datetime(2026, 10, 13, 20, 0, tzinfo=UTC)


@dataclass(frozen=True)
class RealNight:
    """A night that ran."""

    ledger: Path
    truth: Mapping[str, Any]
    facts: NightFacts
    told: Told

    @property
    def text(self) -> str:
        """Return all that is told of it, in English."""
        return text_of(self.told)

    def truth_kg_ha(self, block: str, nutrient: str) -> float:
        """Return what really left a block's emitters."""
        area_ha = next(one.area_ha for one in self.facts.blocks if one.block == block)
        return float(self.truth["blocks"][block]["delivered_kg"].get(nutrient, 0.0)) / area_ha


def text_of(told: Told) -> str:
    """Return all that is told, in English."""
    words = words_for("en", "en_AU", "metric", ZONE)
    return " ".join(words.capital(words.tell(one)) for one in told.sentences)


def facts_of(ledger: Path, now: datetime = BREAKFAST) -> NightFacts:
    """Return what the record holds of the night."""
    return read_night(ledger, read_in_force(ledger).decisions, ZONE, NIGHT, now)


def real_night(
    folder: Path, place: Place, programs: Sequence[str], faults: Sequence[tuple[str, timedelta]] = ()
) -> RealNight:
    """Run programs of a place, one after the other, with faults at moments of the night; and read it."""
    site, decisions = folder / "night.toml", folder / "decisions.toml"
    site.write_text(on_free_ports(place.site_file.read_text("utf-8")), "utf-8")
    decisions.write_text(place.decisions, "utf-8")
    timed = [(name, at.total_seconds()) for name, at in faults]
    night = uvloop.run(
        run_night(site, decisions, programs, folder / "db", START, options=["--seed", "7"], faults=timed)
    )
    ledger = ledger_of(folder / "db")
    facts = facts_of(ledger)
    return RealNight(ledger, night.truth, facts, tell_night(facts, When.LAST))
