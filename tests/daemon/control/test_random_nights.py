"""Random nights: whatever goes wrong, in whatever order, the invariants hold on every scan."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import Phase as Stage
from hypothesis import strategies as st

from daemon.control.requests import Request
from daemon.control.states import ACTIVE, Phase, ProcedureState
from daemon.messages import Verb
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.plant import Rig, changed, is_injecting, short_recipe, small
from tests.daemon.control.sites import CONTACT, OURS, filtered, night, orchard, supplied
from tests.daemon.control.spec import Watch

_BAD = (
    "flow",
    "water",
    "pressure",
    "pump_running",
    "emergency_stop",
    "selector",
    "reset",
    "watchdog",
    "stock.a",
    "content.a",
    "output.pump",
    "output.injector.a",
    "line_ec",
)


def _bad(name: str) -> Callable[[Rig], None]:
    return lambda rig: rig.bad.add(name)


def _forced(name: str, value: float) -> Callable[[Rig], None]:
    return lambda rig: rig.forced.update({name: value})


def _stale(name: str, age_s: float) -> Callable[[Rig], None]:
    return lambda rig: rig.stale_s.update({name: age_s})


def _scale_flow(factor: float) -> Callable[[Rig], None]:
    return lambda rig: rig.flow_m3_h.update({name: flow * factor for name, flow in _flows(rig).items()})


def _set(name: str, value: object) -> Callable[[Rig], None]:
    return lambda rig: setattr(rig, name, value)


def _count(name: str, value: float) -> Callable[[Rig], None]:
    """Return what sets a raw count: to zero as a reset, or just before its wrap."""

    def apply(rig: Rig) -> None:
        if name == "water":
            rig.water_counts = value
        else:
            rig.stock_counts[name] = value

    return apply


def _empty(name: str) -> Callable[[Rig], None]:
    return lambda rig: rig.content_l.update({name: 30.0})


def _starve(rig: Rig) -> None:
    """Let the shift have half its flow for longer than any phase may take; the shed has its pressure all the while."""
    _scale_flow(0.5)(rig)
    rig.scans(80, dt_s=5.0)


def _storm(contact: str, *unread: str) -> Callable[[Rig], None]:
    """Return what keeps a contact on for longer than a shift lasts, while others cannot be read."""

    def blow(rig: Rig) -> None:
        rig.forced[contact] = 1.0
        rig.bad.update(unread)
        rig.scans(150, dt_s=5.0)

    return blow


def _flows(rig: Rig) -> dict[str, float]:
    return {name: block.flow_m3_h for name, block in rig.plant.site.block.items()}


Faults = Mapping[str, Callable[[Rig], None]]
FAULTS: Faults = {
    **{f"{name} BAD": _bad(name) for name in _BAD},
    **{f"{name} stale": _stale(name, 7.0) for name in ("flow", "pressure", "water", "stock.a", "emergency_stop")},
    "emergency stop pressed": _forced("emergency_stop", 0.0),
    "selector in Hand": _forced("selector", 0.0),
    "reset pressed": _forced("reset", 1.0),
    "watchdog off": _forced("watchdog", 0.0),
    "a foreign valve shows open": _forced("output.injection_valve.a", 1.0),
    "an output dropped": _forced("output.valve.creek", 0.0),
    "pump contactor open": _forced("pump_running", 0.0),
    "pressure high": _set("pressure_kpa", 470.0),
    "pressure low": _set("pressure_kpa", 120.0),
    "pump dry": _scale_flow(0.1),
    "flow high": _scale_flow(1.4),
    "flow low": _scale_flow(0.7),
    "injector silent": lambda rig: rig.silent.add("a"),
    "siphon": _set("siphon_l_h", 30.0),
    "tank empty": _empty("a"),
    "record stalls": _set("is_ledger_stalled", True),
    "record unwritable": _set("is_writable", False),
    "record slow": _set("commit_scans", 3),
    "water counter reset": _count("water", 0.0),
    "water counter wraps": _count("water", 2.0**32 - 3.0),
    "stock counter reset": _count("a", 0.0),
    "stock counter wraps": _count("a", 2.0**32 - 2.0),
}
FILTER_FAULTS: Faults = {
    "filter washes itself": _set("is_self_washing", True),
    "filter is full": _set("filter_kpa", 60.0),
    "backwashing BAD": _bad("backwashing"),
    "backwashing stale": _stale("backwashing", 7.0),
    "output.backwash BAD": _bad("output.backwash"),
}
SECOND_FAULTS: Faults = {
    "stock.b BAD": _bad("stock.b"),
    "content.b BAD": _bad("content.b"),
    "injector b silent": lambda rig: rig.silent.add("b"),
    "tank b empty": _empty("b"),
    "stock counter b reset": _count("b", 0.0),
    "ridge shows shut": _forced("output.valve.ridge", 0.0),
    "hill shows open": _forced("output.valve.hill", 1.0),
    "a valve gives too little for long": _starve,
}


WEATHER: Faults = {
    "it rains": _forced("rain", 1.0),
    "it rains for long": _storm("rain"),
    "wind for long": _storm("wind", "rain"),
}


def clear(rig: Rig) -> None:
    """Take every fault away; what a fault has done to counts stays."""
    rig.bad.clear()
    rig.forced.clear()
    rig.stale_s.clear()
    rig.silent.clear()
    rig.flow_m3_h = _flows(rig)
    rig.pressure_kpa, rig.siphon_l_h, rig.commit_scans = 300.0, 0.0, 1
    rig.is_ledger_stalled, rig.is_writable = False, True
    rig.content_l = dict.fromkeys(rig.content_l, 800.0)
    rig.is_self_washing, rig.filter_kpa = False, 10.0


@dataclass(frozen=True)
class Step:
    """A few scans under some faults, with commands in the first of them; perhaps the reset button after them."""

    faults: tuple[str, ...]
    verbs: tuple[Verb, ...]
    scans: int
    dt_s: float
    press: bool


_BARE = [verb for verb in Verb if verb not in (Verb.MODE, Verb.FORCE, Verb.BYPASS, Verb.SHELVE, Verb.UNSHELVE)]
"""Verbs that say all by themselves."""
_VERBS = st.one_of(
    st.just(()),
    st.just((Verb.START,)),
    st.sampled_from(_BARE[:5]).map(lambda verb: (verb,)),
    st.lists(st.sampled_from(_BARE), min_size=2, max_size=3).map(tuple),
)


def _steps(often: Faults, longest: int) -> st.SearchStrategy[Step]:
    """Draw steps with up to two faults of any plant's, and in most of them one of those that are this plant's own."""
    faults = st.lists(st.sampled_from(list(FAULTS)), max_size=2)
    return st.builds(
        Step,
        st.builds(lambda some, one: (*some, *one), faults, st.sampled_from([(), *((name,) for name in often)])),
        _VERBS,
        st.sampled_from((1, 1, 2, 3, 6, 12, 45, longest)),
        st.sampled_from((1.0, 1.0, 1.0, 0.2, 2.0, 5.0, 0.0)),
        st.sampled_from((False, False, True)),
    )


_HELD_A_WHILE = (Step((), (Verb.HOLD,), 3, 1.0, False), Step((), (Verb.START,), 2, 1.0, False))
"""An operator holds the run and goes on with it."""


def _all_steps(nights: "Nights") -> st.SearchStrategy[list[Step]]:
    """Draw the steps of a night."""
    one = _steps(nights.own, nights.longest).map(lambda step: (step,))
    some = st.lists(
        st.one_of(one, one, one, st.just(_HELD_A_WHILE)),
        min_size=min(4, nights.most_steps // 2),
        max_size=nights.most_steps,
    )
    return some.map(lambda drawn: [step for steps in drawn for step in steps])


_WHERE = st.sampled_from((Phase.FILL, Phase.PREWET, Phase.INJECT, Phase.INJECT, Phase.INJECT, Phase.FLUSH))


@dataclass(frozen=True)
class Nights:
    """What nights are drawn from, how many, and what they must have met twice at least."""

    plant: Callable[[], Plant]
    shifts: Mapping[str, Callable[[], Recipe]]
    most_shifts: int
    own: Faults
    """What only goes wrong here."""
    count: int
    most_steps: int
    every: int
    met: frozenset[str]
    longest: int = 45
    """Scans of a step."""


def _with_filter() -> Plant:
    washes_often = OURS.replace("wash_every_m3 = 100.0", "wash_every_m3 = 1.5")
    return filtered(washes_often + CONTACT, "meter filter injection")


_MET = frozenset(f"state {state.value}" for state in ProcedureState) | {
    "injector on",
    "injector opened",
    "pump started",
    "flush owed",
    "flush owed by another run",
    "latched emergency-stop",
    "reset emergency-stop",
    "latched siphon",
    "reset siphon",
    "reading gone BAD",
    "stop everything",
    "dose checked",
    "dose checked for a hard cap",
    "decided twice",
}
_WASHED = frozenset(
    {
        "filter washing",
        "filter washing in INJECT",
        "our backwash began",
        "water to the drain",
        "stock waits for the drain",
        "shift followed",
        "queue dropped",
    }
)
_FOLLOWED = frozenset(
    {
        "handed over",
        "shift followed",
        "queue dropped",
        "injected together",
        "injected in turn",
        "injected beside a foreign debt",
        "failed alone",
        "shift followed a failed one",
    }
)
_CREEK = {"creek": short_recipe}
_RESTART = ("max_starts_per_hour = 6", 'max_starts_per_hour = 3\nat_changeover = "restart"')


def _shifts(plant: Plant) -> dict[str, Callable[[], Recipe]]:
    """Return the orchard's shifts: with one channel, with none, and with two at once or one after the other."""
    two = ("a", 5.0, 1.0), ("b", 5.0, 1.0)
    return {
        "creek": lambda: night(plant, ("creek",), 3.0, ("a", 10.0, 1.5)),
        "ridge": lambda: changed(night(plant, ("ridge",), 3.0, ("b", 6.0, 1.2)), inhibited_by=("rain",)),
        "hill": lambda: changed(night(plant, ("hill",), 2.0), inhibited_by=("rain", "wind")),
        "together": lambda: night(plant, ("creek", "ridge"), 5.0, ("a", 16.0, 2.0), ("b", 8.0, 1.2)),
        "in turn": lambda: night(plant, ("ridge", "hill"), 5.0, *two, order="in_turn"),
    }


