"""What no single night shows: a meter that is a little off, night after night, and stock that creeps by day.

Core only, on plants drawn by seed with hidden tolerances and noise.
"""

import itertools
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import pytest

from daemon.dosing.drift import drifting
from daemon.evidence import AlarmRaised, DoseReconciled
from daemon.recipe import Recipe
from tests.figures import record
from tests.night.core import CoreNight
from tests.night.places import Place
from tests.night.witness_nights import orchard

_CI_SITES, _LONG_SITES = 2, 100
_FIRST_SEED = 95_000
_EVENTS = 10
_PROGRAM = "high_night"
_DAY_S = 24 * 3600.0
_SLOW_SCAN_S = 10.0
_REST_S = 3600.0
"""How long a plant stands before the siphon begins, so that it has a level to fall from."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Write Kestrel Bend with short pipes and a quarter of its doses: ten events are less than a tank."""
    return orchard(tmp_path_factory.mktemp("slow"), 0.25, part=0.1)


def _night(place: Place, seed: int) -> tuple[CoreNight, Recipe]:
    night, (recipe,) = place.night(seed, (_PROGRAM,))
    return night, recipe


def _events(place: Place, seed: int, factor: float) -> Iterator[list[DoseReconciled]]:
    """Yield channel a's events one night after the other, on one plant whose meter counts `factor` of the truth."""
    night, recipe = _night(place, seed)
    if factor != 1.0:
        name = "injector_meter_high" if factor > 1.0 else "injector_meter_low"
        night.sim.fault(night.sim.faults.check(name, True, {"injector": "a", "factor": factor}))
    for number in range(_EVENTS):
        for _ in night.run(replace(recipe, run=f"{recipe.run}-{number}")):
            pass
        yield [row for row in night.rows if isinstance(row, DoseReconciled) and row.channel == "a"]


def _found_after(place: Place, seed: int, factor: float) -> int | None:
    """Return the event after which the meter was named, by the drift or by itself; None for never."""
    first = "meter-high" if factor > 1.0 else "meter-low"
    for number, events in enumerate(_events(place, seed, factor), 1):
        if drifting(events)[:1] == (first,) or f'["{first}"' in events[-1].causes:
            return number
    return None


def _false(place: Place, seed: int) -> bool:
    """Whether anything was said in ten nights with nothing wrong."""
    events = [*_events(place, seed, 1.0)][-1]
    return any(drifting(events[:number]) for number in range(1, _EVENTS + 1)) or any(e.causes != "[]" for e in events)


def _siphon_seen_h(place: Place, seed: int, l_h: float) -> float | None:
    """Return after how many hours of a siphon the tank's fall was seen; None for never within a day."""
    night, _ = _night(place, seed)
    night.scan_s = _SLOW_SCAN_S
    for _ in range(round(_REST_S / _SLOW_SCAN_S)):
        night.scan()
    if l_h:
        night.sim.fault(night.sim.faults.check("siphon", True, {"injector": "a", "l_h": l_h}))
    began_s = night.at_s
    while night.at_s - began_s < _DAY_S:
        decision = night.scan()
        if any(isinstance(row, AlarmRaised) and row.code == "tank-falls" for row in decision.entries):
            return (night.at_s - began_s) / 3600.0
    return None


@pytest.mark.parametrize("factor", [1.05, 0.95])
def test_a_meter_five_percent_off_is_named_within_ten_events(place: Place, factor: float) -> None:
    """Guards the CUSUM over volume: what one night may well be is not what ten are."""
    for seed in range(_FIRST_SEED, _FIRST_SEED + _CI_SITES):
        found = _found_after(place, seed, factor)
        assert found is not None and found <= _EVENTS


def test_a_sound_plant_does_not_drift(place: Place) -> None:
    """Guards the same against false alarms, and against a plant that seems to age as its tanks empty."""
    assert not any(_false(place, seed) for seed in range(_FIRST_SEED, _FIRST_SEED + _CI_SITES))


def test_a_siphon_of_two_litres_an_hour_is_seen_within_a_day(place: Place) -> None:
    """Guards the idle draw-down, far under what the siphon's own limit sees; a tank that stands is not said to fall."""
    seen_h = _siphon_seen_h(place, _FIRST_SEED, 2.0)
    assert seen_h is not None and seen_h <= 24.0
    assert _siphon_seen_h(place, _FIRST_SEED, 0.0) is None


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_slow_faults_are_found_on_a_hundred_plants(place: Place) -> None:
    """Guards the same, recorded."""
    seeds = range(_FIRST_SEED, _FIRST_SEED + _LONG_SITES)
    after: dict[float, list[int | None]] = defaultdict(list)
    for factor, seed in itertools.product((1.05, 0.95), seeds):
        after[factor].append(_found_after(place, seed, factor))
    false = sum(_false(place, seed) for seed in seeds)
    siphons = [_siphon_seen_h(place, seed, 2.0) for seed in seeds]
    falls = sum(_siphon_seen_h(place, seed, 0.0) is not None for seed in seeds)
    seen_h = sorted(one for one in siphons if one is not None)
    told = "; ".join(
        f"{100.0 * factor - 100.0:+.0f} % named on {sum(one is not None for one in found)}, after "
        f"{max((one for one in found if one is not None), default=0)} events at most"
        for factor, found in after.items()
    )
    record(
        "slow_faults",
        claim="what no single night shows is found: a meter a little off, stock that creeps",
        test="tests/night/test_slow_faults.py",
        aim=f"meter ±5 % within {_EVENTS} events; siphon of 2 L/h within 24 h; <= 1 false flag in 200 nights",
        reached=f"of {_LONG_SITES} plants each: meter {told}; siphon seen on {len(seen_h)}, after {seen_h[-1]:.1f} h "
        f"at most; with nothing wrong {false} flagged in {_EVENTS} nights, and {falls} tanks said to fall in a day",
        limit="core only",
    )
    assert all(one is not None for found in after.values() for one in found), told
    assert len(seen_h) == _LONG_SITES
    assert false <= _LONG_SITES * _EVENTS / 200 and falls == 0
