"""A cycle's account put together from its parts, and blocks and seasons beside each other."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.agronomy.past import Past, PastDose, PastDraw, PastRun, PastWater
from daemon.decisions.base import Decision
from daemon.decisions.crops import Cycle, Stage
from daemon.decisions.tanks import Mix, Portion, Stock
from daemon.planning.season import compared, days_of, season_of

_ZONE = ZoneInfo("Australia/Adelaide")
_AREAS_HA = {"creek": 2.0, "ridge": 1.0}
_NOW = datetime(2026, 10, 20, 7, tzinfo=_ZONE)
_SALT = "calcium_nitrate_double_salt"


def _cycle(year: int, blocks: tuple[str, ...] = ("creek", "ridge")) -> Cycle:
    starts, ends = date(year, 7, 1), date(year + 1, 6, 30)
    return Cycle(crop="mandarins", blocks=blocks, starts=starts, ends=ends, stages=(Stage(name="all", starts=starts),))


def _given(run: str, at: datetime) -> tuple[PastDose, PastWater, PastRun]:
    return (
        PastDose(run, "creek", "N", at, 12.0, 10.0, 10.5, 0.3, False, False),
        PastWater(run, "creek", at, 80.0, ""),
        PastRun(run, at, {"creek": 100.0}, {"creek": 78.0}, (PastDraw("a", "fill", 90.0, 1.0),)),
    )


_DECISIONS: dict[tuple[str, str], Decision] = {
    ("cycle", "now"): _cycle(2026),
    ("cycle", "before"): _cycle(2025, ("creek",)),
    ("stock", "calcium"): Stock(tank="a", products_g_l={_SALT: 200.0}, coldest_c=8.0, strength_accuracy_pct=2.0),
    ("mix", "fill"): Mix(
        tank="a", did="filled", at=datetime(2026, 10, 6, 8, tzinfo=_ZONE), by="Mina", heel_l=0.0, stock="calcium",
        portions=(Portion(product=_SALT, kg=200.0),), filled_to_l=1000.0,
    ),
}  # fmt: skip
_NIGHTS = [
    _given("r1", datetime(2025, 10, 13, 22, tzinfo=_ZONE)),
    _given("r2", datetime(2026, 10, 13, 22, tzinfo=_ZONE)),
]
_PAST = Past(tuple(dose for dose, _, _ in _NIGHTS), tuple(water for _, water, _ in _NIGHTS))
_RUNS = [run for _, _, run in _NIGHTS]


def test_an_account_is_of_its_own_cycle() -> None:
    """Last year's night is last year's: in kg/ha of the block, in litres of the tank, in water."""
    began = datetime(2025, 9, 1, tzinfo=UTC)
    season = season_of(_DECISIONS, "now", _cycle(2026), _AREAS_HA, ["a"], _PAST, _RUNS, began, _NOW)
    of = {(one.block, one.nutrient): one for one in season.accounts}
    creek = of["creek", "N"]
    assert (creek.planned_kg_ha, creek.delivered_kg_ha, creek.in_lines_kg_ha) == (6.0, 5.0, 0.25)
    assert of["ridge", "N"].total_kg_ha == 0.0
    assert season.water_m3_ha == {"creek": 40.0, "ridge": 0.0}
    (salt,) = season.products
    assert salt.product == _SALT
    assert (salt.mixed_kg, salt.injected_kg) == pytest.approx((200.0, 18.0))
    assert salt.closes and season.untold == ()
    assert season.products_from.astimezone(_ZONE).isoformat() == "2026-07-01T00:00:00+09:30"
    assert [(risk.night, risk.why) for risk in season.risks] == [(date(2026, 10, 13), "flush")]


def test_nothing_is_missing_of_before_the_record() -> None:
    """What a tank held when the record began is what its balance begins with; what was drawn before, nobody counted."""
    began = datetime(2026, 10, 10, tzinfo=UTC)
    season = season_of(_DECISIONS, "now", _cycle(2026), _AREAS_HA, ["a"], _PAST, _RUNS, began, _NOW)
    (salt,) = season.products
    assert (season.products_from, salt.mixed_kg, salt.tanks_before_kg) == (began, 0.0, 200.0)
    assert salt.unaccounted_kg == pytest.approx(0.0, abs=1e-9)


def test_blocks_and_seasons_beside_each_other() -> None:
    """The newest first, each with what it had a hectare; a block without hectares in use is left out."""
    found = compared(_DECISIONS, _AREAS_HA, _PAST, _ZONE)
    assert [(one.cycle, one.block) for one in found] == [("now", "creek"), ("now", "ridge"), ("before", "creek")]
    assert [one.delivered_kg_ha for one in found] == [{"N": 5.0}, {}, {"N": 5.0}]
    assert [(one.planned_kg_ha, one.water_m3_ha, one.runs) for one in found[::2]] == [({"N": 6.0}, 40.0, 1)] * 2
    assert [one.block for one in compared(_DECISIONS, {"ridge": 1.0}, _PAST, _ZONE)] == ["ridge"]


def test_a_cycles_days_are_the_sites() -> None:
    """From local midnight to local midnight, summer time or not."""
    first, end = days_of(_cycle(2026), _ZONE)
    assert first.astimezone(_ZONE).isoformat() == "2026-07-01T00:00:00+09:30"
    assert end.astimezone(_ZONE).isoformat() == "2027-07-01T00:00:00+09:30"
    assert end - first == timedelta(days=365)
