"""A single reading: what makes it good, what a switch says, and how far a totaliser moved over wrap and reset."""

import math

import pytest

from daemon.control.image import Now
from daemon.control.readings import SWITCH_STALE_S, is_good, moved_l, switched
from daemon.site import Plant
from drivers.reading import Quality, Reading
from tests.daemon.control.plant import changed, small

_NOW = Now(1.0, 100.0)


@pytest.mark.parametrize("quality", Quality)
@pytest.mark.parametrize(("older_s", "is_fresh"), [(0.0, True), (0.1, False)])
def test_a_reading_is_good_by_its_quality_and_its_age(quality: Quality, older_s: float, is_fresh: bool) -> None:
    """Guards invariant 1's readings: GOOD, and no older than the signal may be; a switch by a time of its own."""
    pressure = small().site.main.pressure
    is_usable = quality is Quality.GOOD and is_fresh
    assert is_good(Reading(1.0, quality, 100.0 - pressure.stale_s - older_s), pressure, _NOW) is is_usable
    on = switched(Reading(1.0, quality, 100.0 - SWITCH_STALE_S - older_s), _NOW)
    assert on is (True if is_usable else None)
    off = switched(Reading(0.0, quality, 100.0 - SWITCH_STALE_S - older_s), _NOW)
    assert off is (False if is_usable else None)


def _with(bits: int) -> Plant:
    """Return the small plant with a totaliser of so many bits."""
    plant, point = small(), small().site.main.water.point
    return changed(plant, points={**plant.points, point: changed(plant.points[point], counter_bits=bits)})


@pytest.mark.parametrize("bits", [16, 32])
@pytest.mark.parametrize(
    ("before", "now", "most", "moved"),
    [
        (100, 107, 7, 7),
        (-5, 6, 11, 11),
        (-5, 6, 10, None),
        (1000, 0, 50, None),
    ],
    ids=["on", "over its wrap", "over its wrap and too far", "back to zero"],
)
def test_a_totaliser_moves_over_its_own_wrap(bits: int, before: int, now: int, most: int, moved: int | None) -> None:
    """Guards invariant 7: a counter of 16 bits wraps at 65,536; below zero here is short of the wrap."""
    plant = _with(bits)
    water = plant.site.main.water
    each_l = water.per_count or 1.0
    before_l, now_l = (each_l * (count if count >= 0 else 2**bits + count) for count in (before, now))
    found_l, is_reset = moved_l(plant, water, before_l, now_l, each_l * most)
    assert is_reset is (moved is None)
    if moved is not None:
        assert found_l == pytest.approx(each_l * moved)


def test_the_first_reading_moves_nothing() -> None:
    """Guards a start: nothing is known of what came before."""
    assert moved_l(small(), small().site.main.water, math.nan, 500.0, 10.0) == (0.0, False)
