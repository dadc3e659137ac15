"""Friction against the `fluids` library (Caleb Bell and contributors), which has the formulas from the papers."""

import math

import fluids
import pytest

from daemon.equipment import Pipe
from daemon.hydraulics.friction import (
    GRAVITY_M_S2,
    SMOOTH_MM,
    WATER_KG_M3,
    darcy_m,
    friction_factor,
    outlets_darcy_m,
    reynolds,
    speed_m_s,
)

_VISCOSITY_PA_S = 1.002e-3
_ROUGHNESSES = (0.0, 1e-6, 1e-5, 1e-4, 1e-3, 1e-2)
_TURBULENT = (5e3, 1e4, 3e4, 1e5, 3e5, 1e6, 1e7)
_BORES_MM = (10.0, 13.6, 16.5, 25.0, 50.8, 75.4, 103.6, 150.0, 300.0)
_SPEEDS_M_S = (0.02, 0.05, 0.1, 0.3, 0.6, 1.0, 1.5, 2.5)


def _m3_h(bore_mm: float, mean_m_s: float) -> float:
    return mean_m_s * math.pi / 4.0 * (bore_mm / 1000.0) ** 2 * 3600.0


@pytest.mark.parametrize("roughness", _ROUGHNESSES)
@pytest.mark.parametrize("re", _TURBULENT)
def test_the_factor_is_swamee_and_jain_s(re: float, roughness: float) -> None:
    """Guards the formula, and its distance from Colebrook's own: 1 %, 3 % at the ends of its range.

    fluids writes 6.97^0.9 for the paper's 5.74, which is 2e-6 of the factor.
    """
    factor = friction_factor(re, roughness)
    assert factor == pytest.approx(fluids.friction.Swamee_Jain_1976(re, roughness), rel=3e-6)
    is_middle = re >= 3e4 and roughness <= 1e-3
    assert factor == pytest.approx(fluids.friction.Colebrook(re, roughness), rel=0.01 if is_middle else 0.03)


@pytest.mark.parametrize("re", [1.0, 50.0, 700.0, 1999.0])
def test_the_laminar_factor(re: float) -> None:
    """Guards 64/Re, whatever the roughness."""
    assert friction_factor(re, 1e-3) == pytest.approx(fluids.friction.friction_laminar(re))


@pytest.mark.parametrize("bore_mm", _BORES_MM)
@pytest.mark.parametrize("mean_m_s", _SPEEDS_M_S)
def test_the_loss_of_a_pipe(bore_mm: float, mean_m_s: float) -> None:
    """Guards units and the whole of Darcy-Weisbach: pressure drop of 80 m by fluids, from kilograms a second."""
    flow_m3_h = _m3_h(bore_mm, mean_m_s)
    re = fluids.Reynolds(V=mean_m_s, D=bore_mm / 1000.0, rho=WATER_KG_M3, mu=_VISCOSITY_PA_S)
    assert speed_m_s(bore_mm, flow_m3_h) == pytest.approx(mean_m_s)
    assert reynolds(bore_mm, flow_m3_h) == pytest.approx(re)
    drop_pa = _drop_pa(80.0, bore_mm, flow_m3_h)
    head_m = drop_pa / (WATER_KG_M3 * GRAVITY_M_S2)
    ours_m = darcy_m(Pipe(length_m=80.0, bore_mm=bore_mm), flow_m3_h)
    if re < 2000.0 or re >= 5000.0:
        assert ours_m == pytest.approx(head_m, rel=1e-9 if re < 2000.0 else 0.03)
    else:
        laminar_m = 64.0 / re * 80.0 / (bore_mm / 1000.0) * mean_m_s**2 / (2.0 * GRAVITY_M_S2)
        assert laminar_m < ours_m < 1.01 * head_m  # fluids takes all of it for turbulent


@pytest.mark.parametrize("outlets", [1, 10, 40, 200])
@pytest.mark.parametrize("bore_mm", [13.6, 50.8, 103.6])
@pytest.mark.parametrize("inlet_m_s", [0.7, 1.5])
def test_the_loss_along_outlets(outlets: int, bore_mm: float, inlet_m_s: float) -> None:
    """Guards the multiple outlets: 80 m by fluids segment by segment, each with the flow that is left, to 6 %."""
    flow_m3_h = _m3_h(bore_mm, inlet_m_s)
    drop_pa = sum(_drop_pa(80.0 / outlets, bore_mm, flow_m3_h * k / outlets) for k in range(1, outlets + 1))
    ours_m = outlets_darcy_m(Pipe(length_m=80.0, bore_mm=bore_mm), outlets, flow_m3_h)
    assert ours_m == pytest.approx(drop_pa / (WATER_KG_M3 * GRAVITY_M_S2), rel=0.06)


def _drop_pa(length_m: float, bore_mm: float, flow_m3_h: float) -> float:
    return float(
        fluids.one_phase_dP(
            m=flow_m3_h / 3600.0 * WATER_KG_M3,
            rho=WATER_KG_M3,
            mu=_VISCOSITY_PA_S,
            D=bore_mm / 1000.0,
            roughness=SMOOTH_MM / 1000.0,
            L=length_m,
        )
    )
