"""The examples of the description are true: each kind has one, and it is a decision of that kind."""

import pytest

from api.routes.examples import EXAMPLES
from daemon.decisions.kinds import KINDS
from daemon.ledger.in_force import parse_decision
from tests.api.farms import Given


def test_each_kind_has_one() -> None:
    """Guards the description's whole."""
    assert EXAMPLES.keys() == KINDS.keys()


@pytest.mark.parametrize("kind", KINDS)
def test_an_example_is_a_decision(kind: str) -> None:
    """Guards whoever copies one."""
    parse_decision(kind, "example", EXAMPLES[kind])


def test_the_description_has_them(given: Given) -> None:
    """Guards that they are shown where the body is described."""
    paths = given.app.openapi()["paths"]
    for kind, example in EXAMPLES.items():
        body = paths[f"/v1/decisions/{kind}/{{key}}"]["put"]["requestBody"]["content"]["application/json"]["schema"]
        assert example in body["examples"]
