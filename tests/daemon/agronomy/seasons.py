"""A crop cycle for the tests: two blocks, three stages of 30 days, and what they are said to have had."""

from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from daemon.agronomy.past import Past, PastDose, PastWater
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.crops import Acceptance, Cap, Cycle, Need, OtherSource, Recommendation, Stage
from daemon.decisions.tanks import Water

ZONE = ZoneInfo("Australia/Adelaide")
STARTS = date(2026, 9, 1)
AREAS_HA = {"creek": 3.0, "ridge": 1.0}
STAGES = ("bud", "bloom", "fruit")


def cycle(lengths: tuple[int, ...] = (30, 30, 30), **changes: Any) -> Cycle:
    """Return the cycle with stages of so many days."""
    starts = [STARTS + timedelta(days=sum(lengths[:i])) for i in range(len(lengths))]
    ends = STARTS + timedelta(days=sum(lengths) - 1)
    stages = tuple(Stage(name=name, starts=day) for name, day in zip(STAGES, starts, strict=False))
    whole: dict[str, Any] = {
        "crop": "mandarin",
        "blocks": tuple(AREAS_HA),
        "starts": STARTS,
        "ends": ends,
        "stages": stages,
    }
    return Cycle(**(whole | changes))


def recommendation(kg_ha: float = 60.0, shares: tuple[float, ...] = (0.5, 0.0, 0.5), **changes: Any) -> Recommendation:
    """Return the recommendation of nitrogen for it: 30 kg/ha in bud and in fruit, in an event every 6 days."""
    whole: dict[str, Any] = {
        "cycle": "mandarin_26",
        "by": "Ira",
        "on": STARTS,
        "basis": "leaf test of August",
        "needs": {"N": Need(kg_ha=kg_ha, shares=shares)},
        "every_days": 6,
    }
    if "events" in changes:
        del whole["every_days"]
    return Recommendation(**(whole | changes))


def decided(*more: tuple[str, Decision], **changed: Decision) -> Decisions:
    """Return the cycle and its recommendation with more decisions by key; `cycle` and `plan` take others' place."""
    of_cycle, of_plan = changed.get("cycle", cycle()), changed.get("plan", recommendation())
    return {
        (decision.kind, key): decision
        for key, decision in (("mandarin_26", of_cycle), ("mandarin_plan", of_plan), *more)
    }


def accepted(kg_ha: float, stage: str = "bud") -> Acceptance:
    """Return the operator's word on a shortfall of nitrogen."""
    return Acceptance(recommendation="mandarin_plan", stage=stage, nutrient="N", kg_ha=kg_ha, by="Mina")


def spread(on: date, kg_ha: float, available: float = 1.0, blocks: tuple[str, ...] = ("creek",)) -> OtherSource:
    """Return nitrogen that was spread."""
    return OtherSource(blocks=blocks, on=on, what="spread", kg_ha={"N": kg_ha}, available=available, by="Mina")


def bore(nitrate_mg_l: float, nitrate_as: Literal["N", "NO3"]) -> Water:
    """Return water with so much nitrate."""
    return Water(
        on=STARTS,
        ec_ms_cm=0.6,
        ph=7.4,
        ca_mg_l=40.0,
        mg_mg_l=12.0,
        na_mg_l=30.0,
        hco3_mg_l=150.0,
        so4_mg_l=20.0,
        cl_mg_l=40.0,
        nitrate_mg_l=nitrate_mg_l,
        nitrate_as=nitrate_as,
    )


def cap(kg_ha: float, over: str = "cycle", strict: str = "hard", **changes: Any) -> Cap:
    """Return a cap on nitrogen for each hectare."""
    whole: dict[str, Any] = {"nutrient": "N", "kg_ha": kg_ha, "over": over, "strict": strict, "why": "consent 12"}
    whole["basis"] = "each_hectare"
    return Cap(**(whole | ({"year_starts": "07-01"} if over == "year" else {}) | changes))


def moment(day: date, hour: int = 20, minute: int = 0) -> datetime:
    """Return a time of day in the site's zone."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=ZONE)


def day(number: int) -> date:
    """Return a day of the cycle, its first being 0."""
    return STARTS + timedelta(days=number)


def dose(number: int, kg: float, planned_kg: float | None = None, block: str = "creek", **changes: Any) -> PastDose:
    """Return what a run on the evening of that day of the cycle gave of nitrogen: as planned unless said otherwise."""
    whole: dict[str, Any] = {
        "run": f"run_{number}",
        "block": block,
        "nutrient": "N",
        "at": moment(day(number)),
        "planned_kg": kg if planned_kg is None else planned_kg,
        "delivered_kg": kg,
        "committed_kg": kg,
        "u_kg": 0.1 * kg,
        "is_disputed": False,
        "is_revised": False,
    }
    return PastDose(**(whole | changes))


def doses_of(per_ha: Mapping[int, float], planned_kg_ha: float | None = None) -> Past:
    """Return runs that gave both blocks so many kg/ha on each day, or were planned to."""
    return Past(
        tuple(
            dose(number, kg_ha * area_ha, None if planned_kg_ha is None else planned_kg_ha * area_ha, block)
            for number, kg_ha in per_ha.items()
            for block, area_ha in AREAS_HA.items()
        )
    )


def watered(number: int, m3: float, source: str = "bore", block: str = "creek") -> PastWater:
    """Return the water of a run on that day of the cycle."""
    return PastWater(f"run_{number}", block, moment(day(number)), m3, source)
