"""A pump test: what the pump gives the water for the power that it takes, and what a better one would save."""

import math
from typing import Final, NamedTuple

from daemon.dosing.agreement import Estimate
from daemon.hydraulics.friction import GRAVITY_M_S2, WATER_KG_M3, speed_m_s

_KWH_A_ML_A_M: Final = WATER_KG_M3 * GRAVITY_M_S2 / 3600.0
"""What lifting a megalitre by a metre takes without any loss, in kWh: 2.72."""


class Duty(NamedTuple):
    """One duty point as it was read. Each with its k = 2, in the same unit."""

    flow_m3_h: Estimate
    pressure_kpa: Estimate
    """At the gauge behind the pump."""
    gauge_m: float
    """Of the gauge above the water's surface: the lift; less than 0 where the water flows to the pump."""
    power_kw: Estimate
    """Electrical, at the motor's or the drive's supply."""
    bore_mm: float
    """Of the pipe at the gauge."""
    suction_loss_m: float = 0.0


class PumpResult(NamedTuple):
    """What a duty point came to."""

    head_m: Estimate
    water_kw: Estimate
    efficiency_pct: Estimate
    """Overall: pump, motor and drive together."""
    kwh_per_ml: Estimate
    kwh_per_ml_m: Estimate


def water_kw(flow_m3_h: float, head_m: float, water_kg_m3: float = WATER_KG_M3) -> float:
    """Return the power that is in the water."""
    return water_kg_m3 * GRAVITY_M_S2 * flow_m3_h / 3600.0 * head_m / 1000.0


def pump_result(duty: Duty) -> PumpResult:
    """Return head, efficiency and energy of a duty point, each with its k = 2 in quadrature (GUM, 5.1.2).

    Raises ValueError where flow, power or head is not above 0: nothing is pumped then.
    """
    for name, found in (("flow", duty.flow_m3_h), ("power", duty.power_kw)):
        if not found.value > 0.0:
            raise ValueError(f"{name}: got {found.value:g}; expected more than 0, with the pump running")
    pascal_m = 1000.0 / (WATER_KG_M3 * GRAVITY_M_S2)
    speed = speed_m_s(duty.bore_mm, duty.flow_m3_h.value)
    head_m = duty.pressure_kpa.value * pascal_m + duty.gauge_m + duty.suction_loss_m + speed**2 / (2.0 * GRAVITY_M_S2)
    if not head_m > 0.0:
        raise ValueError(f"got a head of {head_m:.1f} m; expected more than 0: look at the gauge and its height")
    head = Estimate(head_m, duty.pressure_kpa.u * pascal_m)
    power = water_kw(duty.flow_m3_h.value, head_m)
    flow_part, power_part = _part(duty.flow_m3_h), _part(duty.power_kw)
    lifted = Estimate(power, power * math.hypot(flow_part, _part(head)))
    efficiency_pct = 100.0 * power / duty.power_kw.value
    per_ml = duty.power_kw.value / duty.flow_m3_h.value * 1000.0
    all_parts = math.hypot(flow_part, _part(head), power_part)
    return PumpResult(
        head_m=head,
        water_kw=lifted,
        efficiency_pct=Estimate(efficiency_pct, efficiency_pct * all_parts),
        kwh_per_ml=Estimate(per_ml, per_ml * math.hypot(flow_part, power_part)),
        kwh_per_ml_m=Estimate(per_ml / head_m, per_ml / head_m * all_parts),
    )


def lifting_kwh_per_ml_m(efficiency_pct: float) -> float:
    """Return what lifting a megalitre by a metre takes at an overall efficiency."""
    return 100.0 * _KWH_A_ML_A_M / efficiency_pct


def saved_kwh(found: PumpResult, better_pct: float, season_ml: float) -> float:
    """Return what a season's water would take less at a better efficiency; 0 where it is no better."""
    now_pct = found.efficiency_pct.value
    return max(0.0, found.kwh_per_ml.value * season_ml * (1.0 - now_pct / better_pct))


def _part(estimate: Estimate) -> float:
    return estimate.u / estimate.value
