"""A shift laid out: pre-wet, windows and flush by hand, what always holds of them, and what they never change."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Stock
from daemon.decisions.timetable import Tonight
from daemon.decisions.watering import WATERED
from daemon.planning.checks import PlanError
from daemon.planning.night import Plan, plan_run
from daemon.planning.rest import Rest
from daemon.planning.windows import Ask, Way, Windows, lay_out
from tests.daemon.control.plant import demo_decisions, injection, kestrel, wide
from tests.daemon.decisions.tanks import NOW

_WAY = Way(transit_l=10_000.0, fill_l=2_000.0, flush_l=15_000.0)
_FLOW_M3_H = 60.0
_ROUNDED_L = 1e-3


def _ask(given_m3: float | None = None, least_m3: float = 5.0, most_m3: float = math.inf, **keys: Any) -> Ask:
    given_l = None if given_m3 is None else 1000.0 * given_m3
    body: dict[str, Any] = {"is_fixed": False, "is_late": False, **keys}
    return Ask("stock", given_l, 1000.0 * least_m3, 1000.0 * most_m3, **body)


def _laid(water_m3: float, *asks: Ask, in_turn: bool = False, may_add: bool = False) -> Windows:
    return lay_out(1000.0 * water_m3, _FLOW_M3_H, _WAY, asks, in_turn=in_turn, may_add=may_add)


def _failed(laid: Windows) -> list[str]:
    return [check.reason for check in laid.checks if not check.passed]


def _warned(laid: Windows) -> list[str]:
    return [check.reason for check in laid.checks if check.warns]


@pytest.mark.parametrize(
    ("water_m3", "ask", "prewet_m3", "inject_m3"),
    [
        (100.0, _ask(), 25.0, 50.0),  # the quarter rule of the domain sheet 13: 25 / 50 / 25 %
        (100.0, _ask(40.0), 30.0, 40.0),  # as given, in the middle
        (100.0, _ask(most_m3=30.0), 35.0, 30.0),  # the widest that the injector can
        (100.0, _ask(least_m3=60.0), 20.0, 60.0),  # the narrowest that it can
        (100.0, _ask(72.0), 13.0, 72.0),  # the flush pushes it out of the middle
        (47.0, _ask(), 12.0, 20.0),  # two transits in all that pre-wet and flush leave
        (100.0, _ask(is_late=True), 35.0, 50.0),
        (100.0, _ask(40.0, is_late=True), 45.0, 40.0),
    ],
)
def test_one_window_by_hand(water_m3: float, ask: Ask, prewet_m3: float, inject_m3: float) -> None:
    """Guards the layout with 2 m3 to fill, a transit of 10 and a flush of 15: in the middle, or late."""
    laid = _laid(water_m3, ask)
    assert not _failed(laid) and not _warned(laid)
    assert laid.prewet_l == pytest.approx(1000.0 * prewet_m3) and laid.inject_l == pytest.approx(1000.0 * inject_m3)


def test_the_shortest_shift_that_carries_the_dose() -> None:
    """Guards the minimum: 12 m3 of pre-wet, the injector's narrowest 25 and 15 of flush are 52 m3, 52 minutes at 60."""
    assert not _failed(_laid(52.0, _ask(least_m3=25.0)))
    (reason,) = _failed(_laid(51.9, _ask(least_m3=25.0)))
    assert "at least 52.0 m3 of water (52 min)" in reason and "It has 51.9 m3 (52 min)" in reason
    (reason,) = _failed(_laid(70.0, _ask(least_m3=25.0), _ask(least_m3=20.0), in_turn=True))
    assert "at least 82.0 m3" in reason, "both, and a transit of clear water between them"


def test_water_that_is_cut_tonight_is_no_less_than_the_dose_needs() -> None:
    """Guards 70 % water tonight: the shift takes what pre-wet, dose and flush need, and says so."""
    laid = _laid(30.0, _ask(40.0, least_m3=25.0), may_add=True)
    assert (laid.water_l, laid.prewet_l, laid.inject_l) == (52_000.0, 12_000.0, 25_000.0) and not _failed(laid)
    assert "at least 52.0 m3" in _warned(laid)[0] and "the same dose goes in that" in _warned(laid)[1]


def test_given_water_is_kept_where_it_fits_and_a_concentrations_always() -> None:
    """Guards inject_m3: 90 m3 do not fit 100; a quantity goes into 73, a concentration is refused with its minimum."""
    laid = _laid(100.0, _ask(90.0))
    assert laid.inject_l == 73_000.0 and "over 90.0 m3, and pre-wet and flush leave 73.0 m3" in _warned(laid)[0]
    (reason,) = _failed(_laid(100.0, _ask(90.0, is_fixed=True)))
    assert "at least 117.0 m3" in reason


