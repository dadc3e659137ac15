"""What the routes have at hand: the plant, its record, the daemon's end of the socket, and who may."""

import contextlib
import gc
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Request

from api.access.lockout import Lockout
from api.access.passwords import Passwords
from api.access.store import AccessStore
from api.link import DaemonLink
from api.problems import Refused
from api.rehearsal import Rehearsal
from daemon.clock import Clock
from daemon.folder import HISTORY, LEDGER
from daemon.ledger.accounts import PastReader
from daemon.ledger.errors import LedgerError, LedgerMissing
from daemon.ledger.in_force import InForce, InForceReader
from daemon.planning.look_back import look_back_to
from daemon.site import Plant


@dataclass(frozen=True)
class Farm:
    """One plant, as the api knows it."""

    plant: Plant
    folder: Path
    clock: Clock
    store: AccessStore
    passwords: Passwords
    lockout: Lockout
    link: DaemonLink
    rehearsal: Rehearsal
    version: str

    @property
    def ledger(self) -> Path:
        """The record's file, which is only read."""
        return self.folder / LEDGER

    @property
    def history(self) -> Path:
        """The readings' file, which is only read."""
        return self.folder / HISTORY

    @cached_property
    def _in_force(self) -> InForceReader:
        return InForceReader(self.ledger)

    @cached_property
    def past(self) -> PastReader:
        """What the blocks have had, read once."""
        return PastReader(self.ledger)

    @property
    def zone(self) -> ZoneInfo:
        """The site's."""
        return ZoneInfo(self.plant.site.site.zone)

    def now_ms(self) -> int:
        """Return the wall time in milliseconds since 1970-01-01 UTC."""
        return self.clock.stamp().ms

    def in_force(self) -> InForce:
        """Return the newest version of every decision; none where there is no record yet."""
        try:
            return self._in_force.newest()
        except LedgerMissing:
            return InForce({}, {})

    def warm(self) -> None:
        """Read what pages ask for again and again, so that the first reader does not wait for it."""
        with contextlib.suppress(LedgerError):
            decisions = self.in_force().decisions
            past = self.past.past(look_back_to(decisions, self.clock.stamp().utc))
            past.water_by_block(self.zone)
            gc.freeze()  # it lives as long as the api: the collector need not look through it in the middle of a page

    def told(self) -> Mapping[str, str]:
        """Return the headers of every answer: whether the daemon is heard, and how old its newest word is."""
        age_s = self.link.age_s()
        return {
            "Shiftwright-Controller": "silent" if self.link.is_silent() else "heard",
            "Shiftwright-Age-S": "unknown" if age_s is None else f"{age_s:.1f}",
        }


def farm_of(request: Request) -> Farm:
    """Return the farm that this app serves."""
    farm: Farm = request.app.state.farm
    return farm


TheFarm = Annotated[Farm, Depends(farm_of)]


def moment(at_ms: int) -> datetime:
    """Return a moment of the record, in UTC."""
    return datetime.fromtimestamp(at_ms / 1000.0, UTC)


def known(farm: Farm, what: str, name: str, names: Mapping[str, object]) -> None:
    """Raise Refused, 404, unless a name is one of those of the site."""
    if name not in names:
        raise Refused(404, "not-found", f"There is no {what} of that name; known: {', '.join(names)}.")
