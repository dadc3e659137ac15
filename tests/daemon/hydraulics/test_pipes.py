"""Pipe volumes and the way to the outermost emitter, against figures that were computed elsewhere."""

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.decisions.measured import Transit
from daemon.equipment import Lateral, Pipe, Submain
from daemon.hydraulics.friction import reynolds
from daemon.hydraulics.pipes import fill_l, harmonic, laminar_tail, line_path, pipe_volume_l, shared_main_l
from tests.daemon.control.plant import kestrel
from tests.daemon.hydraulics.blocks import DRIP, block


@pytest.mark.parametrize(
    ("length_m", "bore_mm", "volume_l"),
    [
        (500.0, 103.6, 4214.8),  # domain sheet, H6: main 500 m, 103.6 mm
        (300.0, 150.0, 5301.4),  # domain sheet: main 300 m, 150 mm
        (100.0, 13.6, 14.53),  # domain sheet: lateral 13.6 mm, 100 m
    ],
)
def test_a_pipe_holds_its_volume(length_m: float, bore_mm: float, volume_l: float) -> None:
    """Guards the volume from the inside diameter, to the digits of the domain sheet."""
    digits = 2 if volume_l < 100.0 else 1
    assert round(pipe_volume_l(Pipe(length_m=length_m, bore_mm=bore_mm)), digits) == volume_l


def test_the_time_through_a_main_is_its_volume_over_its_flow() -> None:
    """Guards H6 of the domain sheet: 758.7 s at 20 m3/h."""
    volume_l = pipe_volume_l(Pipe(length_m=500.0, bore_mm=103.6))
    assert volume_l / (20.0 / 3.6) == pytest.approx(758.7, abs=0.1)


@pytest.mark.parametrize(
    ("n", "value"),
    [(1, 1.0), (2, 1.5), (10, 2.928968), (50, 4.499205), (100, 5.187378), (200, 5.878031)],  # domain sheet
)
def test_harmonic_numbers(n: int, value: float) -> None:
    """Guards H_n: the exact sum to the six digits of the domain sheet, the approximation to what it promises."""
    assert harmonic(n) == pytest.approx(value, abs=1e-6 if n <= 100 else 1e-5)


@settings(derandomize=True, database=None, max_examples=60)
@given(n=st.integers(1, 3000))
def test_harmonic_numbers_are_the_plain_sum(n: int) -> None:
    """Guards the approximation beyond a hundred outlets against the sum itself."""
    assert harmonic(n) == pytest.approx(sum(1.0 / k for k in range(1, n + 1)), abs=1e-5)


@pytest.mark.parametrize(
    ("lateral", "seconds"),
    [
        (DRIP, 960.6),  # domain sheet H4
        (Lateral(length_m=100.0, bore_mm=13.6, emitters=100, emitter_l_h=2.0), 1356.4),  # H4
        (Lateral(length_m=150.0, bore_mm=15.9, emitters=500, emitter_l_h=1.0), 1456.7),
        (Lateral(length_m=120.0, bore_mm=16.5, emitters=200, emitter_l_h=1.1), 2468.0),
    ],
)
def test_the_last_emitter_of_a_lateral_is_reached_in_its_time(lateral: Lateral, seconds: float) -> None:
    """Guards t_last = V/Q x H_N for four laterals of the domain sheet."""
    flow_l_s = lateral.emitters * lateral.emitter_l_h / 3600.0
    assert pipe_volume_l(lateral) * harmonic(lateral.emitters) / flow_l_s == pytest.approx(seconds, abs=0.1)


def test_the_three_part_network() -> None:
    """Guards H5 of the domain sheet: main 200 m, submain 90 m with ten laterals, emitter 200: 2610.3 s (EPANET 2612.7).

    The sheet's first lateral leaves at the submain's inlet; past it nine tenths of the flow feed nine laterals.
    """
    submain = Submain(length_m=90.0, bore_mm=50.8, laterals=9)
    nine = block(((200.0, 75.4),), submain, DRIP)
    path, flow_l_s = line_path(nine), nine.flow_m3_h / 3.6
    whole_l_s = flow_l_s * 10.0 / 9.0
    main_s, rest_s = path.main_l / whole_l_s, (path.transit_l - path.main_l) / flow_l_s
    assert main_s == pytest.approx(1004.7, abs=0.1)
    assert path.submain_l * harmonic(9) / flow_l_s == pytest.approx(645.1, abs=0.1)
    assert path.lateral_l * harmonic(200) / flow_l_s == pytest.approx(960.6, abs=0.1)
    assert main_s + rest_s == pytest.approx(2610.3, abs=0.5)
    assert main_s + rest_s == pytest.approx(2612.7, rel=0.001)


def test_a_main_of_several_pipes_and_of_none() -> None:
    """Guards the main: its pipes add up; a block that hangs at the injection point has none."""
    submain = Submain(length_m=10.0, bore_mm=50.0, laterals=4)
    two = line_path(block(((200.0, 75.4), (500.0, 103.6)), submain, DRIP))
    none = line_path(block((), submain, DRIP))
    assert two.main_l == pytest.approx(math.pi / 4 * (0.0754**2 * 200 + 0.1036**2 * 500) * 1000.0)
    assert none.main_l == 0.0 and two.accuracy_pct == 10.0
    assert two.transit_l - none.transit_l == pytest.approx(two.main_l)