def test_under_two_transits_warns() -> None:
    """Guards evenness: 20 m3 are two transits; less is planned where the injector or the program says so, and told."""
    assert not _warned(_laid(100.0, _ask(20.0)))
    for ask in (_ask(19.9), _ask(most_m3=19.9)):
        (reason,) = _warned(_laid(100.0, ask))
        assert "under two transits (20.0 m3)" in reason


def test_channels_of_two_positions_together() -> None:
    """Guards the span: the middle one over 20 to 60 m3, the late one over 65 to 85: INJECT is all from 20 on."""
    laid = _laid(100.0, _ask(60.0), _ask(20.0, is_late=True))
    assert (laid.prewet_l, laid.inject_l, laid.starts_l) == (20_000.0, 65_000.0, (0.0, 45_000.0))
    assert laid.prewet_l + laid.inject_l + laid.flush_l == 100_000.0


def test_channels_in_turn() -> None:
    """Guards the order: 20, a transit of 10 and 15 m3 are 45 in the middle; a last one that is late waits for its time.

    Late it ends where the flush begins, after 105 m3 of 120; the first one is in the middle as if alone.
    """
    laid = _laid(120.0, _ask(20.0), _ask(15.0), in_turn=True)
    assert (laid.prewet_l, laid.inject_l, laid.starts_l) == (37_500.0, 45_000.0, (0.0, 0.0))
    late = _laid(120.0, _ask(20.0), _ask(15.0, is_late=True), in_turn=True)
    assert (late.prewet_l, late.inject_l, late.starts_l) == (50_000.0, 55_000.0, (0.0, 40_000.0))
    assert not any("is to go late" in reason for reason in _warned(late))
    early = _laid(120.0, _ask(20.0, is_late=True), _ask(15.0), in_turn=True)
    assert early.prewet_l == laid.prewet_l and "is to go late" in _warned(early)[-1]
    both = _laid(120.0, _ask(20.0, is_late=True), _ask(15.0, is_late=True), in_turn=True)
    assert (both.prewet_l, both.inject_l, both.starts_l) == (60_000.0, 45_000.0, (0.0, 0.0))


_WAYS = st.builds(Way, transit_l=st.floats(100.0, 4e4), fill_l=st.floats(0.0, 1e4), flush_l=st.floats(100.0, 6e4))
_M3 = st.floats(0.1, 120.0)


@st.composite
def _asks(draw: st.DrawFn) -> Ask:
    least_m3 = draw(_M3)
    most_m3 = least_m3 * draw(st.sampled_from((1.0, 3.0, 10.0, math.inf)))
    given_m3 = draw(st.none() | st.floats(least_m3, min(most_m3, 300.0 + least_m3)))
    is_fixed = given_m3 is not None and draw(st.booleans())
    return _ask(given_m3, least_m3, most_m3, is_fixed=is_fixed, is_late=draw(st.booleans()))


@given(
    way=_WAYS,
    water_m3=st.floats(1.0, 600.0),
    asks=st.lists(_asks(), min_size=1, max_size=3),
    in_turn=st.booleans(),
    may_add=st.booleans(),
)
def test_what_holds_of_every_shift(way: Way, water_m3: float, asks: list[Ask], in_turn: bool, may_add: bool) -> None:
    """Guards phases: pre-wet >= fill + transit, flush after the last litre, each window in INJECT and in its reach.

    Where it is refused, the minimum that it names does.
    """
    laid = lay_out(1000.0 * water_m3, _FLOW_M3_H, way, asks, in_turn=in_turn, may_add=may_add)
    if _failed(laid):
        needed = lay_out(0.0, _FLOW_M3_H, way, asks, in_turn=in_turn, may_add=True)
        assert not may_add and needed.water_l > laid.water_l
        laid = lay_out(needed.water_l, _FLOW_M3_H, way, asks, in_turn=in_turn, may_add=False)
        assert not _failed(laid)
    assert laid.prewet_l >= way.fill_l + way.transit_l - _ROUNDED_L
    assert laid.prewet_l + laid.inject_l <= laid.water_l - way.flush_l + _ROUNDED_L
    assert min(laid.starts_l) == 0.0
    end_l = 0.0
    for ask, width_l, start_l in zip(asks, laid.widths_l, laid.starts_l, strict=True):
        most_l = ask.given_l if ask.given_l is not None else ask.most_l
        assert ask.least_l - _ROUNDED_L <= width_l <= most_l + _ROUNDED_L
        assert not ask.is_fixed or width_l == pytest.approx(ask.given_l)
        end_l = max(start_l, end_l + way.transit_l if in_turn and end_l else 0.0) + width_l
        assert end_l <= laid.inject_l + _ROUNDED_L
    if all(ask.is_late for ask in asks):
        assert laid.prewet_l + laid.inject_l == pytest.approx(laid.water_l - way.flush_l)


