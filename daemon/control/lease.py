"""Leases: an output that somebody forces, or an interlock that a technician sets aside, for a time that runs down.

A lease only asks: what it may not have, the gate removes. It ends by its time, by its holder, by Stop everything, and
whenever the outputs are released or all energy is taken away.
"""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final, NamedTuple

LONGEST_S: Final = 4 * 3600.0
"""No lease is longer (engineering judgement): one that is still wanted is asked for again."""
FORCE: Final = "force"
BYPASS: Final = "bypass"
PUMP: Final = "pump"


class Lease(NamedTuple):
    """One output forced, or one interlock bypassed."""

    id: str
    """Of the command that granted it."""
    kind: str
    """FORCE or BYPASS."""
    target: str
    """pump, valve.<block> or injector.<channel>; or the interlock's code."""
    is_on: bool
    """What a forced output is held at."""
    left_s: float
    who: str
    reason: str
    row: int = 0
    """Number of the evidence row that tells of it: a forced injector waits until that is on disk."""
    drive: float = 1.0
    """0 to 1 of a forced injector's range."""

    @property
    def forces_injector_on(self) -> bool:
        """Whether it asks for stock."""
        return self.kind == FORCE and self.is_on and self.target.startswith("injector.")


class Merged(NamedTuple):
    """What the leases ask of the outputs."""

    pump: bool | None = None
    """What the supply is held at; None: nobody forces it."""
    open: frozenset[str] = frozenset()
    """Blocks whose valve is held open."""
    shut: frozenset[str] = frozenset()
    """Blocks whose valve is held shut."""
    injectors: Mapping[str, Lease] = MappingProxyType({})
    """The lease of each forced injector, on or off, by channel."""

    @property
    def shut_channels(self) -> frozenset[str]:
        """Channels whose injector is held off."""
        return frozenset([name for name, lease in self.injectors.items() if not lease.is_on])


NOTHING: Final = Merged()


def merged(leases: Iterable[Lease]) -> Merged:
    """Return what forces ask of the outputs. The later one of two on the same target holds."""
    forces = {lease.target: lease for lease in leases if lease.kind == FORCE}
    if not forces:
        return NOTHING
    pump = forces.get(PUMP)
    valves = [(name, lease.is_on) for name, lease in _of("valve", forces).items()]
    return Merged(
        pump.is_on if pump is not None else None,
        frozenset(name for name, is_on in valves if is_on),
        frozenset(name for name, is_on in valves if not is_on),
        _of("injector", forces),
    )


def _of(kind: str, forces: Mapping[str, Lease]) -> dict[str, Lease]:
    parted = ((target.partition("."), lease) for target, lease in forces.items())
    return {name: lease for (what, _, name), lease in parted if what == kind}


def bypassed(leases: Iterable[Lease]) -> frozenset[str]:
    """Return the codes of the interlocks that are set aside."""
    return frozenset([lease.target for lease in leases if lease.kind == BYPASS])
