"""Flow and count of one water: told apart where a scale is wrong, and nowhere else."""

import pytest

from daemon.commissioning.cross_check import apart, apart_in


def _rows(rate_m3_h: float, litres_s: float, seconds: float = 120.0) -> list[tuple[float, float, float]]:
    return [(2.0 * n, rate_m3_h, 2.0 * n * litres_s) for n in range(round(seconds / 2.0))]


@pytest.mark.parametrize(
    ("rate_m3_h", "litres_s", "is_told"),
    [
        (36.0, 10.0, False),
        (36.0, 8.5, False),  # a meter 15 % off
        (3.6, 10.0, True),
        (36.0, 1.0, True),
        (36.0, 655360.0, True),  # words the other way round
        (0.0, 0.0, False),
        (0.5, 0.0, False),  # less water than tells anything
    ],
)
def test_only_a_wrong_scale_is_told(rate_m3_h: float, litres_s: float, is_told: bool) -> None:
    """A third of each other is beyond any meter's error, and not beyond a scale's."""
    rows = _rows(rate_m3_h, litres_s)
    assert bool(apart([row[:2] for row in rows], [(row[0], row[2]) for row in rows])) is is_told
    watched = [(at_s, litres, 300.0, rate) for at_s, rate, litres in rows]
    assert bool(apart_in(("water_l", "pressure_kpa", "flow_m3_h"), watched)) is is_told


def test_what_was_not_watched_tells_nothing() -> None:
    """Nor do readings that were not good, nor what came before the pump's rest."""
    assert apart_in(("pressure_kpa",), [(0.0, 300.0)]) == "" and apart([], []) == ""
    assert apart_in(("water_l", "flow_m3_h"), [(0.0, None, 36.0), (2.0, 5.0, None)]) == ""
    long_ago = [(0.0, 0.0, 0.0), (1.0, 900.0, 0.0)]
    assert apart_in(("water_l", "flow_m3_h"), [*long_ago, *((1000.0 + n, 900.0, 0.0) for n in range(100))]) == ""
