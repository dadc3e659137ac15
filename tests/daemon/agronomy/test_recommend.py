"""The dose that a recommendation makes due: a stage's share over its events, and never more than was accepted."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.agronomy.past import Past
from daemon.agronomy.recommend import DueDose, due_dose
from daemon.agronomy.stages import RecommendationError
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Need
from tests.daemon.agronomy.seasons import (
    AREAS_HA,
    accepted,
    bore,
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


def _due(number: int, decisions: Decisions | None = None, past: Past = _NOTHING, hour: int = 20) -> DueDose:
    """Return nitrogen's dose on that day of the cycle."""
    plan = decided() if decisions is None else decisions
    return due_dose(plan, "mandarin_plan", "N", AREAS_HA, past, moment(day(number), hour))


def test_the_published_season_by_hand() -> None:
    """Guards the event's dose: 180 kg N/ha, shares .10 .15 .25 .25 .15 .10 are 18 27 45 45 27 18 (own arithmetic)."""
    plan = recommendation(180.0, (0.10, 0.15, 0.75), events=(4, 4, 16))
    doses = [_due(number, decided(plan=plan)).kg_ha for number in (0, 30, 60)]
    assert doses == pytest.approx([18.0 / 4, 27.0 / 4, 135.0 / 16])
    even = recommendation(180.0, (1.0,), events=(24,))
    assert _due(0, decided(cycle=cycle((180,)), plan=even)).kg_ha == pytest.approx(7.5)


@pytest.mark.parametrize(("days", "events"), [(180, 13), (182, 13), (183, 14), (14, 1), (1, 1)])
def test_gaps_of_at_most_14_days_need_enough_events(days: int, events: int) -> None:
    """Guards the rounding up: 180 days with gaps of at most 14 days are 13 events."""
    decisions = decided(cycle=cycle((days,)), plan=recommendation(130.0, (1.0,), every_days=14))
    assert _due(0, decisions).kg_ha == pytest.approx(130.0 / events)


def test_other_sources_are_taken_off_their_stage_and_the_surplus_off_the_next() -> None:
    """Guards the counting: of 20 kg half is available; 40 kg in bud are 10 too much, which fruit then needs less."""
    half = decided(("spread", spread(day(3), 20.0, available=0.5)))
    due = _due(12, half)
    assert (due.blocks["creek"].kg_ha, due.blocks["ridge"].kg_ha) == pytest.approx((4.0, 6.0))
    assert due.kg_ha == pytest.approx((3.0 * 4.0 + 1.0 * 6.0) / 4.0), "the mean over the area"
    much = decided(("spread", spread(day(3), 40.0)))
    assert _due(12, much).blocks["creek"].kg_ha == 0.0 and "met" in _due(12, much).reasons[0]
    assert _due(60, much).blocks["creek"].kg_ha == pytest.approx(20.0 / 5.0)


def test_nitrate_in_the_water_is_taken_off_nitrogen_alone() -> None:
    """Guards the water: 20 mg/L of nitrate-N in 1500 m3 on 3 ha are 10 kg N/ha, and no potassium."""
    plan = recommendation(needs={name: Need(kg_ha=60.0, shares=(0.5, 0.0, 0.5)) for name in ("N", "K")})
    decisions, past = decided(("bore", bore(20.0, "N")), plan=plan), Past(water=(watered(2, 1500.0),))
    assert _due(6, decisions, past).blocks["creek"].kg_ha == pytest.approx((30.0 - 10.0) / 5.0)
    assert due_dose(decisions, "mandarin_plan", "K", AREAS_HA, past, moment(day(6))).kg_ha == pytest.approx(6.0)


def test_a_stage_gets_no_more_than_its_target() -> None:
    """Guards the end of a stage: what came on top leaves the last event less, and then none, however often asked."""
    past = doses_of({0: 6.0, 6: 6.0, 12: 6.0, 18: 8.0})
    assert _due(24, past=past).kg_ha == pytest.approx(4.0)
    met = doses_of({0: 15.0, 6: 15.0})
    assert _due(12, past=met).kg_ha == 0.0 and "met, with 30 injected" in _due(12, past=met).reasons[0]
    assert _due(60, past=doses_of({0: 20.0, 6: 20.0})).kg_ha == pytest.approx(20.0 / 5.0), "the surplus flows on"


@pytest.mark.parametrize(("number", "why"), [(-1, "is outside cycle"), (90, "is outside cycle"), (30, "no share")])
def test_no_dose_has_its_reason(number: int, why: str) -> None:
    """Guards the zero: before and after the cycle and in a stage without a share."""
    due = _due(number)
    assert due.kg_ha == 0.0 and why in due.reasons[0]


