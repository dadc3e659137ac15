"""The flush by the line's EC: it prolongs, within its bound, and never ends a flush before its volume."""

import math
from collections.abc import Callable

import pytest

from daemon.control.flush import Rise, follow, judge
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import Event, PhaseEnded, RunEnded
from daemon.recipe import Recipe
from tests.daemon.control.plant import Rig, changed, of_kind, reached, short_recipe, small
from tests.daemon.control.sites import night, orchard, supplied
from tests.daemon.control.spec import Watch, injectors

_WATER_MS_CM = 0.4
_RISE_MS_CM = 0.8
_WITHIN_MS_CM = 0.05
_SCAN_L = 12.0


def _tested(recipe: Recipe) -> Recipe:
    return changed(recipe, flush_ec_ms_cm=_WITHIN_MS_CM, flush_most_l=1.5 * recipe.flush_l + 700.0)


def _by_volume(recipe: Recipe) -> Recipe:
    return changed(recipe, flush_ec_ms_cm=0.0, flush_most_l=0.0)


def _begun(recipe: Recipe | None = None) -> Rig:
    rig = Rig(small())
    rig.watch = Watch(every=50)
    assert rig.start(recipe or _tested(short_recipe())).accepted
    return rig


def _play(rig: Rig, is_high: Callable[[float], bool]) -> None:
    """Run to the end with the line's EC high while injecting, and after it as long as `is_high` of the litres since."""
    since_l = math.inf
    for _ in range(5000):
        water_l = rig.water_l
        rig.scan()
        since_l = 0.0 if injectors(rig.held) else since_l + rig.water_l - water_l
        rig.line_ec_ms_cm = _WATER_MS_CM + _RISE_MS_CM * is_high(since_l)
        if rig.state.unit.procedure in (ProcedureState.COMPLETE, ProcedureState.STOPPED):
            return
    raise AssertionError("the night does not end")


def _flush(rig: Rig) -> PhaseEnded:
    return next(row for row in of_kind(rig.rows, PhaseEnded) if row.phase == "FLUSH")


def _unclear(rig: Rig) -> list[Event]:
    return [row for row in of_kind(rig.rows, Event) if row.code == "flush-not-clear"]


def test_a_flush_that_is_clear_ends_with_its_volume() -> None:
    """Guards water: where EC is back in time it changes nothing but the reason."""
    by_volume, by_ec = _begun(_by_volume(short_recipe())), _begun()
    by_volume.until_end()
    _play(by_ec, lambda since_l: since_l < 100.0)
    assert by_ec.water_l == pytest.approx(by_volume.water_l, abs=1.0)
    assert _flush(by_ec).why == f"{_flush(by_volume).why}; the line's EC is back"
    assert not _unclear(by_ec)


def test_a_flush_goes_on_until_the_ec_is_back() -> None:
    """Guards the EC test: with stock still coming at the volume's end, FLUSH ends some smoothing after it is gone."""
    recipe = _tested(short_recipe())
    gone_l = recipe.water_l - recipe.prewet_l - recipe.inject_l + 300.0
    rig = _begun(recipe)
    _play(rig, lambda since_l: since_l < gone_l)
    assert rig.state.run is not None and rig.state.unit.procedure is ProcedureState.COMPLETE
    # From 0.8 to 0.05 by a first-order lag of 20 s takes 20 ln 16 s.
    lag_l = 20.0 * math.log(_RISE_MS_CM / _WITHIN_MS_CM) * recipe.flow_m3_h / 3.6
    assert rig.state.run.since_injected_l == pytest.approx(gone_l + lag_l, abs=4.0 * _SCAN_L)
    assert "EC is back" in _flush(rig).why and not _unclear(rig)


def test_a_flush_that_is_never_clear_ends_at_its_most_with_a_flag() -> None:
    """Guards bounded time and water: it ends COMPLETE at the planned most, and the record says that it is not clear."""
    recipe = _tested(short_recipe())
    rig = _begun(recipe)
    _play(rig, lambda since_l: since_l < math.inf)
    assert rig.state.run is not None and rig.state.unit.procedure is ProcedureState.COMPLETE
    assert recipe.flush_most_l <= rig.state.run.since_injected_l <= recipe.flush_most_l + 2.0 * _SCAN_L
    assert "is not back" in _flush(rig).why
    assert [f'"run":"{recipe.run}"' in row.detail for row in _unclear(rig)] == [True]
    assert [row.outcome for row in of_kind(rig.rows, RunEnded)] == ["DELIVERED"]
    assert not rig.state.lines.owed