_NIGHTS = {
    "small": Nights(small, _CREEK, 1, {}, 90, 12, 11, _MET, 130),  # a siphon takes so long to be seen
    "filter": Nights(_with_filter, _CREEK, 2, FILTER_FAULTS, 40, 12, 23, _WASHED),
    "orchard": Nights(orchard, _shifts(orchard()), 3, SECOND_FAULTS, 60, 6, 37, _FOLLOWED),
    "restart": Nights(
        lambda: orchard(_RESTART), _shifts(orchard()), 3, {}, 6, 6, 37, frozenset({"last start of the hour"})
    ),
    "weather": Nights(
        orchard,
        {name: make for name, make in _shifts(orchard()).items() if name in ("creek", "ridge", "hill")},
        3,
        WEATHER,
        14,
        4,
        37,
        frozenset({"queued shift kept out", "begun past the weather"}),
    ),
    "gravity": Nights(lambda: supplied("gravity"), _CREEK, 2, {}, 10, 12, 23, frozenset({"injector on", "flush owed"})),
    "pulses": Nights(lambda: supplied("pulses"), _CREEK, 2, {}, 10, 12, 23, frozenset({"injector on", "flush owed"})),
}


def _request(rig: Rig, verb: Verb, place: int, shifts: list[Recipe]) -> Request:
    recipes = [changed(recipe, run=f"run-{rig.steps}-{place}-{n}") for n, recipe in enumerate(shifts)]
    return Request(f"c{rig.steps}-{place}", verb, tuple(recipes) if verb is Verb.START else ())


