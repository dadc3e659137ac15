"""Which role hands on what, and which decisions each records."""

import pytest

from api.access.roles import KINDS_OF, Role, may_give
from daemon.decisions.kinds import KINDS


@pytest.mark.parametrize(
    ("giver", "gives"),
    [
        (Role.VIEWER, {Role.VIEWER}),
        (Role.AGRONOMIST, {Role.VIEWER, Role.AGRONOMIST}),
        (Role.OPERATOR, {Role.VIEWER, Role.AGRONOMIST, Role.OPERATOR}),
        (Role.TECHNICIAN, set(Role)),
    ],
)
def test_nobody_hands_on_more_than_they_have(giver: Role, gives: set[Role]) -> None:
    """Guards tokens against being a way up."""
    assert {role for role in Role if may_give(giver, role)} == gives


def test_decisions_by_role() -> None:
    """Guards the agronomist's part: recommendations and what they rest on; measurements are a technician's."""
    assert KINDS_OF[Role.VIEWER] == frozenset()
    assert KINDS_OF[Role.AGRONOMIST] == {"recommendation", "cycle", "other_source", "water"}
    assert KINDS.keys() - KINDS_OF[Role.OPERATOR] == {"transit", "calibration", "curve"}
    assert KINDS_OF[Role.TECHNICIAN] == KINDS.keys()
