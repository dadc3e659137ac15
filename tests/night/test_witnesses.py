"""What is wrong with a dose is flagged, and its right cause named first, or "mix or probe" where no more can be told.

Core only, nights of a shift with one channel after the other. The very same nights with nothing wrong are the control.
"""

import json
from collections.abc import Callable
from typing import NamedTuple

import pytest

from tests.figures import record
from tests.night.places import Place
from tests.night.witness_nights import NOTHING, Fault, Heard, orchard, witnessed

_CI_NIGHTS, _LONG_NIGHTS, _CLEAN_NIGHTS = 3, 100, 400
_FIRST_SEED = 90_000
_PROGRAM = "high_night"
"""Channel a, of whose batch a bucket test was made, then channel b."""
_FLAGGED, _NAMED = 0.95, 0.85


class Case(NamedTuple):
    """One fault, and what must be said of it."""

    words: str
    fault: Fault
    causes: frozenset[str]
    """Any of them is right as the first cause."""
    alarms: frozenset[str] = frozenset()
    """Alarms that name it as well."""


def _meter(factor: float) -> Fault:
    name = "injector_meter_high" if factor > 1.0 else "injector_meter_low"
    return Fault(name, {"injector": "a", "factor": factor})


_MIX_OR_PROBE = frozenset({"mix-weak", "probe"})
CASES = {
    "meter high": Case("injector's meter +15 %", _meter(1.15), frozenset({"meter-high"})),
    "meter low": Case("injector's meter -15 %", _meter(0.85), frozenset({"meter-low"})),
    "weak after a bucket": Case("stock -10 % after a bucket test", Fault("mix", tank="a", times=0.9), _MIX_OR_PROBE),
    "weak without": Case("stock -20 % without", Fault("mix", tank="b", times=0.8), _MIX_OR_PROBE),
    "probe": Case("probe's slope -20 %", Fault("probe", times=0.8), _MIX_OR_PROBE),
    "airlock": Case(
        "airlock of 5 min",
        Fault("airlock", {"injector": "a", "share": 1.0}, lasts_s=300.0),
        frozenset(),
        frozenset({"airlock", "injector-silent"}),
    ),
    "siphon": Case(
        "siphon of 10 L/h", Fault("siphon", {"injector": "a", "l_h": 10.0}), frozenset(), frozenset({"siphon"})
    ),
    "leak": Case("tank's leak of 10 L/h", Fault("tank_leak", {"tank": "a", "l_h": 10.0}), frozenset({"tank-leaks"})),
}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Write Kestrel Bend with short pipes and half of its water and doses: nights of 100 minutes."""
    return orchard(tmp_path_factory.mktemp("witnesses"), 0.5)


def _is_flagged(night: Heard) -> bool:
    return bool(night.causes() or night.alarms)


def _is_named(night: Heard, case: Case) -> bool:
    """Whether an alarm or the first cause of a channel is the right one, and none of another kind comes first."""
    firsts = {causes[0] for causes in night.causes()}
    return bool(case.alarms & night.alarms) or (bool(firsts) and firsts <= case.causes)


def _share(place: Place, case: Case, nights: int, holds: Callable[[Heard], bool]) -> float:
    seen = [holds(witnessed(place, _FIRST_SEED + number, _PROGRAM, case.fault)) for number in range(nights)]
    return sum(seen) / nights


@pytest.mark.parametrize("name", CASES)
def test_a_fault_is_flagged_and_named(place: Place, name: str) -> None:
    """Guards every estimate's reason to be: what one instrument cannot know of itself, the others tell."""
    case = CASES[name]
    assert _share(place, case, _CI_NIGHTS, lambda night: _is_flagged(night) and _is_named(night, case)) == 1.0


def test_the_same_nights_with_nothing_wrong_are_silent(place: Place) -> None:
    """Guards what detection means, and that EC says so where it speaks: the probes are there and the stock is seen."""
    for number in range(_CI_NIGHTS):
        night = witnessed(place, _FIRST_SEED + number, _PROGRAM)
        assert not _is_flagged(night)
        assert [(row.tank_silent, row.ec_silent) for row in night.reconciled] == [("", ""), ("", "")]


def test_stocks_that_are_injected_together_are_said_to_be(place: Place) -> None:
    """Guards honesty: where EC sees two stocks as one it says which, and its band is as wide as that makes it."""
    apart = {row.channel: row for row in witnessed(place, _FIRST_SEED, _PROGRAM).reconciled}
    both = {row.channel: row for row in witnessed(place, _FIRST_SEED, "low_night").reconciled}
    assert {name: json.loads(row.beside) for name, row in apart.items()} == {"a": [], "b": []}
    assert {name: json.loads(row.beside) for name, row in both.items()} == {"a": ["b"], "b": ["a"]}
    for name, row in both.items():
        assert row.u_ec_ml / row.ec_ml > 1.2 * apart[name].u_ec_ml / apart[name].ec_ml


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_faults_are_flagged_in_95_and_named_in_85_of_100_nights(place: Place) -> None:
    """Guards the same, recorded."""
    told, missed = [], []
    for case in CASES.values():
        nights = [witnessed(place, _FIRST_SEED + n, _PROGRAM, case.fault) for n in range(_LONG_NIGHTS)]
        flagged, named = sum(map(_is_flagged, nights)), sum(_is_named(night, case) for night in nights)
        told.append(f"{case.words} {flagged} and {named}")
        if flagged < _FLAGGED * _LONG_NIGHTS or named < _NAMED * _LONG_NIGHTS:
            missed.append(told[-1])
    clean = [witnessed(place, _FIRST_SEED + n, _PROGRAM, NOTHING) for n in range(_CLEAN_NIGHTS)]
    false = sum(map(_is_flagged, clean))
    record(
        "witnesses",
        claim="a wrong meter, mix, probe or tank is flagged, and the right cause comes first",
        test="tests/night/test_witnesses.py",
        aim=f"of {_LONG_NIGHTS} nights each 95 flagged and 85 named; at most 1 of 200 clean nights flagged",
        reached=f"flagged and named of {_LONG_NIGHTS}: {'; '.join(told)}; {false} of {_CLEAN_NIGHTS} clean nights",
        limit="core only; a weak stock and a probe of low slope are told from all else, and not from each other; "
        "slopes drawn by a hand meter's class, cylinders and what PHREEQC differs by, anywhere within their limits",
    )
    assert not missed, missed
    assert false <= _CLEAN_NIGHTS / 200