def _play(rig: Rig, step: Step, shifts: list[Recipe], faults: Faults) -> None:
    clear(rig)
    for name in step.faults:
        faults[name](rig)
    rig.scan(*(_request(rig, verb, place, shifts) for place, verb in enumerate(step.verbs)), dt_s=step.dt_s)
    for _ in range(step.scans - 1):
        rig.scan(dt_s=step.dt_s)
    if step.press:
        rig.press_reset()


def _night(rig: Rig, nights: Nights, where: Phase, shifts: list[Recipe], steps: list[Step]) -> None:
    """Run to a phase and play the steps. Then the plant is well: what runs must end by itself, and new runs begin."""
    rig.scan(_request(rig, Verb.START, 0, shifts))
    if where is Phase.INJECT:
        rig.until(lambda state: is_injecting(state) or not (state.run and state.run.channels), most=2000)
    else:
        rig.until_phase(where)
    for step in steps:
        _play(rig, step, shifts[::-1], {**FAULTS, **nights.own})
    clear(rig)
    rig.until(lambda state: state.unit.procedure not in ACTIVE, most=10_000)
    rig.press_reset()
    if nights.own is WEATHER:
        rig.forced["rain"] = 1.0
    if rig.scan(_request(rig, Verb.START, 0, shifts[::-1])).answers[0].accepted:
        is_enough = len(shifts) == 1 and not nights.own
        rig.until(lambda state: (is_enough and is_injecting(state)) or state.unit.procedure not in ACTIVE, most=10_000)


_LONG = "orchard"
"""Takes as long as all the others: CI has it among its proofs."""


@pytest.mark.timeout(150)
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.proof) if name == _LONG else name for name in _NIGHTS]
)
def test_invariants_hold_on_every_scan_of_random_nights(name: str) -> None:
    """Guards invariants 1, 2, 3, 4, 8, 10, 11, the order of outputs, backwash and queue, each with its rules tried."""
    nights, counts = _NIGHTS[name], Counter[str]()
    recipes = {key: make() for key, make in nights.shifts.items()}

    @settings(
        derandomize=True,
        database=None,
        deadline=None,
        max_examples=nights.count,
        phases=(Stage.generate,),  # a night takes too long to be shrunk in the default run
        report_multiple_bugs=False,
        suppress_health_check=list(HealthCheck),
    )
    @given(
        where=_WHERE,
        shifts=st.lists(st.sampled_from(list(recipes)), min_size=1, max_size=nights.most_shifts),
        steps=_all_steps(nights),
    )
    def play(where: Phase, shifts: list[str], steps: list[Step]) -> None:
        rig = Rig(nights.plant())
        rig.watch = Watch(counts, every=nights.every)
        _night(rig, nights, where, [recipes[key] for key in shifts], steps)

    play()
    assert counts["scans"] >= 250 * nights.count
    assert {rule: counts[rule] for rule in nights.met if counts[rule] < 2} == {}
