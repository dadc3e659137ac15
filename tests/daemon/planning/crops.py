"""A crop cycle, its recommendation and a water, for the tests of planning."""

from datetime import timedelta
from typing import Any

from daemon.agronomy.showing import slope_ms_cm_per_g_l
from daemon.agronomy.tank import contents_at
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.crops import Cycle, Recommendation
from daemon.decisions.tanks import Water
from tests.daemon.decisions.tanks import NOW

TODAY = NOW.date()
CYCLE = ("cycle", "mandarins")
RECOMMENDED = ("recommendation", "plan")

WATER = Water(
    on=TODAY,
    ec_ms_cm=0.4,
    ph=7.2,
    ca_mg_l=10.0,
    mg_mg_l=5.0,
    na_mg_l=20.0,
    hco3_mg_l=60.0,
    so4_mg_l=10.0,
    cl_mg_l=30.0,
    nitrate_mg_l=0.0,
    nitrate_as="N",
)


def rise_in_creek(decisions: Decisions, tank: str, g_l: float) -> float:
    """Return what EC shows of so many grams in a litre of `WATER`, of what a tank holds that evening."""
    contents = contents_at(tank, decisions, NOW)
    assert contents is not None
    return g_l * slope_ms_cm_per_g_l(contents, g_l, WATER)


def cycle(**keys: Any) -> dict[tuple[str, str], Decision]:
    """Return a crop cycle of 70 days in one stage, which began yesterday, on the blocks creek and ridge."""
    starts = TODAY - timedelta(days=1)
    body: dict[str, Any] = {
        "crop": "mandarins",
        "blocks": ["creek", "ridge"],
        "starts": starts,
        "ends": starts + timedelta(days=69),
        "stages": [{"name": "fruit_set", "starts": starts}],
        "plants_per_ha": 500.0,
    }
    return {CYCLE: Cycle.model_validate({**body, **keys})}


def recommended(every_days: int = 7, **kg_ha: float) -> dict[tuple[str, str], Decision]:
    """Return a recommendation for that cycle, in events of so many days: ten of a week each."""
    needs = {name: {"kg_ha": amount, "shares": [1.0]} for name, amount in kg_ha.items()}
    body = {"cycle": "mandarins", "by": "R. Okafor", "on": TODAY, "basis": "a test", "every_days": every_days}
    return {RECOMMENDED: Recommendation.model_validate({**body, "needs": needs})}
