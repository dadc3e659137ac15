"""The filter's memory, scan by scan: how often it was washed within half an hour, and when ours is due."""

from typing import Any

import pytest

from daemon.control.backwash import Wash, wash
from daemon.control.image import SAFE, Outputs
from daemon.control.run import begin
from daemon.control.states import Phase, ProcedureState, Unit, UnitMode
from daemon.site import Plant
from tests.daemon.control.plant import Rig, changed
from tests.daemon.control.sites import CONTACT, OURS, filtered, night

_UNIT = Unit(UnitMode.SEMI_AUTOMATIC, ProcedureState.RUNNING, Phase.PREWET)
_WATERING = changed(SAFE, pump=True, blocks=frozenset({"creek"}))


def _plant(order: str = "meter filter injection") -> Plant:
    return filtered(OURS + CONTACT, order)


def _step(
    memory: Wash, *, plant: Plant | None = None, unit: Unit = _UNIT, last: Outputs = _WATERING, **facts: Any
) -> tuple[Wash, bool]:
    plant = plant or _plant()
    run = begin(night(plant, ("creek",), 4.0, ("a", 10.7, 1.5)))
    sound: dict[str, Any] = {"is_washing": False, "is_filter_quiet": True, "flow_proven": True, "filter_kpa": 10.0}
    seen = Rig(plant).scan().facts._replace(**{**sound, **facts})
    return wash(plant.site, memory, unit, run._replace(since_injected_l=1e6), seen, last)


def test_washes_are_counted_for_half_an_hour() -> None:
    """Guards backwash-too-often: each wash once, as it begins, and forgotten 1800 s later."""
    memory, _ = _step(Wash(), is_washing=True)
    assert memory == Wash(0.0, False, 1.0, (0.0,), True)
    memory, _ = _step(memory, is_washing=True)
    assert memory.ages_s == (1.0,) and memory.on_s == 2.0
    memory, _ = _step(memory, is_washing=False)
    assert memory.ages_s == (2.0,) and not memory.is_under_way and memory.on_s == 0.0
    memory, _ = _step(memory, is_washing=True, dt_s=1797.5)
    assert memory.ages_s == (1799.5, 0.0)
    memory, _ = _step(memory, is_washing=True, dt_s=0.5)
    assert memory.ages_s == (0.5,)


def test_a_contact_that_cannot_be_read_begins_and_ends_no_wash() -> None:
    """Guards the count: unread, a wash that was under way still is, and ours is let go."""
    memory, on = _step(Wash(5.0, True, 3.0, (3.0,), True), is_washing=None)
    assert memory == Wash(5.0, True, 3.0, (4.0,), True) and not on


@pytest.mark.parametrize(
    ("memory", "facts", "is_due"),
    [
        (Wash(), {"filter_kpa": 49.9}, False),
        (Wash(), {"filter_kpa": 50.0}, True),
        (Wash(water_l=99_989.0), {"water_moved_l": 10.0}, False),
        (Wash(water_l=99_990.0), {"water_moved_l": 10.0}, True),
        (Wash(is_due=True), {}, True),
        (Wash(is_due=True), {"is_filter_quiet": False}, False),
        (Wash(is_due=True), {"flow_proven": False}, False),
    ],
)
def test_when_ours_is_due(memory: Wash, facts: dict[str, Any], is_due: bool) -> None:
    """Guards our backwash: by its difference, by its water, and only with a quiet filter and a proven flow."""
    after, on = _step(memory, **facts)
    assert after.is_due is on is is_due


@pytest.mark.parametrize(("on_s", "goes_on"), [(18.5, True), (19.0, False)])
def test_ours_lasts_its_time(on_s: float, goes_on: bool) -> None:
    """Guards its 20 s, this scan's among them; and that only what we began is held on."""
    washing = changed(_WATERING, backwash=True)
    assert _step(Wash(on_s=on_s, is_under_way=True), last=washing, is_washing=True)[1] is goes_on
    assert not _step(Wash(on_s=1.0, is_under_way=True), is_washing=True)[1]


@pytest.mark.parametrize(
    "unit",
    [
        changed(_UNIT, phase=Phase.FILL),
        changed(_UNIT, procedure=ProcedureState.HELD),
        changed(_UNIT, procedure=ProcedureState.STOPPING, phase=None),
    ],
)
def test_nothing_is_washed_but_in_a_run_that_waters(unit: Unit) -> None:
    """Guards our backwash against a fill, a hold and a stop: one that is under way ends there."""
    assert not _step(Wash(is_due=True), unit=unit)[1]
    washing = changed(_WATERING, backwash=True)
    assert not _step(Wash(on_s=1.0, is_under_way=True), unit=unit, last=washing, is_washing=True)[1]


def test_without_a_filter_nothing_is_remembered() -> None:
    """Guards a site without one."""
    memory = Wash(water_l=7.0)
    plant = _plant()
    site = plant.site.model_copy(update={"filter": None})
    assert wash(site, memory, _UNIT, None, Rig(plant).scan().facts, _WATERING) == (memory, False)
