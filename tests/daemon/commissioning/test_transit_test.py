"""When a pulse passed, from readings that are noisy, drift, are few, or have a wild one; and what it means."""

import math
import random
from collections.abc import Callable, Sequence

import pytest

from daemon.commissioning.transit_test import Meaning, Sample, by_stopwatch, meaning, passage
from daemon.dosing.agreement import Estimate

_PULSE_S, _TRANSIT_S, _SMEAR_S = 1800.0, 1200.0, 40.0


def _curve(rise: float = 1.2, ground: float = 0.6, drift_a_s: float = 0.0) -> Callable[[float], float]:
    """Return a pulse that comes after 20 minutes, its edges smeared alike."""

    def at(seconds: float) -> float:
        up, down = (
            math.erf((seconds - edge) / _SMEAR_S / math.sqrt(2.0)) for edge in (_TRANSIT_S, _TRANSIT_S + _PULSE_S)
        )
        return ground + drift_a_s * seconds + rise * 0.5 * (up - down)

    return at


def _read(curve: Callable[[float], float], at: Sequence[float], noise: float = 0.0, seed: int = 1) -> list[Sample]:
    dice = random.Random(seed)
    return [Sample(seconds, curve(seconds) + dice.gauss(0.0, noise)) for seconds in at]


_DENSE = [10.0 * place for place in range(450)]


@pytest.mark.parametrize("noise", [0.0, 0.004, 0.03, 0.1])
@pytest.mark.parametrize("drift_ms_cm_h", [0.0, 0.1, -0.1])
def test_a_far_probe(noise: float, drift_ms_cm_h: float) -> None:
    """Half of the rise within 5 % of the truth whatever the noise and the drift, and twenty times in its band."""
    for seed in range(20):
        found = passage(_read(_curve(drift_a_s=drift_ms_cm_h / 3600.0), _DENSE, noise, seed), _PULSE_S)
        assert found.half.value == pytest.approx(_TRANSIT_S, rel=0.05)
        assert found.arrival.value <= found.half.value and found.gone is not None
        assert found.gone.value == pytest.approx(_TRANSIT_S + _PULSE_S + 1.28 * _SMEAR_S, rel=0.05)
        assert found.rise_ms_cm == pytest.approx(1.2, rel=0.08)
        assert found.noise_ms_cm == pytest.approx(noise, rel=0.5, abs=0.003)


def test_a_meter_in_the_hand() -> None:
    """A reading every few minutes: the truth lies within half of the gap that it was found in."""
    for first in (0.0, 60.0, 120.0, 180.0):
        at = [first + 240.0 * place for place in range(17)]
        found = passage(_read(_curve(), at, 0.02), _PULSE_S)
        assert abs(found.half.value - _TRANSIT_S) <= found.half.u
        assert 100.0 <= found.half.u <= 250.0


def test_one_wild_reading_makes_no_edge() -> None:
    """A bubble at the probe, or a meter that was read too early, in the middle of clean water or of the pulse."""
    readings = _read(_curve(), _DENSE, 0.01)
    for place, wild in ((30, 2.4), (200, 0.1), (400, 2.0)):
        readings[place] = Sample(readings[place].at, wild)
    found = passage(readings, _PULSE_S)
    assert found.half.value == pytest.approx(_TRANSIT_S, rel=0.02)
    assert found.gone is not None and found.gone.value == pytest.approx(_TRANSIT_S + _PULSE_S, rel=0.03)


def test_a_pulse_that_has_not_gone() -> None:
    """Readings that end too early tell of the front alone."""
    found = passage(_read(_curve(), [one for one in _DENSE if one < 2600.0], 0.01), _PULSE_S)
    assert found.gone is None and found.half.value == pytest.approx(_TRANSIT_S, rel=0.02)


@pytest.mark.parametrize(
    ("readings", "says"),
    [
        (_read(_curve(), _DENSE[:5]), "got 5 readings"),
        (_read(_curve(rise=0.05), _DENSE, 0.004), "expected a pulse"),
        (_read(_curve(rise=0.3), _DENSE, 0.2), "expected a pulse"),
        (_read(_curve(), [one for one in _DENSE if one > 1400.0]), "clean water"),
    ],
    ids=["few", "weak", "noise", "begun too late"],
)
def test_what_shows_no_pulse_is_refused(readings: list[Sample], says: str) -> None:
    """With what may be wrong, and what to do."""
    with pytest.raises(ValueError, match=says):
        passage(readings, _PULSE_S)


def test_dye_by_the_watch() -> None:
    """Three people at the outermost emitter: their mean, no surer than they agree."""
    found = by_stopwatch([1190.0, 1204.0, 1212.0])
    assert found.value == pytest.approx(1202.0) and 10.0 < found.u < 20.0
    assert by_stopwatch([1200.0]).u == 2.0
    with pytest.raises(ValueError, match="first seen"):
        by_stopwatch([])


@pytest.mark.parametrize(
    ("measured", "means"), [(1250.0, Meaning.AS_PLANNED), (1500.0, Meaning.LATER), (900.0, Meaning.SOONER)]
)
def test_what_a_difference_means(measured: float, means: Meaning) -> None:
    """Only beyond what both are unsure of."""
    assert meaning(Estimate(measured, 50.0), Estimate(1200.0, 120.0)) is means


def test_few_readings_by_hand() -> None:
    """Readings far apart find the transit within what they state, or say that they are too far apart: nothing else."""
    found = held = 0
    for seed in range(600):
        dice = random.Random(seed)
        count, arrive, smear = dice.choice((12, 20, 40, 41, 80)), 18_000.0, dice.uniform(200.0, 3000.0)
        pulse, gap = dice.choice((2800.0, 6000.0)), 40_000.0 / count
        samples = []
        for number in range(count):
            at = 1500.0 + (number + dice.uniform(-0.3, 0.3)) * gap
            rise, fall = (min(1.0, max(0.0, (at - edge) / smear + 0.5)) for edge in (arrive, arrive + pulse))
            samples.append(Sample(at, (0.6 + 3.6 * (rise - fall)) * (1.0 + dice.gauss(0.0, 0.01))))
        try:
            half = passage(samples, pulse).half
        except ValueError:
            continue
        found += 1
        held += abs(half.value - arrive) <= half.u
    assert found >= 300 and held / found >= 0.92, (found, held)


def test_one_high_reading_alone_is_no_pulse() -> None:
    """It may be wild: readings closer together are asked for."""
    samples = [Sample(1000.0 * n, 3.0 if n == 6 else 0.6) for n in range(12)]
    with pytest.raises(ValueError, match="closer together"):
        passage(samples, 500.0)