def test_nitrogen_ends_with_its_last_day() -> None:
    """Guards the cut-off: fruit's share is given in the 15 days that are left of it, and nothing on the day after."""
    decisions = decided(cycle=cycle(nitrogen_until=day(74)))
    assert _due(60, decisions).kg_ha == _due(74, decisions).kg_ha == pytest.approx(30.0 / 3.0)
    late = _due(75, decisions)
    assert late.kg_ha == 0.0 and f"nitrogen until {day(74)}" in late.reasons[0]
    by_count = decided(cycle=cycle(nitrogen_until=day(74)), plan=recommendation(events=(5, 1, 6)))
    assert _due(60, by_count).kg_ha == pytest.approx(30.0 / 3.0)
    early = decided(cycle=cycle(nitrogen_until=day(29)))
    assert _due(60, early).kg_ha == 0.0


def test_a_stage_begins_by_the_local_day() -> None:
    """Guards the boundary: half past midnight in Adelaide is the evening before in UTC, and belongs to the new day."""
    just_in = Past((dose(60, 18.0, at=moment(day(60), 0, 30)),))
    assert _due(60, past=just_in).blocks["creek"].kg_ha == pytest.approx(6.0), "not bloom's surplus"
    assert _due(60, hour=0).stage == "fruit" and _due(59, hour=23).stage == "bloom"


def test_a_shortfall_waits_for_the_operator() -> None:
    """Guards making up: nothing without a word; with one, at most a quarter of the event, and no more than accepted."""
    past = doses_of({0: 3.0, 6: 6.0}, 6.0)
    assert _due(12, past=past).made_up_kg_ha == 0.0
    assert _due(12, decided(("word", accepted(3.0))), past).made_up_kg_ha == pytest.approx(1.5)
    assert _due(12, decided(("word", accepted(0.7))), past).made_up_kg_ha == pytest.approx(0.7)
    assert _due(12, decided(("word", accepted(0.0))), past).made_up_kg_ha == 0.0
    free = recommendation(make_up_pct=100.0)
    assert _due(12, decided(("word", accepted(9.0)), plan=free), past).made_up_kg_ha == pytest.approx(3.0)


def test_what_was_made_up_is_not_made_up_again() -> None:
    """Guards the word: 3 kg accepted are spent over two events, and a second shortfall needs a second word."""
    decisions = decided(("word", accepted(3.0)))
    past = doses_of({0: 3.0, 6: 7.5, 12: 7.5}, 6.0)
    assert _due(18, decisions, past).made_up_kg_ha == 0.0
    again = doses_of({0: 3.0, 6: 7.5, 12: 7.5, 18: 4.0}, 6.0)
    assert _due(24, decisions, again).made_up_kg_ha == 0.0
    assert _due(24, decided(("word", accepted(3.0)), ("more", accepted(2.0))), again).made_up_kg_ha == pytest.approx(
        1.5
    )


def test_a_shortfall_ends_with_its_stage() -> None:
    """Guards the stage's end: fruit makes up nothing of what bud was short of, accepted or not."""
    past = doses_of({0: 0.0, 6: 3.0}, 6.0)
    decisions = decided(("word", accepted(27.0)), ("other", accepted(27.0, "fruit")))
    assert _due(29, decisions, past).made_up_kg_ha == pytest.approx(1.5)
    due = _due(60, decisions, past)
    assert (due.base_kg_ha, due.made_up_kg_ha) == pytest.approx((6.0, 0.0))


def test_a_run_that_fell_short_is_not_given_again_without_a_word() -> None:
    """Guards the last event: five runs that were each a kilogram short leave none to a sixth but what is accepted."""
    past = doses_of(dict.fromkeys((0, 6, 12, 18, 24), 5.0), 6.0)
    due = _due(29, past=past)
    assert due.kg_ha == 0.0 and "none of the 5 short may be made up" in due.reasons[0]
    assert _due(29, decided(("word", accepted(5.0))), past).kg_ha == pytest.approx(1.5)


def test_a_disputed_dose_counts_as_it_was_planned() -> None:
    """Guards doubt: a dose that may have been 1 or 6 is never made up, word or not."""
    past = Past(tuple(dose(0, 1.0 * ha, 6.0 * ha, block, is_disputed=True) for block, ha in AREAS_HA.items()))
    assert _due(6, decided(("word", accepted(5.0))), past).made_up_kg_ha == 0.0


def test_an_event_that_comes_early_is_planned_and_warns() -> None:
    """Guards the interval: six days after the last event the next is due; on the fifth it is asked for too early."""
    past = doses_of({0: 6.0})
    early, due = _due(5, past=past), _due(6, past=past)
    assert early.kg_ha == due.kg_ha == pytest.approx(6.0) and early.due_from == day(6)
    assert early.warnings == (f"not due until {day(6)}: the blocks had N on {day(0)}",) and not due.warnings
    assert _due(0).due_from is None
    every = _due(1, decided(plan=recommendation(events=(30, 1, 30))), doses_of({0: 1.0}))
    assert every.due_from is None and not every.warnings, "every irrigation is an event"


def test_long_gaps_in_a_growing_stage_warn() -> None:
    """Guards the gap of 14 days (common practice, no source): as planned, as it was, and not while the crop rests."""
    assert not _due(0, decided(plan=recommendation(every_days=14))).warnings
    assert "15 days between" in _due(0, decided(plan=recommendation(every_days=15))).warnings[0]
    assert "20 days between" in _due(20, past=doses_of({0: 6.0})).warnings[0]
    one = cycle()
    resting = cycle(stages=(one.stages[0].model_copy(update={"growing": False}), *one.stages[1:]))
    assert not _due(20, decided(cycle=resting), doses_of({0: 6.0})).warnings


