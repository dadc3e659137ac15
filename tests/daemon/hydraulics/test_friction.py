"""Friction against the domain sheet's figures, and where the laws meet."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.equipment import Pipe
from daemon.hydraulics.friction import (
    christiansen,
    darcy_m,
    friction_factor,
    hazen_williams_m,
    outlets_darcy_m,
    outlets_factor,
    reynolds,
    speed_m_s,
)

_HUNDRED = Pipe(length_m=100.0, bore_mm=100.0)
_QUICK = settings(derandomize=True, database=None, deadline=None, max_examples=100)


@pytest.mark.parametrize(
    ("re", "roughness", "factor"),
    [(1e5, 1e-4, 0.0184524), (5e4, 1e-3, 0.024181), (2e5, 1e-5, 0.015624), (1e6, 2e-4, 0.014771)],
)
def test_swamee_jain(re: float, roughness: float, factor: float) -> None:
    """Guards H1 of the domain sheet (computed with fluids), to its last digit."""
    assert friction_factor(re, roughness) == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize(
    ("re", "roughness", "factor"),
    [(1e5, 1e-4, 0.0185139), (5e4, 1e-3, 0.024021), (2e5, 1e-5, 0.015719), (1e6, 2e-4, 0.014683)],
)
def test_the_explicit_formula_is_near_colebrook_s(re: float, roughness: float, factor: float) -> None:
    """Guards what Swamee and Jain promise, 1 % of Colebrook's, at the domain sheet's four points."""
    assert friction_factor(re, roughness) == pytest.approx(factor, rel=0.01)


def test_ten_litres_a_second_through_a_hundred_metres() -> None:
    """Guards H2 of the domain sheet by both laws: speed, Reynolds number, factor and head of the same pipe."""
    assert speed_m_s(100.0, 36.0) == pytest.approx(1.2732, abs=1e-4)
    assert reynolds(100.0, 36.0) == pytest.approx(126_841.0, abs=1.0)
    assert friction_factor(126_841.0, 1.5e-5) == pytest.approx(0.01711, abs=1e-5)
    assert darcy_m(_HUNDRED, 36.0) == pytest.approx(1.4145, abs=1e-4)
    assert hazen_williams_m(_HUNDRED, 36.0, 150.0) == pytest.approx(1.4603, abs=1e-4)


def test_standing_water_loses_nothing() -> None:
    """Guards the edge: no flow, no head."""
    assert darcy_m(_HUNDRED, 0.0) == 0.0
    assert hazen_williams_m(_HUNDRED, 0.0, 150.0) == 0.0


@pytest.mark.parametrize("bore_mm", [13.6, 50.8])
def test_laminar_flow_is_poiseuille_s(bore_mm: float) -> None:
    """Guards 64/Re against Hagen-Poiseuille, 32 ν L v / (g d²), and its being linear in the flow."""
    pipe, flow_m3_h = Pipe(length_m=10.0, bore_mm=bore_mm), 1e-3 * bore_mm
    speed = speed_m_s(bore_mm, flow_m3_h)
    head_m = 32.0 * (1.002e-3 / 998.2) * 10.0 * speed / (9.80665 * (bore_mm / 1000.0) ** 2)
    assert darcy_m(pipe, flow_m3_h) == pytest.approx(head_m)
    assert darcy_m(pipe, flow_m3_h / 4.0) == pytest.approx(head_m / 4.0)


@_QUICK
@given(flow_m3_h=st.floats(1e-4, 100.0), more=st.floats(1.0001, 3.0), bore_mm=st.floats(8.0, 300.0))
def test_more_flow_loses_more_head(flow_m3_h: float, more: float, bore_mm: float) -> None:
    """Guards the way from laminar to turbulent: no step down anywhere as the flow rises."""
    pipe = Pipe(length_m=50.0, bore_mm=bore_mm)
    assert darcy_m(pipe, flow_m3_h * more) > darcy_m(pipe, flow_m3_h)


@pytest.mark.parametrize("re", [2000.0, 5000.0])
@pytest.mark.parametrize("roughness", [0.0, 1e-4, 1e-2])
def test_the_factor_does_not_jump(re: float, roughness: float) -> None:
    """Guards where the laws meet: either side of 2,000 and of 5,000 the factor is the same."""
    before, after = (friction_factor(re * (1.0 + step), roughness) for step in (-1e-9, 1e-9))
    assert before == pytest.approx(after, rel=1e-6)


@pytest.mark.parametrize(
    ("exponent", "outlets", "factor"),
    [
        *((1.852, n, f) for n, f in ((2, 0.6391), (5, 0.4568), (10, 0.4022), (20, 0.3760))),
        *((1.852, n, f) for n, f in ((50, 0.3607), (100, 0.3556), (200, 0.3531))),
        *((1.75, n, f) for n, f in ((10, 0.4151), (20, 0.3890), (100, 0.3687))),
    ],
)
def test_christiansen(exponent: float, outlets: int, factor: float) -> None:
    """Guards H3 of the domain sheet: F to its four digits, and ours beside it (0.6385 for two outlets)."""
    assert christiansen(outlets, exponent) == pytest.approx(factor, abs=5.1e-5)
    ours = 0.6385 if outlets == 2 else factor
    assert outlets_factor(outlets, exponent) == pytest.approx(ours, abs=1.1e-4)


@_QUICK
@given(outlets=st.integers(1, 600), exponent=st.floats(1.0, 2.0))
def test_the_factor_is_the_sum_over_the_segments(outlets: int, exponent: float) -> None:
    """Guards the exact sum and the change to Christiansen's F beyond ten outlets, to 1e-3."""
    summed = math.fsum(k**exponent for k in range(1, outlets + 1)) / outlets ** (exponent + 1.0)
    assert outlets_factor(outlets, exponent) == pytest.approx(summed, rel=1e-3)


@pytest.mark.parametrize("bore_mm", [10.0, 13.6, 20.0, 50.8, 103.6])
@pytest.mark.parametrize("outlets", [1, 2, 10, 11, 40, 400])
@pytest.mark.parametrize("inlet_m_s", [0.05, 0.2, 0.5, 1.0, 1.5])
def test_a_pipe_with_outlets_loses_what_its_segments_do(bore_mm: float, outlets: int, inlet_m_s: float) -> None:
    """Guards the one exponent for a whole pipe, laminar end included: to 2.5 %.

    Where flow is between the two laws at the inlet or close behind it (Reynolds under 10,000) it may miss 6 %.
    """
    flow_m3_h = inlet_m_s * math.pi / 4.0 * (bore_mm / 1000.0) ** 2 * 3600.0
    segment = Pipe(length_m=80.0 / outlets, bore_mm=bore_mm)
    summed_m = math.fsum(darcy_m(segment, flow_m3_h * k / outlets) for k in range(1, outlets + 1))
    is_between = 2_000.0 <= reynolds(bore_mm, flow_m3_h) < 10_000.0
    head_m = outlets_darcy_m(Pipe(length_m=80.0, bore_mm=bore_mm), outlets, flow_m3_h)
    assert head_m == pytest.approx(summed_m, rel=0.06 if is_between else 0.025)
