"""Transport: every gram is in a cell or out of an emitter, and arrives when plug flow in real pipes says."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.parts import Block
from sim.site import Site
from sim.transport import BlockLine


def _pipe_l(length_m: float, bore_mm: float) -> float:
    return math.pi / 4.0 * bore_mm**2 * length_m / 1000.0


def _block(main_l: float, submain_l: float, laterals: int) -> Block:
    """A block whose laterals are the domain sheet's: 100 m of 13.6 mm with 200 emitters of 1.6 L/h."""
    return Block(
        "relays.out2", 8.0, main_l, submain_l, laterals, _pipe_l(100.0, 13.6), 200, 1.6, 12.0, 10.0, False, None
    )


LATERAL = _block(0.0, 0.0, 1)
THREE_PARTS = _block(_pipe_l(200.0, 75.4), _pipe_l(90.0, 50.8), 10)


def _shares_out(block: Block) -> list[float]:
    """Push one marked parcel through at nominal flow; return which share of it is out after each second."""
    line = BlockLine(block)
    line.push(block.nominal_l_s, block.nominal_l_s, [(0, 1.0)], 1.0)
    shares: list[float] = []
    while not shares or line.in_pipes_l():
        shares.append(line.delivered_l().get(0, 0.0))
        line.push(block.nominal_l_s, block.nominal_l_s, [], 1.0)
    return [*shares, line.delivered_l()[0]]


@pytest.mark.parametrize(
    ("block", "last_s"),
    [
        pytest.param(LATERAL, 960.6, id="lateral"),
        pytest.param(THREE_PARTS, 1004.7 + 205.2 * 2.928968 + 960.6, id="main, submain, lateral"),
    ],
)
def test_the_outermost_emitter_is_reached_when_published(block: Block, last_s: float) -> None:
    """Guards the tail: 960.6 s (domain sheet, H4) and H5's parts, whose submain of 182.4 L takes 205.2 s x H_10 here.

    H5 has its first lateral at the submain's inlet, ours is one spacing on. The sheet's law is t_last = (volume /
    inflow) x H_N for each pipe with equal outlets, to 0.1 % of EPANET; here nothing knows H_N.
    """
    assert len(_shares_out(block)) - 1 == pytest.approx(last_s, rel=1e-3)


def test_the_mean_stay_is_volume_over_flow() -> None:
    """Guards the bulk: in plug flow with full pipes the mean stay of what leaves is volume / flow, exactly."""
    shares = _shares_out(THREE_PARTS)
    mean_s = sum(second * (now - before) for second, (before, now) in enumerate(pairwise(shares), 1))
    assert mean_s == pytest.approx(THREE_PARTS.volume_l / THREE_PARTS.nominal_l_s, rel=1e-3)


def test_half_the_emitters_are_reached_early() -> None:
    """Guards the shape: half of a lateral's emitters are reached at 112.9 s of 960.6 s (domain sheet)."""
    shares = _shares_out(LATERAL)
    half_s = next(second for second, share in enumerate(shares) if share >= 0.5)
    assert half_s == pytest.approx(112.9, abs=1.0)


def test_nothing_is_smeared_in_the_main() -> None:
    """Guards against numerical dispersion: nothing comes out before the main has been displaced."""
    shares = _shares_out(THREE_PARTS)
    assert shares[int(THREE_PARTS.pipes_l / THREE_PARTS.nominal_l_s)] == 0.0


@pytest.mark.parametrize("factor", [0.88, 1.0, 1.12])
def test_the_pipes_hold_the_block_s_volume(site: Site, factor: float) -> None:
    """Guards that whole cells keep the volume, hidden factor included, and the tail of Kestrel Bend."""
    block = replace(site.block["creek"], pipes_l=1000.0)
    line = BlockLine(block, factor)
    assert line.volume_l() == pytest.approx(block.volume_l * factor, rel=1e-4)
    submain, lateral = (sum(1.0 / k for k in range(1, n + 1)) for n in (block.laterals, block.emitters))
    outermost_l = block.submain_l * submain + block.laterals * block.lateral_l * lateral
    assert line.longest_cells * line.cell_l == pytest.approx(outermost_l * factor, rel=1e-3)


def test_filling_moves_the_own_pipe_and_nothing_behind_the_valve() -> None:
    """Guards the fill: what flows in and not out of the emitters pushes the block's own pipe on, no more."""
    line = BlockLine(THREE_PARTS)
    line.push(0.0, 0.0, [(0, 1.0)], 1.0)
    line.push(2.0 * THREE_PARTS.pipes_l, 0.0, [], 1.0)
    assert line.drained_l(0.0)[0] == 1.0, "it is behind the valve"
    assert line.delivered_l() == {}


def test_what_drains_is_what_is_behind_the_valve() -> None:
    """Guards the low emitters: two thirds gone of what is behind the valve, all kept in front, out stays out."""
    line = BlockLine(THREE_PARTS)
    nominal_l = THREE_PARTS.nominal_l_s
    line.push(nominal_l, nominal_l, [(0, 1.0)], 1.0)
    for _ in range(1500):
        line.push(nominal_l, nominal_l, [], 1.0)
    line.push(nominal_l, nominal_l, [(1, 5.0)], 1.0)
    out_l, in_l = line.delivered_l()[0], line.in_pipes_l()
    assert 0.1 < out_l < 0.9
    assert line.drained_l(1.0 / 3.0)[0] == pytest.approx(2.0 / 3.0 * in_l[0])
    line.drain(1.0 / 3.0)
    assert line.drained_l() == pytest.approx({0: 2.0 / 3.0 * in_l[0]})
    assert line.in_pipes_l() == pytest.approx({0: in_l[0] / 3.0, 1: 5.0})
    assert line.delivered_l()[0] == pytest.approx(out_l)


@given(
    pushes=st.lists(
        st.tuples(
            st.floats(0.0, 30.0),
            st.sampled_from([1.0, 0.5, 0.0]),
            st.lists(st.tuples(st.integers(0, 2), st.floats(0.0, 5.0)), max_size=2),
            st.sampled_from([1.0, 0.37]),
            st.sampled_from([1.0, 1.0, 0.8]),
        ),
        max_size=40,
    ),
    laterals=st.integers(1, 12),
)
def test_mass_in_is_mass_in_the_pipes_and_out(
    pushes: list[tuple[float, float, list[tuple[int, float]], float, float]], laterals: int
) -> None:
    """Guards the balance of every batch after every push, to 1e-9, whatever flows, fills and drains."""
    line = BlockLine(replace(_block(0.5, 0.8, laterals), lateral_l=0.05, emitters=9))
    given_l: dict[int, float] = {}
    for inflow_l, emitted, stock, share, kept in pushes:
        line.push(inflow_l, inflow_l * emitted, stock, share)
        if kept < 1.0:
            line.drain(kept)
        for batch, litres in stock:
            given_l[batch] = given_l.get(batch, 0.0) + litres * share
        found_l = (line.delivered_l(), line.in_pipes_l(), line.drained_l())
        for batch, litres in given_l.items():
            assert sum(part.get(batch, 0.0) for part in found_l) == pytest.approx(litres, rel=1e-9, abs=1e-12)
