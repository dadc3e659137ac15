"""Commands as they come over the socket: what cannot be used is told, and refused like anything else."""

from typing import Any

import pytest

from daemon.control.lease import BYPASS, FORCE
from daemon.control.states import UnitMode
from daemon.messages import TECHNICIAN, Command, Verb
from daemon.runtime.asking import request_of
from tests.daemon.control.plant import small
from tests.daemon.control.sites import supplied

_WHY = {"minutes": 10, "reason": "a look"}


def _command(verb: Verb, **arguments: Any) -> Command:
    return Command("c1", "Mira", TECHNICIAN, verb, arguments)


def test_a_force_becomes_a_lease() -> None:
    """Guards invariant 9: a lease has a target, an end, a name and a reason."""
    request = request_of(small().site, _command(Verb.FORCE, target="injector.a", on=True, drive=0.4, **_WHY))
    lease = request.lease
    assert lease is not None and not request.fault
    assert (lease.id, lease.kind, lease.target, lease.is_on) == ("c1", FORCE, "injector.a", True)
    assert (lease.left_s, lease.who, lease.reason, lease.drive) == (600.0, "Mira", "a look", 0.4)


def test_a_bypass_becomes_a_lease() -> None:
    """Guards invariant 9 for an interlock."""
    lease = request_of(small().site, _command(Verb.BYPASS, code="injector-rate", **_WHY)).lease
    assert lease is not None and (lease.kind, lease.target, lease.left_s) == (BYPASS, "injector-rate", 600.0)


def test_a_mode_a_release_and_what_is_said_of_alarms() -> None:
    """Guards the other verbs: each takes its own argument, and what has none means all."""
    site = small().site
    assert request_of(site, _command(Verb.MODE, mode="MANUAL")).mode is UnitMode.MANUAL
    assert request_of(site, _command(Verb.RELEASE)).target == ""
    assert request_of(site, _command(Verb.RELEASE, target="pump")).target == "pump"
    assert request_of(site, _command(Verb.ACKNOWLEDGE, code="siphon")).target == "siphon"
    shelved = request_of(site, _command(Verb.SHELVE, code="injector-rate", **_WHY))
    assert (shelved.target, shelved.seconds, shelved.reason) == ("injector-rate", 600.0, "a look")
    assert request_of(site, _command(Verb.UNSHELVE, code="injector-rate")).target == "injector-rate"


@pytest.mark.parametrize(
    ("verb", "arguments", "words"),
    [
        (Verb.MODE, {"mode": "automatic"}, "AUTOMATIC"),
        (Verb.MODE, {}, "mode: got None"),
        (Verb.FORCE, {"target": "valve.meadow", "on": True, **_WHY}, "valve.creek"),
        (Verb.FORCE, {"target": "pump", "on": "yes", **_WHY}, "true or false"),
        (Verb.FORCE, {"target": "pump", "on": True, "minutes": 241, "reason": "a look"}, "at most 240"),
        (Verb.FORCE, {"target": "pump", "on": True, "minutes": True, "reason": "a look"}, "a number"),
        (Verb.FORCE, {"target": "pump", "on": True, "minutes": float("nan"), "reason": "a look"}, "a number"),
        (Verb.FORCE, {"target": "pump", "on": True, "minutes": 5}, "why it is done"),
        (Verb.FORCE, {"target": "pump", "on": True, "minutes": 5, "reason": " "}, "why it is done"),
        (Verb.FORCE, {"target": "injector.a", "on": True, "drive": 0.0, **_WHY}, "at most 1"),
        (Verb.BYPASS, {"code": "nothing-like-it", **_WHY}, "injector-rate"),
        (Verb.RELEASE, {"target": "nothing-like-it"}, "valve.creek"),
        (Verb.ACKNOWLEDGE, {"code": 3}, "code: got 3"),
        (Verb.SHELVE, {"code": "siphon", "minutes": 1441, "reason": "a look"}, "at most 1440"),
        (Verb.UNSHELVE, {}, "code: got None"),
    ],
)
def test_what_cannot_be_used_is_told(verb: Verb, arguments: dict[str, Any], words: str) -> None:
    """Guards teaching errors: the fault names the argument, what was got and what is expected."""
    fault = request_of(small().site, _command(verb, **arguments)).fault
    assert words in fault and "expected" in fault and fault.endswith(".")


def test_without_a_pump_there_is_none_to_force() -> None:
    """Guards a gravity site: its valves are its water."""
    fault = request_of(supplied("gravity").site, _command(Verb.FORCE, target="pump", on=True, **_WHY)).fault
    assert "valve.creek" in fault