def test_blocks_on_a_shared_main_each_have_their_share_of_it() -> None:
    """Guards the shared main: at the block's own flow, a third of the flow passes a third of the main's volume."""
    main = kestrel().site.main
    assert shared_main_l(main) == pytest.approx(4214.8 * 420.0 / 500.0, rel=1e-4)  # domain sheet, H6: per 500 m
    branch = block(((200.0, 75.4),), Submain(length_m=10.0, bore_mm=50.0, laterals=4), DRIP)
    alone, third = line_path(branch), line_path(branch, shared_main_l(main) / 3.0)
    assert third.main_l == pytest.approx(alone.main_l + shared_main_l(main) / 3.0)
    assert third.transit_l - alone.transit_l == pytest.approx(shared_main_l(main) / 3.0)
    assert (third.submain_l, third.lateral_l) == (alone.submain_l, alone.lateral_l)


def test_a_block_holds_its_own_pipes_submain_and_all_laterals() -> None:
    """Guards the fill volume: H6's main of 4,214.8 L, 7 laterals of 14.53 L (domain sheet), and the submain."""
    field = block(((500.0, 103.6),), Submain(length_m=10.0, bore_mm=100.0, laterals=7), DRIP)
    assert fill_l(field) == pytest.approx(4214.8 + 7 * 14.53 + math.pi / 4.0 * 100.0, abs=0.1)
    path = line_path(field)
    assert fill_l(field) == pytest.approx(path.main_l + path.submain_l + path.lateral_l)


def test_what_was_measured_replaces_what_was_computed() -> None:
    """Guards the measured transit: it rules, the computed one stays beside it, and the pipes are scaled alike."""
    field = block(((200.0, 75.4),), Submain(length_m=90.0, bore_mm=50.8, laterals=10), DRIP)
    at = datetime(2026, 11, 4, 2, tzinfo=UTC)
    measured = Transit(litres=2500.0, accuracy_pct=3.0, at=at, by="Ana", how="EC pen, last emitter")
    computed, there = line_path(field, 300.0), line_path(field, 300.0, measured, 300.0)
    assert (computed.computed_l, computed.is_measured) == (computed.transit_l, False)
    assert there.transit_l == pytest.approx(2500.0)
    assert (there.accuracy_pct, there.is_measured) == (3.0, True)
    assert there.computed_l == computed.transit_l
    ratio = 2500.0 / computed.transit_l
    parts = [(path.main_l, path.submain_l, path.lateral_l) for path in (computed, there)]
    assert parts[1] == pytest.approx([part * ratio for part in parts[0]])
    whole_l = there.main_l + there.submain_l * harmonic(10) + there.lateral_l * harmonic(200)
    assert whole_l == pytest.approx(there.transit_l)


def test_a_transit_measured_in_one_shift_holds_in_another() -> None:
    """Guards the flush of a block that was tested beside two others and runs alone: all of the main is on its way."""
    field = block(((200.0, 75.4),), Submain(length_m=90.0, bore_mm=50.8, laterals=10), DRIP)
    in_three, alone = line_path(field, 300.0), line_path(field, 900.0)
    at = datetime(2026, 11, 4, 2, tzinfo=UTC)
    measured = Transit(litres=1.1 * in_three.transit_l, share=1 / 3, accuracy_pct=3.0, at=at, by="Ana", how="EC pen")
    assert line_path(field, 300.0, measured, 300.0).transit_l == pytest.approx(1.1 * in_three.transit_l)
    assert line_path(field, 900.0, measured, 300.0).transit_l == pytest.approx(1.1 * alone.transit_l)


def test_most_of_the_way_down_a_lateral_is_laminar() -> None:
    """Guards the laminar tail: the last 48 of the sheet's 200 emitters, and 76 % of the lateral's transit time."""
    tail = laminar_tail(DRIP)
    assert tail.emitters == 48
    assert tail.share == pytest.approx(0.76, abs=0.005)


@pytest.mark.parametrize("emitter_l_h", [0.6, 1.6, 4.0, 40.0, 200.0])
@pytest.mark.parametrize("emitters", [1, 24, 400])
def test_the_tail_ends_where_the_flow_is_no_longer_laminar(emitters: int, emitter_l_h: float) -> None:
    """Guards the count against each segment's own Reynolds number, none and all of the lateral included."""
    lateral = Lateral(length_m=100.0, bore_mm=16.0, emitters=emitters, emitter_l_h=emitter_l_h)
    slow = [k for k in range(1, emitters + 1) if reynolds(16.0, k * emitter_l_h / 1000.0) < 2000.0]
    tail = laminar_tail(lateral)
    assert tail.emitters == len(slow)
    assert tail.share == pytest.approx(harmonic(len(slow)) / harmonic(emitters) if slow else 0.0)
