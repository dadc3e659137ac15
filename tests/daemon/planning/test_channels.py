"""One channel's dose, by hand, for each kind of injector: what it can do is planned, what it cannot is refused."""

import math
from typing import Any

import pytest

from daemon.agronomy.contents import Contents
from daemon.equipment import DisplacementTank, DutyPump, FixedRatePump, Injector, Pipe, Venturi
from daemon.planning.channels import ChannelDose, plan_channel
from tests.daemon.control.plant import kestrel
from tests.daemon.decisions.tanks import MIXED_AT

_CONTENTS = Contents(
    tank="a",
    stock="calcium",
    batch="a_1",
    since=MIXED_AT,
    litres=1000.0,
    products_g_l={"calcium_bag": 200.0},
    nutrients_g_l={"N": 32.0, "Ca": 37.0},
    nitrogen_g_l={"nitrate": 32.0},
    product_g_l=200.0,
    solutes=(),
    made_with=None,
    ec_ms_cm_per_g_l=1.056,
    products_ec_ms_cm_per_g_l=1.1,
    bucket_g_l=None,
    strength_accuracy_pct=2.0,
)
_FLOW_M3_H = 40.0
_STOCK_L_PER_KG_HA = 4.0 * 1000.0 / 32.0
"""4 ha, 32 g/L of nitrogen."""


def _injector(kind: type[Injector] | None, **keys: Any) -> Injector:
    """Return an injector of `kind` in the place of the plant's own; None for that one itself."""
    own = kestrel().site.injector["a"]
    if kind is None:
        return own
    shared: dict[str, Any] = {"tank": "a", "valve": "relays.out3", "meter": own.meter}
    shared |= {"stroke_window_s": 10.0, "pressure_kpa": 800.0, "rate_l_h": 200.0, "rate_accuracy_pct": 5.0}
    shared |= {"run": "relays.out4"} if "run" in kind.model_fields else {}
    (name,) = kind.model_fields["kind"].annotation.__args__  # type: ignore[union-attr]
    return kind(kind=name, **{**shared, **keys})


def _dose(injector: Injector, dose_kg_ha: float, inject_m3: float) -> ChannelDose:
    """Return the dose of 4 ha at 40 m3/h: 125 L of stock for each kg of nitrogen a hectare."""
    site = kestrel().site.model_copy(update={"injector": {"a": injector}})
    return plan_channel(site, "a", _CONTENTS, _STOCK_L_PER_KG_HA * dose_kg_ha, inject_m3, _FLOW_M3_H)


def _failed(dose: ChannelDose) -> list[str]:
    return [check.what for check in dose.checks if not check.passed]


def test_a_metering_pump_by_hand() -> None:
    """Guards the dose: 2 kg/ha x 4 ha / 32 g/L = 250 L over 50 m3 are 1:200, 200 L/h at 40 m3/h, 1 g/L of product."""
    dose = _dose(_injector(None), 2.0, 50.0)
    assert (dose.channel, dose.stock_l, dose.inject_l) == ("a", 250.0, 50_000.0)
    assert dose.ratio == pytest.approx(1.0 / 200.0) and dose.line_g_l == pytest.approx(1.0)
    assert dose.hose_l == 0.0 and not _failed(dose)


@pytest.mark.parametrize(
    ("inject_m3", "is_right"), [(19.9, False), (20.0, True), (50.0, True), (200.0, True), (201.0, False)]
)
def test_a_metering_pump_is_paced_within_its_curve(inject_m3: float, is_right: bool) -> None:
    """Guards the curve's ends, 50 and 500 L/h: 250 L over 200 m3 and over 20 m3 at 40 m3/h, and not beyond."""
    dose = _dose(_injector(None), 2.0, inject_m3)
    assert _failed(dose) == ([] if is_right else ["injector range"])
    assert dose.inject_l == inject_m3 * 1000.0


