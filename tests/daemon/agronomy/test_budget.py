"""The account of a crop cycle: what was recommended, had from every source, is due, short, and left."""

from datetime import date

import pytest

from daemon.agronomy.budget import Account, accounts, farm_average_kg_ha
from daemon.agronomy.past import Past
from daemon.agronomy.stages import RecommendationError
from daemon.agronomy.supply import nitrate_kg
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Need, Stage
from tests.daemon.agronomy.seasons import (
    AREAS_HA,
    accepted,
    bore,
    cap,
    cycle,
    day,
    decided,
    dose,
    doses_of,
    moment,
    recommendation,
    spread,
    watered,
)

_NOTHING = Past()


def _account(decisions: Decisions, past: Past = _NOTHING, number: int = 12, block: str = "creek") -> Account:
    """Return one block's account of nitrogen on that day of the cycle."""
    found = accounts(decisions, AREAS_HA, past, moment(day(number)))
    return next(one for one in found if (one.block, one.nutrient) == (block, "N"))


@pytest.mark.parametrize(("as_", "mg_l", "kg_ha"), [("N", 20.0, 100.0), ("NO3", 50.0, 56.5)])
def test_nitrate_in_the_water_by_hand(as_: str, mg_l: float, kg_ha: float) -> None:
    """Guards both ways to write an analysis: 500 mm with 20 mg/L NO3-N are 100 kg N/ha, with 50 mg/L NO3 56.5."""
    decisions = decided(("bore", bore(mg_l, "N" if as_ == "N" else "NO3")))
    assert nitrate_kg(decisions, "bore", 5000.0) == pytest.approx(kg_ha, abs=0.05)
    account = _account(decisions, Past(water=(watered(3, 3.0 * 2500.0), watered(4, 3.0 * 2500.0))))
    assert account.nitrate_kg_ha == pytest.approx(kg_ha, abs=0.05)


@pytest.mark.parametrize("source", ["", "dam"])
def test_water_without_an_analysis_brings_nothing(source: str) -> None:
    """Guards what is not known: a program that names no analysis, or one that nobody entered."""
    account = _account(decided(("bore", bore(20.0, "N"))), Past(water=(watered(3, 900.0, source),)))
    assert account.nitrate_kg_ha == 0.0


def test_an_account_by_hand() -> None:
    """Guards the sums: 12 of 14.5 kg/ha are out of the emitters, k = 2 in quadrature, half of a manure counts."""
    past = Past(
        (
            dose(0, 18.0, 18.0, u_kg=3.0),
            dose(6, 18.0, 18.0, committed_kg=25.5, u_kg=4.0, is_revised=True),
            dose(-1, 99.0),
        ),
        (watered(1, 300.0),),
    )
    decisions = decided(("manure", spread(day(2), 8.0, available=0.5)), ("bore", bore(10.0, "N")))
    account = _account(decisions, past)
    assert (account.recommendation, account.recommended_kg_ha) == ("mandarin_plan", 60.0)
    assert (account.delivered_kg_ha, account.in_lines_kg_ha) == pytest.approx((12.0, 2.5))
    assert account.u_kg_ha == pytest.approx(5.0 / 3.0)
    assert (account.other_kg_ha, account.available_kg_ha, account.nitrate_kg_ha) == pytest.approx((8.0, 4.0, 1.0))
    assert account.had_kg_ha == pytest.approx(19.5) and account.total_kg_ha == pytest.approx(23.5)
    assert account.left_kg_ha == pytest.approx(40.5)
    assert account.is_revised and not account.is_disputed
    ridge = _account(decisions, past, block="ridge")
    assert ridge.had_kg_ha == 0.0 and ridge.left_kg_ha == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("number", "due_kg_ha"),
    [(-5, 0.0), (0, 0.0), (1, 6.0), (6, 6.0), (7, 12.0), (29, 30.0), (59, 30.0), (61, 36.0), (95, 60.0)],
)
def test_what_is_due_follows_the_calendar(number: int, due_kg_ha: float) -> None:
    """Guards the events that should have been: every sixth day from each stage's first, until the day before."""
    assert _account(decided(), number=number).due_kg_ha == pytest.approx(due_kg_ha)


def test_events_by_count_fall_due_over_the_stage() -> None:
    """Guards irrigations as events: of 15 in 30 days half are due after 15 days, and each on its own."""
    decisions = decided(plan=recommendation(events=(15, 1, 15)))
    assert [_account(decisions, number=n).due_kg_ha for n in (0, 1, 2, 15, 16)] == pytest.approx(
        [0.0, 2.0, 2.0, 16.0, 16.0]
    )


