"""Where and when a run waters: blocks, the hectares in use, the moment, and what the blocks have had."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from daemon.agronomy.caps import Room, rooms
from daemon.agronomy.past import Past
from daemon.decisions.base import Decisions
from daemon.decisions.watering import BlockState, Shift
from daemon.planning.checks import refused
from daemon.planning.lookup import find
from daemon.site import Site


@dataclass(frozen=True, slots=True)
class Field:
    """What a dose is worked out for."""

    areas_ha: Mapping[str, float]
    """In use, of the blocks that are watered."""
    shares: Mapping[str, float]
    """Of the shift's flow, 0 to 1, by block; they sum to 1."""
    farm_ha: Mapping[str, float]
    """In use, of every block of the site."""
    farm_m3_h: Mapping[str, float]
    """What every block of the site takes."""
    now: datetime
    """In the site's zone."""
    past: Past
    _rooms: list[tuple[Room, ...]] = field(default_factory=list, init=False, repr=False, compare=False)

    @property
    def today(self) -> date:
        """Return the site's day."""
        return self.now.date()

    def rooms(self, decisions: Decisions) -> tuple[Room, ...]:
        """Return what each cap leaves on the watered blocks, worked out once: a plan asks three times."""
        if not self._rooms:
            self._rooms.append(rooms(decisions, self.farm_ha, self.past, self.now, self.areas_ha))
        return self._rooms[0]

    @property
    def area_ha(self) -> float:
        """Return the hectares in use of the blocks that are watered."""
        return sum(self.areas_ha.values())


def field_of(site: Site, decisions: Decisions, shift_key: str, now: datetime, past: Past) -> Field:
    """Return the open blocks of a shift at `now`, which has its zone or offset.

    Raises PlanError when there is none, or the shift names blocks that are not there or twice.
    """
    here = now.astimezone(ZoneInfo(site.site.zone))
    names = find(decisions, Shift, shift_key).blocks
    lacking = [name for name in names if name not in site.block]
    if lacking:
        raise refused("blocks", f"shift {shift_key} names blocks the site lacks: {lacking}")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise refused("blocks", f"shift {shift_key} names blocks twice: {twice}")
    farm_ha = areas_in_use(site, decisions)
    areas_ha = {name: farm_ha[name] for name in names if is_open(decisions, name, here)}
    if not areas_ha:
        raise refused("blocks", f"every block of shift {shift_key} is closed today")
    for name, area_ha in areas_ha.items():
        if area_ha > site.block[name].area_ha:
            whole = f"block {name} has {site.block[name].area_ha:g} ha"
            raise refused("area", f"{whole}, and {area_ha:g} ha are said to be in use")
    farm_m3_h = {name: block.flow_m3_h for name, block in site.block.items()}
    whole_m3_h = sum(farm_m3_h[name] for name in areas_ha)
    shares = {name: farm_m3_h[name] / whole_m3_h for name in areas_ha}
    return Field(areas_ha, shares, farm_ha, farm_m3_h, here, past)


def areas_in_use(site: Site, decisions: Decisions) -> dict[str, float]:
    """Return the hectares in use of every block, closed ones too."""
    areas_ha = {}
    for name, block in site.block.items():
        state = decisions.get((BlockState.kind, name))
        in_use = state.area_ha if isinstance(state, BlockState) else None
        areas_ha[name] = block.area_ha if in_use is None else in_use
    return areas_ha


def is_open(decisions: Decisions, block: str, here: datetime) -> bool:
    """Return whether a block may be watered; `here` has the site's zone."""
    state = decisions.get((BlockState.kind, block))
    until = state.closed_until if isinstance(state, BlockState) else None
    if isinstance(until, datetime):
        return here >= until
    return until is None or here.date() >= until