@pytest.mark.parametrize(("inject_m3", "is_right"), [(49.9, False), (50.0, True), (250.0, True), (251.0, False)])
def test_a_duty_pump_is_paced_between_its_shortest_on_time_and_all_of_the_time(
    inject_m3: float, is_right: bool
) -> None:
    """Guards the duty: 200 L/h on for 2 s of every 10 s are 40 L/h, on all the time 200 L/h."""
    dose = _dose(_injector(DutyPump, window_s=10.0, min_on_s=2.0), 2.0, inject_m3)
    assert _failed(dose) == ([] if is_right else ["injector range"])
    assert any("40 to 200 L/h" in check.reason for check in dose.checks)


@pytest.mark.parametrize("kind", [FixedRatePump, Venturi])
@pytest.mark.parametrize(("inject_m3", "is_right"), [(49.9, False), (50.0, True), (80.0, True)])
def test_one_rate_makes_its_own_ratio(kind: type[Injector], inject_m3: float, is_right: bool) -> None:
    """Guards a pump of one rate: 250 L at 200 L/h take 1.25 h, 50 m3 of water; more water is not injected into."""
    dose = _dose(_injector(kind), 2.0, inject_m3)
    assert _failed(dose) == ([] if is_right else ["injector range"])
    assert any("needs 50.0 m3 of water" in check.reason for check in dose.checks)
    assert dose.inject_l == pytest.approx(min(50.0, inject_m3) * 1000.0)
    assert dose.ratio == pytest.approx(250.0 / dose.inject_l)


def test_a_displacement_tank_is_washed_out_whole() -> None:
    """Guards the wash-out of a mixed tank, 1 - exp(-v/V): 98 % of 1000 L take 3.912 x 1000 L, at 200 L/h 782.4 m3."""
    dose = _dose(_injector(DisplacementTank), 7.84, 800.0)  # 980 L of the tank's strength
    assert dose.stock_l == pytest.approx(980.0) and not _failed(dose)
    assert dose.inject_l == pytest.approx(-math.log(0.02) * 1000.0 * 200.0) == pytest.approx(782_405.0, abs=1.0)
    short = _dose(_injector(DisplacementTank), 7.84, 700.0)
    assert _failed(short) == ["injector range"]
    assert any("needs 782.4 m3 of water" in check.reason for check in short.checks)


@pytest.mark.parametrize("dose_kg_ha", [1.0, 7.6, 8.0, 8.4])
def test_a_displacement_tank_cannot_be_left_half_washed(dose_kg_ha: float) -> None:
    """Guards its load: less than the tank holds, all of it and more are refused, and never crash the plan."""
    dose = _dose(_injector(DisplacementTank), dose_kg_ha, 10_000.0)
    assert _failed(dose) == ["tank load"]
    (reason,) = [check.reason for check in dose.checks if check.what == "tank load"]
    assert "of a full tank 980 L come" in reason and f"this dose is {125.0 * dose_kg_ha:.0f} L" in reason


def test_what_the_tank_holds_bounds_the_dose() -> None:
    """Guards the tank: stock and low level fit to the last litre of its 1000, and no further."""
    assert not _failed(_dose(_injector(None), 960.0 / 125.0, 100.0))
    assert _failed(_dose(_injector(None), 961.0 / 125.0, 100.0)) == ["tank size"]


@pytest.mark.parametrize(("inject_m3", "is_strong"), [(25.0, False), (24.9, True)])
def test_a_strong_line_warns_and_passes(inject_m3: float, is_strong: bool) -> None:
    """Guards a warning that is no refusal: 250 L of 200 g/L over less than 25 m3 are more than 2 g/L."""
    dose = _dose(_injector(None), 2.0, inject_m3)
    (strength,) = [check for check in dose.checks if check.what == "line strength"]
    assert strength.passed and ("strong" in strength.reason) == is_strong


def test_a_hose_holds_what_enters_first() -> None:
    """Guards the hose: 8 m of 20 mm hold 2.51 L."""
    hose = Pipe(length_m=8.0, bore_mm=20.0)
    dose = _dose(_injector(None).model_copy(update={"hose": hose}), 2.0, 50.0)
    assert dose.hose_l == pytest.approx(2.513, abs=0.001)
