"""Plug flow in a full pipe."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.plug import Plug, Stock, add


def test_what_goes_in_comes_out_after_the_pipe_s_volume() -> None:
    """Guards the delay: mean litres pushed until a drop leaves = volume, whatever the cells; all within one cell."""
    for volume_l, cell_l in ((4214.8, 10.0), (53.0, 7.0), (5.0, 9.0)):
        pipe = Plug(volume_l, cell_l)
        waited: list[float] = []
        pushed = gone = 0
        entered: list[float] = []
        while len(waited) < 2000:
            pushed += 1
            entered.append(float(pushed))
            out = pipe.push(0.5, [(1, 1.0)], 1.0)
            for _ in range(round(out[1]) if out else 0):
                waited.append(0.5 * (pushed - entered[gone]))
                gone += 1
        assert sum(waited) / len(waited) == pytest.approx(volume_l, rel=0.01, abs=0.5)
        assert max(waited) - min(waited) <= cell_l + 0.5


def test_water_that_runs_back_takes_what_came_last() -> None:
    """Guards the backflow: the newest stock leaves by the inlet first, and what stays comes out later than it would."""
    pipe = Plug(100.0, 10.0)
    for batch in (1, 2, 3):
        pipe.push(20.0, [(batch, 1.0)], 1.0)
    assert set(pipe.back(15.0)) == {3}
    assert set(pipe.back(20.0)) == {2}
    assert pipe.held_l() == {1: 1.0}


@given(
    st.lists(
        st.tuples(st.booleans(), st.floats(0.0, 40.0), st.integers(0, 2), st.floats(0.0, 5.0)),
        max_size=60,
    ),
    st.floats(0.0, 80.0),
)
def test_mass_in_is_mass_held_and_out(pushes: list[tuple[bool, float, int, float]], volume_l: float) -> None:
    """Guards the balance of every batch to 1e-12, forward and back, whatever flows."""
    pipe = Plug(volume_l, 7.0)
    given_l, out_l = Stock(), Stock()
    for forward, flow_l, batch, litres in pushes:
        if forward:
            add(given_l, [(batch, litres)], 0.7)
            add(out_l, (pipe.push(flow_l, [(batch, litres)], 0.7) or {}).items(), 1.0)
        else:
            add(out_l, pipe.back(flow_l).items(), 1.0)
        held_l = pipe.held_l()
        for batch_, total in given_l.items():
            assert out_l.get(batch_, 0.0) + held_l.get(batch_, 0.0) == pytest.approx(total, rel=1e-12, abs=1e-12)
