"""The CUSUM against the worked example of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3."""

import math
import random

import pytest

from daemon.dosing.drift import Drift, drifting, drifts, followed
from daemon.evidence import DoseReconciled

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


def _event(volume_en: float = 0.0, strength_en: float = 0.0, *, silent: str = "") -> DoseReconciled:
    return DoseReconciled(
        run="run",
        channel="a",
        meter_ml=1,
        u_meter_ml=1,
        tank_ml=1,
        u_tank_ml=1,
        ec_ml=1,
        u_ec_ml=1,
        dose_ml=1,
        u_dose_ml=1,
        volume_en_thousandths=round(1000.0 * volume_en),
        strength_en_thousandths=round(1000.0 * strength_en),
        tank_silent=silent,
        ec_silent=silent,
        causes="[]",
        beside="[]",
    )


@pytest.mark.parametrize(
    ("volume_en", "strength_en", "causes"),
    [
        (1.4, 0.0, ("meter-high", "gauge")),  # each night for itself is not worth a look
        (-1.4, 0.0, ("meter-low", "tank-leaks", "gauge")),
        (0.0, 1.4, ("mix-strong", "probe")),
        (0.0, -1.4, ("mix-weak", "probe")),
        (1.2, -1.2, ()),
    ],
)
def test_what_is_small_each_night_and_always_one_way(
    volume_en: float, strength_en: float, causes: tuple[str, ...]
) -> None:
    """Guards drift across events: 2.8 standard deviations each night are said after 17, 2.4 never, the probe last."""
    assert drifting([_event(volume_en, strength_en)] * 16) == ()
    assert drifting([_event(volume_en, strength_en)] * 17) == causes
    assert drifting([_event(volume_en, strength_en, silent="no reading")] * 100) == ()


def test_chance_is_no_drift() -> None:
    """Guards against false alarms: a thousand sites whose errors are what their bands say, ten nights each.

    Half of each error is the site's for good, as a class is, and half is new each night.
    """
    rng = random.Random(17)
    false = 0
    for _ in range(1000):
        lasting = [rng.gauss(0.0, 0.5 * math.sqrt(0.5)) for _ in range(2)]
        events = [_event(*(one + rng.gauss(0.0, 0.5 * math.sqrt(0.5)) for one in lasting)) for _ in range(10)]
        false += bool(drifting(events))
    assert false <= 5


def test_no_event_is_no_drift() -> None:
    """Guards a new channel."""
    assert drifting([]) == ()
