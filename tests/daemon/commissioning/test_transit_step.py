"""The transit test as a step: from where a pulse counts that was broken off and came on again."""

from typing import Any

import pytest

from daemon.commissioning.transit_step import zero_l

_PULSE: dict[str, Any] = {"first": {"water_l": 1000.0}, "last": {"water_l": 2800.0}, "seconds": 180.0}


@pytest.mark.parametrize(
    ("again", "litres"),
    [
        ([], 1000.0),
        ([[2.0, {"water_l": 1080.0}]], 1080.0),
        ([[2.0, {"water_l": 1080.0}], [18.0, {"water_l": 1260.0}]], 1260.0),
        ([[2.0, {"water_l": 1080.0}], [18.1, {"water_l": 1260.0}]], 1080.0),
    ],
    ids=["whole", "at its begin", "twice", "later on"],
)
def test_a_pulse_that_stops_at_its_begin_begins_anew(again: list[list[Any]], litres: float) -> None:
    """A tenth of the pulse: less than that makes no front, and a gap further back leaves the front where it is."""
    assert zero_l({**_PULSE, "again": again}) == litres


@pytest.mark.parametrize("changes", [{"first": {}}, {"again": [[2.0, {}]]}])
def test_a_begin_that_the_main_meter_did_not_count_is_told(changes: dict[str, Any]) -> None:
    """Without its count nobody knows how far the front has come."""
    with pytest.raises(ValueError, match="repeat the test"):
        zero_l({**_PULSE, **changes})