@pytest.mark.parametrize(
    ("decisions", "key", "nutrient", "says"),
    [
        (decided(), "melon_plan", "N", "no recommendation named 'melon_plan'; known: mandarin_plan"),
        (decided(), "mandarin_plan", "K", "says nothing of K; it says how much N"),
        (decided(plan=recommendation(cycle="melon")), "mandarin_plan", "N", "nobody entered; known: mandarin_26"),
        (decided(plan=recommendation(shares=(0.5, 0.5))), "mandarin_plan", "N", "2 shares of N, and cycle"),
        (decided(plan=recommendation(events=(5,))), "mandarin_plan", "N", "1 events, and cycle"),
        (decided(cycle=cycle(blocks=("creek",))), "mandarin_plan", "N", "got ridge besides"),
        (
            decided(("new_plan", recommendation(on=day(9)))),
            "mandarin_plan",
            "N",
            "name new_plan in the program",
        ),
    ],
)
def test_what_cannot_be_followed_says_why(decisions: Decisions, key: str, nutrient: str, says: str) -> None:
    """Guards the refusal: each names what was got, and what is known or to be done."""
    with pytest.raises(RecommendationError) as refused:
        due_dose(decisions, key, nutrient, AREAS_HA, Past(), moment(day(0)))
    assert says in str(refused.value)


def test_a_newer_recommendation_leaves_other_nutrients_alone() -> None:
    """Guards the rule of the newest: one for potassium takes nothing from nitrogen's."""
    potassium = recommendation(on=day(9), needs={"K": Need(kg_ha=80.0, shares=(1.0, 0.0, 0.0))})
    assert _due(0, decided(("potassium_plan", potassium))).kg_ha == pytest.approx(6.0)


def test_a_time_without_a_zone_is_refused() -> None:
    """Guards the local day: without the site's zone nobody knows which it is."""
    with pytest.raises(ValueError, match="expected the time in the site's zone"):
        due_dose(decided(), "mandarin_plan", "N", AREAS_HA, Past(), moment(day(0)).replace(tzinfo=None))


_AMOUNTS = st.floats(0.0, 20.0)


@given(
    st.lists(st.tuples(st.integers(-5, 95), _AMOUNTS, _AMOUNTS, st.booleans()), max_size=25),
    _AMOUNTS,
    st.floats(0.1, 80.0),
    st.integers(-5, 95),
    st.floats(0.1, 50.0),
)
def test_no_history_makes_a_dose_negative_or_more_than_its_event_and_a_quarter(
    runs: list[tuple[int, float, float, bool]], word: float, spread_kg_ha: float, today: int, scale: float
) -> None:
    """Guards every dose: 0 up to an event and a quarter, within the stage's target, the same at any scale of area."""
    decisions = decided(("word", accepted(word)), ("spread", spread(day(40), spread_kg_ha)))
    past = Past(tuple(dose(n, kg, plan, is_disputed=doubt) for n, kg, plan, doubt in runs))
    due = due_dose(decisions, "mandarin_plan", "N", {"creek": 3.0}, past, moment(day(today)))
    assert 0.0 <= due.kg_ha <= 6.0 * 1.25 + 1e-9
    assert (due.base_kg_ha > 0.0) <= (today in range(0, 30) or today in range(60, 90))
    injected = sum(kg for n, kg, _, _ in runs if n // 30 == today // 30) / 3.0
    assert not due.kg_ha or injected + due.kg_ha <= 30.0 + 1e-6
    scaled = Past(tuple(dose(n, kg * scale, plan * scale, is_disputed=doubt) for n, kg, plan, doubt in runs))
    same = due_dose(decisions, "mandarin_plan", "N", {"creek": 3.0 * scale}, scaled, moment(day(today)))
    assert same.kg_ha == pytest.approx(due.kg_ha, abs=1e-5)


@given(st.lists(st.floats(0.2, 1.2), min_size=30, max_size=30), st.booleans())
def test_a_whole_season_never_passes_what_is_recommended(yields: list[float], is_accepted: bool) -> None:
    """Guards the sum: a dose is asked for every third day, and each comes out short, or over by up to a fifth.

    The season ends at 60 kg/ha or what the last run gave above its plan, a fifth of an event and a quarter.
    """
    words = (("bud", accepted(30.0)), ("fruit", accepted(30.0, "fruit"))) if is_accepted else ()
    decisions, past = decided(*words), Past()
    for i, part in enumerate(yields):
        due = _due(3 * i, decisions, past)
        had = sum(one.committed_kg for one in past.doses) / sum(AREAS_HA.values())
        assert had + due.kg_ha <= 60.0 + 1.5 + 1e-6
        past = Past((*past.doses, *doses_of({3 * i: due.kg_ha * part}, due.kg_ha).doses))
