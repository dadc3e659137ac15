"""The CUSUM against the worked example of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3."""

import pytest

from daemon.dosing.drift import Drift, drifts, followed

_TARGET = 325.0
_MEANS = (
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
)
_HIGH = (*(0.0,) * 4, 0.03, *(0.0,) * 7, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
_LOW = (0.0, 0.01, 0.0, 0.33, 0.0, 0.0, 0.56, 0.72, 0.17, 0.25, 0.31, *(0.0,) * 9)
_ALLOWANCE, _LIMIT = 0.3175, 4.1959
"""Printed there with the table: k and h of the example, in its own unit."""


def test_the_handbooks_table() -> None:
    """Guards the recursion: both columns to the two places printed, and the alarm at the fourteenth group."""
    memory = Drift()
    alarms = []
    for mean, high, low in zip(_MEANS, _HIGH, _LOW, strict=True):
        memory = followed(memory, mean - _TARGET, _ALLOWANCE)
        assert memory.high == pytest.approx(high, abs=0.0051)
        assert memory.low == pytest.approx(low, abs=0.0051)
        alarms.append(drifts(memory, _LIMIT))
    assert alarms == [0] * 13 + [1] * 7


def test_it_finds_both_ways_alike() -> None:
    """Guards the lower side: the same table upside down goes down at the same group."""
    memory = Drift()
    alarms = []
    for mean in _MEANS:
        memory = followed(memory, _TARGET - mean, _ALLOWANCE)
        alarms.append(drifts(memory, _LIMIT))
    assert alarms == [0] * 13 + [-1] * 7


def test_what_is_within_chance_leaves_no_trace() -> None:
    """Guards the allowance: residuals within it, however many and all one way, add up to nothing."""
    memory = Drift()
    for _ in range(1000):
        memory = followed(memory, 0.5, 0.5)
    assert memory == Drift() and drifts(memory, 4.0) == 0