def test_the_volume_is_never_shortened() -> None:
    """Guards rule 18: an EC that is back at once ends no flush before its litres and the planned water have passed."""
    recipe = _tested(short_recipe())
    rig = _begun(recipe)
    _play(rig, lambda since_l: since_l < 1.0)
    assert rig.state.run is not None
    assert rig.state.run.since_injected_l >= recipe.flush_l and rig.state.run.water_l >= recipe.water_l


@pytest.mark.parametrize("name", ["line_ec", "background_ec"])
@pytest.mark.parametrize("since", [Phase.PREWET, Phase.INJECT, Phase.FLUSH])
def test_a_probe_that_fails_leaves_it_to_the_volume(name: str, since: Phase) -> None:
    """Guards the flush against a dead probe: it ends by volume, and the record says so."""
    by_volume, rig = _begun(_by_volume(short_recipe())), _begun()
    by_volume.until_end()
    rig.until_phase(since)
    rig.bad.add(name)
    rig.line_ec_ms_cm = _WATER_MS_CM + _RISE_MS_CM
    rig.until_end()
    assert rig.water_l == pytest.approx(by_volume.water_l, abs=1.0)
    assert _flush(rig).why.endswith("by volume alone: the line's EC could not be read")
    assert not _unclear(rig)


@pytest.mark.parametrize("scans", [1, 10])
def test_a_dropout_of_the_probe_ends_no_flush(scans: int) -> None:
    """Guards invariant 4: a reading gone bad while the line is not clear does not bring the next shift's valves on."""
    shifts = (
        _tested(night(orchard(), ("creek",), 2.6, ("a", 10.0, 1.5))),
        night(orchard(), ("hill",), 1.9, run="run-2"),
    )
    rig = Rig(orchard())
    rig.watch = Watch(every=50)
    assert rig.start(*shifts).accepted
    rig.until_phase(Phase.FLUSH)
    rig.line_ec_ms_cm = _WATER_MS_CM + _RISE_MS_CM
    rig.until(lambda state: state.run is not None and state.run.since_injected_l > shifts[0].flush_l + 100.0)
    rig.bad.add("line_ec")
    rig.scans(scans)
    assert rig.state.unit.phase is Phase.FLUSH and rig.state.outputs.blocks == {"creek"}
    rig.bad.clear()
    rig.line_ec_ms_cm = _WATER_MS_CM
    rig.until_end()
    assert [row.state for row in of_kind(rig.rows, RunEnded)] == ["COMPLETE"] * 2


def test_a_site_without_a_probe_flushes_by_volume() -> None:
    """Guards a recipe that outlives its probe: no EC, no waiting for it."""
    rig = Rig(supplied("no ec"))
    assert rig.start(_tested(short_recipe())).accepted
    rig.until_end()
    assert "could not be read" in _flush(rig).why


def test_a_run_that_injected_nothing_is_not_tested() -> None:
    """Guards water only: with nothing injected EC has nothing to come back from."""
    recipe = _tested(short_recipe())
    rig = _begun(changed(recipe, channels=()))
    rig.line_ec_ms_cm = 2.0
    rig.until_end()
    assert _flush(rig).why == "planned water passed"


def test_what_old_stock_leaves_in_the_line_is_no_background() -> None:
    """Guards the reference: it is the EC at the end of PREWET, not what an unflushed line showed at its beginning."""
    memory, facts = Rise(), _begun().scan().facts
    for scan in range(200):
        rise = 0.6 if scan < 60 else 0.02
        memory = follow(memory, Phase.PREWET, facts._replace(ec_rise_ms_cm=rise))
    assert memory.before_ms_cm == pytest.approx(0.02, abs=0.005)
    inject = follow(memory, Phase.INJECT, facts._replace(ec_rise_ms_cm=0.9))
    assert inject.before_ms_cm == memory.before_ms_cm and not inject.is_known


def test_the_first_reading_is_not_taken_for_all() -> None:
    """Guards the smoothing: it begins as a plain mean, so one odd reading at the start is one of many."""
    memory, facts = Rise(), _begun().scan().facts
    for rise in (1.0, *[0.0] * 9):
        memory = follow(memory, Phase.FLUSH, facts._replace(ec_rise_ms_cm=rise))
    assert memory.ms_cm == pytest.approx(0.1)


