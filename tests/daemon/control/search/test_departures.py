"""Factor (d): the whole `decide`, senses and guard included, with one departure from a sound night at a time.

A night of the small plant is played scan by scan. From each scan it is played again with each single departure: a
reading that fails or lies, a command, a pressed button, a jump or a stop of time, a record that stalls, a crash; for
one scan, for eight, and until the run has ended. The specification looks at every scan to the night's end.
"""

import copy
import itertools
from collections import Counter, deque
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import pytest

from daemon.control.lease import FORCE, Lease
from daemon.control.requests import Request
from daemon.control.states import ACTIVE
from daemon.messages import Verb
from tests.daemon.control.ghosts import Pipes
from tests.daemon.control.images import Seen
from tests.daemon.control.plant import Rig, short_recipe, small
from tests.daemon.control.spec import Watch
from tests.daemon.control.test_random_nights import FAULTS, clear
from tests.daemon.control.test_recovery import crash
from tests.figures import record

_LONGEST = 2_600
"""Scans to the end of a night that a dry hold has put off for half an hour."""
_LASTING = (1, 8, _LONGEST)
_FEW_EACH, _EACH = 60, 1
"""One scan in so many is departed from in the default run, and in the recorded one."""
_JUMPS_S = (0.0, 0.2, 5.0)
"""After a longer one the output module has let go by itself, which this plant does not: see tests/chaos."""
_FORCED = ("pump", "valve.creek", "injector.a")


class Departure(NamedTuple):
    """One thing that is not as it should be."""

    name: str
    begin: Callable[[Rig], Rig]
    """Do the first scan of it; return the rig that goes on."""
    lasts: int = 1


def _faulty(apply: Callable[[Rig], None]) -> Callable[[Rig], Rig]:
    def begin(rig: Rig) -> Rig:
        apply(rig)
        rig.scan()
        return rig

    return begin


def _asked(request: Request) -> Callable[[Rig], Rig]:
    def begin(rig: Rig) -> Rig:
        rig.scan(request)
        return rig

    return begin


def _jumped(dt_s: float) -> Callable[[Rig], Rig]:
    def begin(rig: Rig) -> Rig:
        rig.scan(dt_s=dt_s)
        return rig

    return begin


def _pressed(rig: Rig) -> Rig:
    rig.press_reset()
    return rig


def _crashed(rig: Rig) -> Rig:
    """Die, be down for three seconds, and start again under a new watch: what was owed must be owed still."""
    had_stock = bool(rig.state.lines.owed)
    after, _ = crash(rig, down_s=3.0)
    assert bool(after.state.lines.owed) is had_stock
    assert rig.watch is not None
    after.watch = Watch(_counts(rig), every=10_000)
    after.scan(Request("again", Verb.START, (short_recipe("run-2"),)))
    return after


def _counts(rig: Rig) -> Counter[str]:
    assert isinstance(rig.watch, Watch)
    return rig.watch.counts


def _departures() -> Iterator[Departure]:
    for name, apply in FAULTS.items():
        for lasts in _LASTING:
            yield Departure(name, _faulty(apply), lasts)
    for verb in (Verb.HOLD, Verb.STOP_FERTILISER, Verb.STOP_EVERYTHING, Verb.RESET, Verb.START, Verb.RELEASE):
        recipes = (short_recipe("run-2"),) if verb is Verb.START else ()
        yield Departure(verb.value, _asked(Request("asked", verb, recipes)))
    for target, is_on in itertools.product(_FORCED, (True, False)):
        lease = Lease("l1", FORCE, target, is_on, 40.0, "Mira", "a look")
        yield Departure(f"{target} forced {is_on}", _asked(Request("l1", Verb.FORCE, lease=lease)))
    for dt_s in _JUMPS_S:
        yield Departure(f"a scan of {dt_s:g} s", _jumped(dt_s))
    yield Departure("button", _pressed)
    yield Departure("crash", _crashed)


def _nominal() -> Iterator[Rig]:
    """Yield a rig after each scan of a sound night, from before its start to past its end. It is not to be changed."""
    rig = Rig(small())
    rig.watch = Watch(every=10_000)
    yield rig
    assert rig.start(short_recipe()).accepted
    while rig.state.unit.procedure in ACTIVE:
        yield rig
        rig.scan()
    yield rig


def _copied(value: Any, memo: dict[int, Any]) -> Any:
    """Return a copy of a rig and its watch that can go its own way. States and rows are only ever replaced."""
    if id(value) not in memo:
        memo[id(value)] = value
        if isinstance(value, list | dict | set | deque):
            memo[id(value)] = copy.copy(value)
        elif isinstance(value, Rig | Watch | Seen | Pipes):
            memo[id(value)] = made = copy.copy(value)
            vars(made).update({name: _copied(part, memo) for name, part in vars(value).items()})
    return memo[id(value)]


def _departed(rig: Rig, departure: Departure) -> Counter[str]:
    """Play the night from here with the departure, to its end and a little past it; return what the watch counted."""
    rig = _copied(rig, {})
    _counts(rig).clear()
    rig = departure.begin(rig)
    for scan in range(1, _LONGEST):
        if scan == departure.lasts:
            clear(rig)
        if rig.state.unit.procedure not in ACTIVE:
            break
        rig.scan()
    clear(rig)
    rig.scans(5)
    assert rig.state.unit.procedure not in ACTIVE, f"{rig.state.unit} and no end of it"
    return _counts(rig)


def _all(each: int) -> Counter[str]:
    """Depart from one scan in `each`; return how many nights were played, and what the watch counted."""
    counts: Counter[str] = Counter()
    departures = [*_departures()]
    for number, rig in enumerate(_nominal()):
        if number % each == 0:
            for departure in departures:
                try:
                    counts += _departed(rig, departure)
                except AssertionError as error:
                    raise AssertionError(f"{error}\nfrom scan {number}, {rig.state.unit}: {departure}") from error
                counts["nights"] += 1
    return counts


_MET = ("injector opened", "flush owed", "stop everything", "reading gone BAD", "latched siphon", "pump started")


@pytest.mark.proof
@pytest.mark.timeout(600)
def test_one_departure_at_a_time() -> None:
    """Guards the invariants over the whole `decide`, from a scan in each of the night's parts."""
    counts = _all(_FEW_EACH)
    assert all(counts[what] for what in _MET), counts


@pytest.mark.long
@pytest.mark.timeout(14_400)
def test_one_departure_at_a_time_from_every_scan() -> None:
    """Guards the same from every scan, recorded."""
    counts = _all(_EACH)
    assert all(counts[what] >= 300 for what in _MET), counts
    record(
        "departures",
        claim="the whole `decide` with one departure at a time, from every scan of a night",
        test="tests/daemon/control/search/test_departures.py",
        aim="0 violations",
        reached=f"{counts['nights']:,} nights by {len([*_departures()])} departures, {counts['scans']:,} scans, "
        f"0 violations; one scan in {_FEW_EACH} in CI",
        limit="one block, one channel, one night",
    )
