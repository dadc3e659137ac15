"""Faults as asked for over the pipe."""

import pytest

from sim.faults import PARAMETERS, FaultError, Faults


@pytest.fixture
def faults() -> Faults:
    """The faults of a plant with one of each part."""
    return Faults({"block": ("creek",), "injector": ("a",), "tank": ("a",)})


@pytest.mark.parametrize("name", PARAMETERS)
def test_every_fault_goes_on_and_off_with_its_defaults(faults: Faults, name: str) -> None:
    """Guards that each known fault can be made without parameters and unmade."""
    faults.switch(faults.check(name, True, {}))
    assert list(faults.active) == [name]
    faults.switch(faults.check(name, False, {}))
    assert not faults.active


@pytest.mark.parametrize(
    ("name", "given", "says"),
    [
        ("flood", {}, "known are airlock"),
        ("siphon", {"litres": 3.0}, "it takes injector, l_h"),
        ("siphon", {"l_h": -3.0}, "expected a number from 0"),
        ("siphon", {"l_h": "much"}, "expected a number"),
        ("valve_stuck_shut", {"block": "hill"}, "known are creek"),
    ],
)
def test_a_fault_that_cannot_be_made_is_refused(faults: Faults, name: str, given: dict[str, object], says: str) -> None:
    """Guards that a misspelt fault never passes for a plant that is well."""
    with pytest.raises(FaultError, match=says):
        faults.check(name, True, given)


def test_scheduled_faults_come_in_order_of_their_time(faults: Faults) -> None:
    """Guards the schedule, and that two of one time keep the order they were asked in."""
    for at_s, name in ((50.0, "burst"), (10.0, "estop"), (10.0, "airlock")):
        faults.schedule(at_s, faults.check(name, True, {}))
    assert faults.next_s() == 10.0
    assert [faults.take_due().name for _ in range(3)] == ["estop", "airlock", "burst"]
    assert faults.next_s() == float("inf")
