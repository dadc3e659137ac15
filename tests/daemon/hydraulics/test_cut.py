"""A flush that is cut short, against EPANET's figures of the domain sheet and against every emitter on its own."""

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.decisions.measured import Transit
from daemon.equipment import Block, Lateral, Submain
from daemon.hydraulics.cut import Received, received
from daemon.hydraulics.pipes import line_path, pipe_volume_l
from tests.daemon.hydraulics.blocks import DRIP, block

_QUICK = settings(derandomize=True, database=None, deadline=None, max_examples=120)


def _last_lateral() -> Block:
    """Return the last lateral of the sheet's H5 as a block: 1,649.8 s of its own flow stand before its inlet."""
    metre_l = pipe_volume_l(DRIP) / DRIP.length_m
    before_m = (1004.7 + 645.1) * DRIP.emitters * DRIP.emitter_l_h / 3600.0 / metre_l
    return block(((before_m, DRIP.bore_mm),), Submain(length_m=1e-6, bore_mm=50.0, laterals=1), DRIP)


@pytest.mark.parametrize(
    ("after_s", "mean", "last", "low_quarter"),
    [(1200.0, 0.66, 0.22, 0.81), (2000.0, 0.989, 0.66, 0.968), (2400.0, 0.999, 0.88, 0.998), (2700.0, 1.0, 1.0, 1.0)],
)
def test_a_flush_too_short_leaves_the_last_emitters_short(
    after_s: float, mean: float, last: float, low_quarter: float
) -> None:
    """Guards the domain sheet's four cuts (EPANET, its last lateral, half an hour injected), to half a point."""
    flow_l_s = DRIP.emitters * DRIP.emitter_l_h / 3600.0
    got = received(_last_lateral(), 1.0, 0.0, 1800.0 * flow_l_s, after_s * flow_l_s)
    assert got == pytest.approx((mean, last, low_quarter), abs=0.005)


@_QUICK
@given(
    laterals=st.integers(1, 12),
    emitters=st.integers(1, 40),
    share=st.floats(0.1, 1.0),
    shared_main_l=st.floats(0.0, 3000.0),
    inject=st.floats(0.05, 3.0),
    after=st.floats(-0.5, 1.5),
)
def test_it_is_every_emitter_on_its_own(
    laterals: int, emitters: int, share: float, shared_main_l: float, inject: float, after: float
) -> None:
    """Guards the counting a lateral at a time: mean, outermost and worst quarter as sorting all emitters has them."""
    field = block(
        ((150.0, 75.4),),
        Submain(length_m=90.0, bore_mm=63.0, laterals=laterals),
        Lateral(length_m=100.0, bore_mm=16.0, emitters=emitters, emitter_l_h=2.0),
    )
    path = line_path(field, share * shared_main_l)
    inject_l, after_l = inject * path.transit_l / share, after * path.transit_l / share
    dose = sorted(
        min(max(((inject_l + after_l) * share - path.main_l - along_l - down_l) / (inject_l * share), 0.0), 1.0)
        for along_l in _summed(path.submain_l, laterals)
        for down_l in _summed(path.lateral_l, emitters)
    )
    worst, mean = dose[: max(1, len(dose) // 4)], sum(dose) / len(dose)
    quarter = sum(worst) / len(worst) / mean if mean else 0.0
    got = received(field, share, shared_main_l, inject_l, after_l)
    assert got == pytest.approx((mean, dose[0], quarter), abs=1e-6)


def _summed(volume_l: float, outlets: int) -> list[float]:
    return [sum(volume_l / (outlets - i) for i in range(k)) for k in range(1, outlets + 1)]


@_QUICK
@given(after=st.lists(st.floats(-1.0, 1.6), min_size=2, max_size=6))
def test_more_water_never_leaves_less(after: list[float]) -> None:
    """Guards the order: mean and last only rise with the water that follows, and the last is never above the mean."""
    field = _last_lateral()
    transit_l = line_path(field).transit_l
    got = [received(field, 1.0, 0.0, transit_l, part * transit_l) for part in sorted(after)]
    assert got == sorted(got, key=lambda each: (each.mean, each.last))
    assert all(0.0 <= each.last <= each.mean + 1e-12 <= 1.0 + 2e-12 for each in got)


def test_before_the_first_drop_none_has_any() -> None:
    """Guards the edge: water that stops while all stock is in the main leaves nothing anywhere."""
    field = _last_lateral()
    assert received(field, 1.0, 0.0, 50.0, 0.0) == Received(0.0, 0.0, 0.0)


def test_the_shift_s_litres_are_shared_out() -> None:
    """Guards the units: a block with a quarter of the flow sees a quarter of the litres, and of the shared main."""
    field = _last_lateral()
    whole = received(field, 1.0, 100.0, 200.0, 220.0)
    assert 0.1 < whole.last < whole.mean < 0.9
    assert received(field, 0.25, 400.0, 800.0, 880.0) == pytest.approx(whole)


def test_a_measured_transit_moves_the_cut() -> None:
    """Guards the measured way: pipes that take a fifth more water deliver at a fifth more of all litres alike."""
    field = _last_lateral()
    computed_l = line_path(field).transit_l
    at = datetime(2026, 11, 4, 2, tzinfo=UTC)
    longer = Transit(litres=1.2 * computed_l, accuracy_pct=3.0, at=at, by="Ana", how="EC pen, last emitter")
    got = received(field, 1.0, 0.0, 1.2 * 200.0, 1.2 * 150.0, longer)
    assert got == pytest.approx(received(field, 1.0, 0.0, 200.0, 150.0))
    assert received(field, 1.0, 0.0, 200.0, computed_l) == Received(1.0, 1.0, 1.0)
    assert received(field, 1.0, 0.0, 200.0, computed_l, longer).last < 1.0
