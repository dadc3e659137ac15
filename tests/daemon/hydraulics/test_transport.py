"""Where the stock is: conserved, never back from the field, and as explicit laterals with every emitter have it."""

import functools
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.equipment import Block, Lateral, Pipe, Submain
from daemon.hydraulics.pipes import line_path, pipe_volume_l
from daemon.hydraulics.transport import Line, clean_line, displace
from daemon.recipe import LinePath
from tests.daemon.control.plant import kestrel

_PATH = LinePath(main_l=300.0, submain_l=60.0, lateral_l=140.0, transit_l=1000.0, accuracy_pct=10.0)
_STEPS = st.lists(st.tuples(st.floats(0.0, 200.0), st.floats(0.0, 3.0)), max_size=60)
_QUICK = settings(derandomize=True, database=None, deadline=None, max_examples=150)


def _pass(line: Line, steps: list[tuple[float, float]]) -> Line:
    for water_l, stock_l in steps:
        line = displace(line, water_l, stock_l)
    return line


@_QUICK
@given(steps=_STEPS, main_l=st.sampled_from([0.0, 1.0, 300.0]))
def test_stock_is_conserved_and_never_comes_back(steps: list[tuple[float, float]], main_l: float) -> None:
    """Guards mass balance: what went in is in the line or out, and what is out stays out, at every step."""
    line = clean_line(LinePath(main_l, 60.0, 140.0, 1000.0, 10.0))
    given_l = 0.0
    for water_l, stock_l in steps:
        before = line
        line = displace(line, water_l, stock_l)
        given_l += stock_l
        assert line.delivered_l + line.in_lines_l == pytest.approx(given_l, rel=1e-9, abs=1e-9)
        assert line.delivered_l >= before.delivered_l
        assert line.in_submain_l >= 0.0 and line.in_laterals_l >= 0.0
        assert all(stock >= -1e-12 for _, stock in line.parcels)
        assert sum(water for water, _ in line.parcels) == pytest.approx(main_l, abs=1e-6)


@_QUICK
@given(steps=st.lists(st.floats(0.1, 40.0), min_size=1, max_size=40))
def test_nothing_arrives_before_the_main_is_displaced(steps: list[float]) -> None:
    """Guards plug flow: the main is a pure delay, and the first litre after it begins to deliver."""
    line = displace(clean_line(_PATH), 5.0, 1.0)
    passed_l = 5.0
    for water_l in steps:
        line = displace(line, water_l, 0.0)
        passed_l += water_l
        if passed_l <= _PATH.main_l:
            assert line.delivered_l == 0.0
        else:
            assert line.delivered_l > 0.0 or passed_l - _PATH.main_l < 1e-6


@pytest.mark.parametrize("pieces", [2, 5, 50])
def test_steps_may_be_split(pieces: int) -> None:
    """Guards the exact lag: clean water in one step or many carries out the same, once the main is through."""
    loaded = _pass(clean_line(_PATH), [(20.0, 1.0)] * 30)
    whole = displace(displace(loaded, _PATH.main_l, 0.0), 400.0, 0.0)
    split = _pass(displace(loaded, _PATH.main_l, 0.0), [(400.0 / pieces, 0.0)] * pieces)
    # Between the two lags a step is taken as even, so a coarse step errs a little.
    assert split.delivered_l == pytest.approx(whole.delivered_l, rel=0.03)
    fine = _pass(displace(loaded, _PATH.main_l, 0.0), [(4.0, 0.0)] * 100)
    assert split.delivered_l == pytest.approx(fine.delivered_l, rel=0.06 / pieces)


@pytest.mark.parametrize("step_l", [2.0, 5.0, 9.4, 19.0, 47.0])
def test_the_scan_time_does_not_change_the_account(step_l: float) -> None:
    """Guards scans of 0.2 to 5 s at 34 m3/h: through fill, injection and half a flush, within 0.5 % of the dose."""
    path = line_path(_creek())
    finest = _passage(path, 1.0)
    assert _passage(path, step_l) == pytest.approx(finest, abs=0.005)


def _passage(path: LinePath, step_l: float) -> float:
    line = clean_line(path)
    inject, after = round(20_000.0 / step_l), round(6_000.0 / step_l)
    line = _pass(line, [(step_l, 1.0 / inject)] * inject)
    return _pass(line, [(step_l, 0.0)] * after).delivered_l


def test_standing_water_moves_nothing() -> None:
    """Guards the edges: no water and no stock is no step; stock without water waits at the inlet."""
    line = clean_line(_PATH)
    assert displace(line, 0.0, 0.0) is line
    assert displace(line, 10.0, 0.0) is line, "clean water through clean pipes is no work"
    waiting = displace(line, 0.0, 2.0)
    assert waiting.in_lines_l == 2.0 and waiting.delivered_l == 0.0
    assert _pass(waiting, [(10.0, 0.0)] * 400).delivered_l == pytest.approx(2.0, abs=1e-6)