@pytest.mark.parametrize("rise_ms_cm", [-0.1, 0.1])
def test_an_ec_off_to_either_side_is_not_back(rise_ms_cm: float) -> None:
    """Guards against a drifting probe: one that reads too low does not say that the line is clear."""
    memory = Rise(rise_ms_cm, 60.0, 0.0, 0.0)
    assert not judge(memory, _WITHIN_MS_CM, 100.0, 200.0).is_over
    assert judge(memory._replace(ms_cm=0.04), _WITHIN_MS_CM, 100.0, 200.0).is_clear


def test_a_scan_in_no_time_says_nothing_of_the_ec() -> None:
    """Guards the mean against a clock that stands: no time has passed, so nothing new is known."""
    rig = reached(Phase.PREWET, plant=small)
    facts = rig.scan().facts._replace(ec_rise_ms_cm=0.5)
    known = follow(Rise(ms_cm=0.1, seen_s=30.0), Phase.FLUSH, facts)
    assert known.ms_cm > 0.1
    assert follow(Rise(ms_cm=0.1, seen_s=30.0), Phase.FLUSH, facts._replace(dt_s=0.0)) == Rise(0.1, 30.0)


_BY_VOLUME = "by volume alone: the line's EC could not be read"
_KNOWN = Rise(ms_cm=0.3, seen_s=60.0, before_ms_cm=0.25)


@pytest.mark.parametrize(
    ("memory", "within", "since_l", "said"),
    [
        (_KNOWN, 0.0, 0.0, (True, True, "")),
        (_KNOWN, 0.0501, 0.0, (True, True, "the line's EC is back")),
        (_KNOWN._replace(ms_cm=0.2), 0.0501, 0.0, (True, True, "the line's EC is back")),
        (_KNOWN, 0.0499, 99.9, (False, False, "")),
        (_KNOWN, 0.0499, 100.0, (True, False, "the line's EC is not back, and more water was not planned")),
        (
            _KNOWN._replace(before_ms_cm=None),
            0.1,
            0.0,
            (True, True, _BY_VOLUME),
        ),
        (_KNOWN._replace(blind_s=20.0), 0.1, 0.0, (True, True, _BY_VOLUME)),
        (_KNOWN._replace(blind_s=19.0), 0.1, 0.0, (True, True, "the line's EC is back")),
        (_KNOWN._replace(seen_s=0.0), 0.1, 0.0, (False, False, "")),
        (_KNOWN._replace(seen_s=1.0), 0.1, 0.0, (True, True, "the line's EC is back")),
    ],
)
def test_how_a_flush_stands(memory: Rise, within: float, since_l: float, said: tuple[bool, bool, str]) -> None:
    """Guards the judgement by itself: not tried, back, not yet, given up, and blind."""
    stands = judge(memory, within, since_l, 100.0)
    assert (stands.is_over, stands.is_clear, stands.why) == said


def test_the_rise_is_a_mean_at_first_and_then_forgets() -> None:
    """Guards the smoothing of 20 s, in PREWET and FLUSH alone, and what it was before INJECT."""
    facts = reached(Phase.PREWET).scan().facts
    memory = Rise()
    for rise in (0.2, 0.4):
        memory = follow(memory, Phase.PREWET, facts._replace(ec_rise_ms_cm=rise))
    assert memory.ms_cm == memory.before_ms_cm == pytest.approx(0.3) and memory.seen_s == 2.0
    memory = follow(memory, Phase.PREWET, facts._replace(ec_rise_ms_cm=None))
    assert memory.blind_s == 1.0 and memory.before_ms_cm == pytest.approx(0.3)
    for _ in range(19):
        memory = follow(memory, Phase.PREWET, facts._replace(ec_rise_ms_cm=None))
    assert memory.before_ms_cm is None, "it was not known at the end"
    memory = follow(Rise(0.3, 60.0, 0.0, 0.3), Phase.INJECT, facts._replace(ec_rise_ms_cm=2.0))
    assert memory == Rise(before_ms_cm=0.3)
    memory = follow(Rise(1.0, 99.0, 3.0, 0.3), Phase.FLUSH, facts._replace(ec_rise_ms_cm=0.0))
    assert memory._replace(ms_cm=0.0) == Rise(0.0, 100.0, 0.0, 0.3) and memory.ms_cm == pytest.approx(0.95)