def test_a_shortfall_is_offered_and_what_was_accepted_of_it_shown() -> None:
    """Guards the offer: of 12 due 9 were had; 3 are offered, 2 accepted, and none once the stage is over."""
    past = doses_of({0: 3.0, 6: 6.0}, 6.0)
    account = _account(decided(), past)
    assert (account.offered_kg_ha, account.accepted_kg_ha) == pytest.approx((3.0, 0.0))
    decisions = decided(("word", accepted(2.0)))
    account = _account(decisions, past)
    assert (account.offered_kg_ha, account.accepted_kg_ha) == pytest.approx((3.0, 2.0))
    assert account.stage is not None and account.stage.stage.name == "bud"
    over = _account(decisions, past, number=30)
    assert (over.offered_kg_ha, over.accepted_kg_ha) == (0.0, 0.0) and over.left_kg_ha == pytest.approx(51.0)
    ended = _account(decisions, past, number=90)
    assert ended.stage is None and (ended.offered_kg_ha, ended.accepted_kg_ha) == (0.0, 0.0)


def test_a_disputed_dose_offers_no_shortfall_and_is_marked() -> None:
    """Guards doubt: the account shows what the record says, and nobody is asked to make it up."""
    account = _account(decided(), Past((dose(0, 3.0, 18.0, is_disputed=True),)), number=6)
    assert account.is_disputed and account.delivered_kg_ha == pytest.approx(1.0)
    assert account.offered_kg_ha == 0.0


def test_the_farm_average_weighs_by_area() -> None:
    """Guards the weighting: 120 on 3 ha and 200 on 1 ha are 140 (own arithmetic)."""
    past = Past((dose(0, 360.0), dose(0, 200.0, block="ridge")))
    found = accounts(decided(), AREAS_HA, past, moment(day(12)))
    assert farm_average_kg_ha(found, AREAS_HA) == {("mandarin_26", "N"): pytest.approx(140.0)}


def test_caps_stand_in_the_account_with_what_they_leave() -> None:
    """Guards the caps shown: the block's own and the farm's, none of another nutrient, none once the cycle is over."""
    caps = (("each", cap(50.0)), ("mean", cap(40.0, "year", basis="farm_average")), ("p", cap(9.0, nutrient="P")))
    decisions, past = decided(*caps), doses_of({0: 30.0})
    account = _account(decisions, past)
    assert {room.key: room.blocks for room in account.caps} == {"each": ("creek",), "mean": ("creek", "ridge")}
    assert [room.left_kg / room.area_ha for room in account.caps] == pytest.approx([20.0, 10.0])
    assert not _account(decisions, past, number=90).caps


def test_a_nutrient_has_its_place_when_it_is_asked_for_capped_or_had() -> None:
    """Guards the rows: potassium that came along on the creek, phosphorus under a cap, and nothing else."""
    decisions = decided(("p", cap(80.0, nutrient="P")))
    past = Past((dose(0, 5.0, nutrient="K"),))
    found = accounts(decisions, AREAS_HA, past, moment(day(3)))
    assert [(one.nutrient, one.block) for one in found] == [(n, b) for n in ("N", "P", "K") for b in ("creek", "ridge")]
    potassium = found[-2]
    assert (potassium.recommendation, potassium.recommended_kg_ha, potassium.stages) == ("", 0.0, ())
    assert farm_average_kg_ha(found, AREAS_HA)["mandarin_26", "K"] == pytest.approx(1.25), "ridge counts, with none"


def test_each_cycle_has_its_own_account() -> None:
    """Guards the cycles: what one had is not the other's, and a block without an area in use is left out."""
    starts = date(2026, 2, 1)
    before = cycle(starts=starts, ends=date(2026, 8, 31), stages=(Stage(name="whole", starts=starts),))
    past = Past((dose(-40, 30.0), dose(3, 60.0)))
    decisions = decided(("mandarin_25", before))
    found = accounts(decisions, {"creek": 3.0}, past, moment(day(12)))
    assert [(one.cycle, one.block) for one in found] == [("mandarin_25", "creek"), ("mandarin_26", "creek")]
    assert [one.total_kg_ha for one in found] == pytest.approx([10.0, 20.0])


def test_the_newest_recommendation_holds() -> None:
    """Guards a new leaf test: the account goes by the recommendation with the later date, nutrient by nutrient."""
    newer = recommendation(80.0, on=day(9))
    account = _account(decided(("a_new_plan", newer)))
    assert (account.recommendation, account.recommended_kg_ha) == ("a_new_plan", 80.0)


def test_a_recommendation_that_does_not_fit_its_cycle_is_refused() -> None:
    """Guards the stages: shares for two of three stages say which, and what was expected."""
    two = recommendation(needs={"N": Need(kg_ha=60.0, shares=(0.5, 0.5))})
    with pytest.raises(RecommendationError, match="2 shares of N, and cycle mandarin_26 has 3 stages"):
        accounts(decided(plan=two), AREAS_HA, _NOTHING, moment(day(0)))
