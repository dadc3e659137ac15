"""Faults as asked for over the pipe."""

import pytest

from sim.faults import PARAMETERS, FaultError, Faults


@pytest.fixture
def faults() -> Faults:
    """The faults of a plant with one of each part."""
    return Faults({"block": ("creek", "hill"), "injector": ("a", "b"), "tank": ("a",)})


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
        ("valve_stuck_shut", {"block": "dale"}, "known are creek"),
    ],
)
def test_a_fault_that_cannot_be_made_is_refused(faults: Faults, name: str, given: dict[str, object], says: str) -> None:
    """Guards that a misspelt fault never passes for a plant that is well."""
    with pytest.raises(FaultError, match=says):
        faults.check(name, True, given)


def test_a_fault_concerns_the_part_it_names(faults: Faults) -> None:
    """Guards that one block's fault is not its neighbour's, and that no name means all."""
    faults.switch(faults.check("slow_valve", True, {"block": "hill"}))
    assert [faults.hit("slow_valve", name) for name in ("creek", "hill", "")] == [False, True, True]
    assert faults.number("slow_valve", "travel_factor", 1.0, "hill") == 5.0
    assert faults.number("slow_valve", "travel_factor", 1.0, "creek") == 1.0
    faults.switch(faults.check("airlock", True, {}))
    assert faults.hit("airlock", "a") and faults.hit("airlock", "b")
    assert not faults.hit("siphon", "a")


def test_a_fault_of_a_part_that_is_not_there_is_refused() -> None:
    """Guards a plant without the part: the fault would do nothing and a test would pass for nothing."""
    faults = Faults({"block": (), "injector": (), "tank": ()}, {"backwash_stuck"})
    with pytest.raises(FaultError, match="no such part"):
        faults.check("backwash_stuck", True, {})


def test_scheduled_faults_come_in_order_of_their_time(faults: Faults) -> None:
    """Guards the schedule, and that two of one time keep the order they were asked in."""
    for at_s, name in ((50.0, "burst"), (10.0, "estop"), (10.0, "airlock")):
        faults.schedule(at_s, faults.check(name, True, {}))
    assert faults.next_s() == 10.0
    assert [faults.take_due().name for _ in range(3)] == ["estop", "airlock", "burst"]
    assert faults.next_s() == float("inf")
