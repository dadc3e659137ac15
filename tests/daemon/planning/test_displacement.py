"""A displacement tank by the domain sheet's rows T1 to T3, and by mass that is never lost."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.products import substance_of
from daemon.decisions.base import Decision
from daemon.decisions.tanks import Stock
from daemon.decisions.watering import Program, Shift
from daemon.planning.checks import Check, PlanError
from daemon.planning.displacement import (
    dissolving_l,
    left_g,
    saturated_g_l,
    through_l_for,
    through_l_with_solids,
    washed_out,
)
from daemon.planning.night import plan_run
from tests.daemon.control.sites import every
from tests.daemon.decisions.tanks import NOW, tank_of


@pytest.mark.parametrize(("volumes", "share"), [(1, 0.63212), (2, 0.86466), (3, 0.95021), (4, 0.98168), (5, 0.99326)])
def test_volumes_passed(volumes: float, share: float) -> None:
    """Guards T1 of the domain sheet: 1 - exp(-n), and 98 % after 3.912 volumes."""
    assert washed_out(volumes) == pytest.approx(share, abs=1e-5)
    assert through_l_for(0.98, 1.0) == pytest.approx(3.912, abs=1e-3)
    assert through_l_for(washed_out(volumes), 60.0) == pytest.approx(60.0 * volumes)


def test_undissolved_solids() -> None:
    """Guards T2: 26 kg in 60 L at 120 L/h, 250 g/L dissolve: constant for 22.0 min, 98 % at 122.9 min, 15 kg left."""
    per_min_l = 120.0 / 60.0
    constant_l = dissolving_l(26_000.0, 250.0, 60.0)
    assert constant_l / per_min_l == pytest.approx(22.0, abs=0.1)
    assert left_g(26_000.0, 250.0, 60.0, constant_l) == pytest.approx(15_000.0)
    assert through_l_with_solids(0.98, 26_000.0, 250.0, 60.0) / per_min_l == pytest.approx(122.9, abs=0.1)


def test_a_dissolved_load() -> None:
    """Guards T3: 300 g/L in 60 L at 120 L/h: after 30 min 110.36 g/L are left, and 11.378 kg are out."""
    left = left_g(18_000.0, 300.0, 60.0, 60.0)
    assert left / 60.0 == pytest.approx(110.36, abs=0.01)
    assert (18_000.0 - left) / 1000.0 == pytest.approx(11.378, abs=0.01)


@given(
    load_g=st.floats(1.0, 1e5),
    saturated_g_l=st.floats(10.0, 1000.0),
    tank_l=st.floats(5.0, 500.0),
    share=st.floats(0.01, 0.995),
)
def test_what_has_left_and_what_is_left_are_the_load(
    load_g: float, saturated_g_l: float, tank_l: float, share: float
) -> None:
    """Guards mass: after the litres that take a share out, the rest of the load is what is left; solids only delay."""
    through_l = through_l_with_solids(share, load_g, saturated_g_l, tank_l)
    assert left_g(load_g, saturated_g_l, tank_l, through_l) == pytest.approx((1.0 - share) * load_g)
    assert through_l >= through_l_for(share, tank_l) * (1.0 - 1e-9)


def test_grams_in_a_litre_of_saturated_solution() -> None:
    """Guards the basis: 31.6 g of potassium nitrate to 100 g of water at 20 °C (CRC) are 24.0 % of a 1.16 kg litre."""
    found = saturated_g_l(substance_of("potassium_nitrate", {}), 20.0)
    assert found == pytest.approx(0.2401 * 1160.0, rel=0.02)


_SHARE = 0.98
_TANK_L = 10.0


def _night(g_l: float, coldest_c: float, *others: str) -> tuple[Check, ...]:
    """Return the checks of a night on `every`'s displacement tank of 10 L with potassium nitrate, and its dose."""
    plant = every()
    products = {"potassium_nitrate": g_l}
    decisions: dict[tuple[str, str], Decision] = dict(
        tank_of("nitrate", "e", {"N": 1.0}, product_g_l=g_l, ec_ms_cm_per_g_l=1.0, litres=_TANK_L)
    )
    stock, mix = decisions["stock", "nitrate"], decisions["mix", "e_1"]
    assert isinstance(stock, Stock)
    decisions["stock", "nitrate"] = stock.model_copy(update={"products_g_l": products, "coldest_c": coldest_c})
    portions = [{"product": "potassium_nitrate", "kg": g_l * _TANK_L / 1000.0}]
    decisions["mix", "e_1"] = type(mix).model_validate({**mix.model_dump(), "portions": portions})
    decisions["shift", "shift"] = Shift(blocks=("terrace", "flat"))
    area_ha = sum(block.area_ha for block in plant.site.block.values())
    potassium_g = substance_of("potassium_nitrate", {}).nutrients_g_g["K"] * g_l * _TANK_L * _SHARE
    injections = [{"stock": "nitrate", "nutrient": "K", "dose_kg_ha": potassium_g / 1000.0 / area_ha}]
    for key in ("program", *others):
        decisions["program", key] = Program.model_validate(
            {"shift": "shift", "water_m3": 30.0, "injections": injections, "order": "together"}
        )
    return plan_run(plant, decisions, "program", "run-1", NOW).checks


def test_a_charge_is_for_one_shift() -> None:
    """Guards the warning where two programs count on one tank: 63 / 23 / 8.6 % for each volume that passes."""
    assert not [check for check in _night(150.0, 20.0) if check.what == "one charge"]
    (told,) = [check for check in _night(150.0, 20.0, "second", "third") if check.what == "one charge"]
    assert told.warns and "second, third" in told.reason and "63 / 23 / 8.6 %" in told.reason


def test_solids_that_lie_in_the_tank_are_told_and_refused_where_they_would_stay() -> None:
    """Guards the load: all dissolves, some lies and is washed out nearly as well, and too much is left behind.

    At 20 °C 279 g/L dissolve. Of 9,000 g in 10 L 22.3 L pass until the last has: of what is in then 19 % are
    still there after the 39.1 L that wash a dissolved load out.
    """
    assert not [check for check in _night(250.0, 20.0) if check.what == "undissolved"]
    (told,) = [check for check in _night(300.0, 20.0) if check.what == "undissolved"]
    assert told.warns and "stays as strong until 1 L have passed" in told.reason and "2.0 % stay behind" in told.reason
    with pytest.raises(PlanError, match="Load less, or dissolve it first"):
        _night(900.0, 20.0)