def test_the_size_scales_the_passage() -> None:
    """Guards the pipes' band: a line of 0.9 or 1.1 of the volumes delivers sooner or later, and in the end the same."""
    short, plain, long = (_pass(clean_line(_PATH, size), [(10.0, 0.1)] * 60) for size in (0.9, 1.0, 1.1))
    assert short.delivered_l > plain.delivered_l > long.delivered_l
    assert [_pass(line, [(50.0, 0.0)] * 200).delivered_l for line in (short, plain, long)] == pytest.approx([6.0] * 3)


# Against explicit laterals: every submain outlet and every emitter on its own, no harmonic numbers, no lags.


def _segments(volume_l: float, outlets: int, inflow: float) -> list[float]:
    """Return the inlet-to-outlet time for each equal outlet of a pipe, by adding up its segments, flow drawn off."""
    times, passed = [], 0.0
    for k in range(outlets):
        passed += (volume_l / outlets) / (inflow * (outlets - k) / outlets)
        times.append(passed)
    return times


def _block(main_m: float, main_mm: float, submain: Submain, lateral: Lateral) -> Block:
    pipes = (Pipe(length_m=main_m, bore_mm=main_mm),) if main_m else ()
    return Block(
        area_ha=1.0,
        valve="relays.out1",
        travel_s=5.0,
        pipes=pipes,
        submain=submain,
        lateral=lateral,
        volume_accuracy_pct=10.0,
        flow_accuracy_pct=10.0,
        drains=False,
    )


def _creek() -> Block:
    """Return Kestrel Bend's block alone on the shared main, which is then its own."""
    site = kestrel().site
    return site.block["creek"].model_copy(update={"pipes": site.main.pipes})


_BLOCKS: dict[str, Callable[[], Block]] = {
    "Kestrel Bend": lambda: _creek(),
    "the sheet's three-part network": lambda: _block(
        200.0,
        75.4,
        Submain(length_m=90.0, bore_mm=50.8, laterals=10),
        Lateral(length_m=100.0, bore_mm=13.6, emitters=200, emitter_l_h=1.6),
    ),
    "long laterals on a short main": lambda: _block(
        40.0,
        75.4,
        Submain(length_m=120.0, bore_mm=63.0, laterals=40),
        Lateral(length_m=150.0, bore_mm=15.9, emitters=300, emitter_l_h=1.0),
    ),
    "sprinklers at the injection point": lambda: _block(
        0.0,
        75.4,
        Submain(length_m=180.0, bore_mm=90.0, laterals=30),
        Lateral(length_m=96.0, bore_mm=25.0, emitters=24, emitter_l_h=40.0),
    ),
}


@functools.cache
def _arrivals(name: str) -> tuple[tuple[float, ...], float]:
    """Return when water that enters at 0 leaves each emitter of a block, in litres passed, and the block's own flow."""
    block = _BLOCKS[name]()
    flow = block.flow_m3_h  # any unit does: litres passed at this flow are time
    main_l = sum(map(pipe_volume_l, block.pipes))
    along = _segments(pipe_volume_l(block.submain), block.submain.laterals, 1.0)
    down = _segments(pipe_volume_l(block.lateral), block.lateral.emitters, 1.0 / block.submain.laterals)
    return tuple(main_l + outlet + emitter for outlet in along for emitter in down), flow


def _delivered(arrivals: tuple[float, ...], inject_l: float, passed_l: float) -> float:
    """Return the part of an even injection over `inject_l` that has left the emitters after `passed_l`."""
    out = sum(min(max(passed_l - arrival, 0.0), inject_l) for arrival in arrivals)
    return out / (len(arrivals) * inject_l)


@pytest.mark.parametrize("name", list(_BLOCKS))
def test_the_last_arrival_is_the_planned_transit(name: str) -> None:
    """Guards the transit volume against the sum over the segments of explicit pipes."""
    arrivals, _ = _arrivals(name)
    assert max(arrivals) == pytest.approx(line_path(_BLOCKS[name]()).transit_l, rel=1e-5)


@pytest.mark.parametrize("name", list(_BLOCKS))
def test_the_passage_is_that_of_explicit_laterals(name: str) -> None:
    """Guards delivered against every emitter on its own: 1.5 % of the dose on the way, 0.5 % after flush factor 1.5.

    The outlets of a submain and of its laterals are equal; injection lasts two transits, as the practice has it.
    """
    path = line_path(_BLOCKS[name]())
    arrivals, _ = _arrivals(name)
    inject_l, flush_l = 2.0 * path.transit_l, 1.5 * path.transit_l
    steps = 400
    step_l = (inject_l + flush_l) / steps
    line, worst = clean_line(path), 0.0
    for step in range(steps):
        entered_l = min(step_l, max(0.0, inject_l - step * step_l))
        line = displace(line, step_l, entered_l / inject_l)
        if step % 20 == 0:
            truth = _delivered(arrivals, inject_l, (step + 1) * step_l)
            worst = max(worst, abs(line.delivered_l - truth))
    assert worst <= 0.015
    assert line.delivered_l == pytest.approx(_delivered(arrivals, inject_l, inject_l + flush_l), abs=0.005)
    assert line.delivered_l + line.in_lines_l == pytest.approx(1.0)
