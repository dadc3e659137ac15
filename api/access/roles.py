"""The roles, and which decisions each of them may record. Control commands are judged once more by `decide`."""

from collections.abc import Mapping
from enum import Enum
from typing import Final

from daemon.decisions.kinds import KINDS
from daemon.messages import OPERATOR, TECHNICIAN


class Role(Enum):
    """What somebody is to the farm."""

    VIEWER = "viewer"
    AGRONOMIST = "agronomist"
    """Writes recommendations, drives nothing."""
    OPERATOR = OPERATOR
    TECHNICIAN = TECHNICIAN


ANYBODY: Final = frozenset(Role)
"""Whoever can log in."""
DRIVERS: Final = frozenset({Role.OPERATOR, Role.TECHNICIAN})
"""Those who may give control commands; whoever can log in may stop."""
PLANNERS: Final = frozenset({Role.AGRONOMIST, Role.OPERATOR, Role.TECHNICIAN})
"""Those who may have the controller compute for half a minute."""
TECHNICIANS: Final = frozenset({Role.TECHNICIAN})

_AGRONOMISTS: Final = frozenset({"recommendation", "cycle", "other_source", "water"})
_TECHNICIANS: Final = frozenset({"transit", "calibration", "curve"})
"""What somebody measures at the plant, and all doses rest on."""
KINDS_OF: Final[Mapping[Role, frozenset[str]]] = {
    Role.VIEWER: frozenset(),
    Role.AGRONOMIST: _AGRONOMISTS,
    Role.OPERATOR: frozenset(KINDS) - _TECHNICIANS,
    Role.TECHNICIAN: frozenset(KINDS),
}
_RANK: Final = {Role.VIEWER: 0, Role.AGRONOMIST: 1, Role.OPERATOR: 2, Role.TECHNICIAN: 3}


def may_give(giver: Role, role: Role) -> bool:
    """Whether somebody may hand on a role: their own, or one that may less. Agronomists hand on viewing alone."""
    if giver is Role.AGRONOMIST:
        return role in (Role.AGRONOMIST, Role.VIEWER)
    return _RANK[role] <= _RANK[giver]