def _two(water: dict[str, float], inject_m3: tuple[float | None, float | None], order: str) -> Decisions:
    doses = (injection(0.12, 1.0), injection(0.09, 1.0, "potassium"))
    injections = [{**dose, "inject_m3": m3} for dose, m3 in zip(doses, inject_m3, strict=True)]
    program = {**dict.fromkeys(WATERED), **water, "injections": injections, "order": order}
    return demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=program)


def _run(decisions: Decisions, rest: Rest | None = None) -> Plan:
    return plan_run(wide(), decisions, "creek_night", "run-1", NOW, rest=rest)


@given(
    water=st.one_of(
        st.builds(lambda m3: {"water_m3": m3}, st.floats(1.0, 40.0)),
        st.builds(lambda minutes: {"water_min": minutes}, st.floats(1.0, 45.0)),
        st.builds(lambda mm: {"water_mm": mm}, st.floats(0.02, 0.9)),
    ),
    inject_m3=st.tuples(st.none() | st.floats(1.9, 8.0), st.none() | st.floats(1.5, 8.0)),
    order=st.sampled_from(("together", "in_turn")),
    share=st.none() | st.floats(0.1, 2.0),
)
def test_water_never_changes_the_dose(
    water: dict[str, float], inject_m3: tuple[float | None, float | None], order: str, share: float | None
) -> None:
    """Guards the invariant of the issue: any water, said in any way, cut or raised tonight, gives the same kg/ha.

    Or the plan is refused, whole: with a share of water tonight it never is.
    """
    decisions = _two(water, inject_m3, order)
    if share is not None:
        tonight = Tonight(night=NOW.date(), do="water_share", water_share=share, why="a test")
        decisions = {**decisions, ("tonight", "less"): tonight}
    try:
        recipe = _run(decisions).recipe
    except PlanError as error:
        assert share is None or share >= 1.0
        assert {check.what for check in error.checks if not check.passed} <= {"shortest shift", "injector range"}
        return
    given_mg = {channel: sum(b.planned_mg[channel]["N"] for b in recipe.blocks) for channel in ("a", "b")}
    assert given_mg == {"a": pytest.approx(0.12 * 4.8e6, abs=2.0), "b": pytest.approx(0.09 * 4.8e6, abs=2.0)}


def test_three_ways_to_say_the_water() -> None:
    """Guards minutes and depth: 30 min at 50.88 m3/h are 25.44 m3, and 0.53 mm on 4.8 ha as much."""
    none = (None, None)
    for water in ({"water_m3": 25.44}, {"water_min": 30.0}, {"water_mm": 0.53}):
        assert _run(_two(water, none, "together")).recipe.water_l == pytest.approx(25_440.0)


def test_late_is_the_stocks_own() -> None:
    """Guards nitrate on sand: a stock that is late ends where the flush begins, one of the middle does not."""
    decisions = dict(_two({"water_m3": 30.0}, (3.0, 3.0), "together"))
    stock = decisions["stock", "potassium"]
    assert isinstance(stock, Stock)
    decisions["stock", "potassium"] = stock.model_copy(update={"position": "late"})
    recipe = _run(decisions).recipe
    assert recipe.prewet_l == pytest.approx((30_000.0 - 3_000.0) / 2.0)
    assert recipe.channels[0].start_l == 0.0
    assert recipe.prewet_l + recipe.channels[1].start_l + 3_000.0 == pytest.approx(30_000.0 - recipe.flush_l)


def test_what_is_left_of_a_run_is_planned_as_it_is() -> None:
    """Guards the half-night: just the stock and the water that are owed, and no less water than pre-wet and flush."""
    decisions = _two({"water_m3": 30.0}, (6.0, 6.0), "together")
    whole = _run(decisions).recipe
    left = _run(decisions, Rest({"potassium": 5.0}, 12.0)).recipe
    assert [(c.stock, c.stock_l) for c in left.channels] == [("potassium", 5.0)] and left.water_l == 12_000.0
    short = _run(decisions, Rest({"potassium": 5.0}, 0.1)).recipe
    assert 0.0 < short.prewet_l and short.water_l == pytest.approx(short.prewet_l + short.inject_l + whole.flush_l)
    water = _run(decisions, Rest({}, 7.0)).recipe
    assert (water.channels, water.water_l, water.flush_l) == ((), 7_000.0, 0.0)


def test_an_injector_of_any_rate_has_half_of_the_water() -> None:
    """Guards the default on the demo's plant: of 84 m3 42 are INJECT's, and 24.2 are kept for the flush."""
    dose = {**injection(3.0, 1.0), "inject_m3": None}
    recipe = plan_run(kestrel(), demo_decisions(program={"injections": [dose]}), "creek_night", "run-1", NOW).recipe
    assert recipe.inject_l == 42_000.0
    assert recipe.water_l - recipe.prewet_l - recipe.inject_l == pytest.approx(recipe.flush_l)
