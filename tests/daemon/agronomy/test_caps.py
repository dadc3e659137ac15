"""Caps count every source, and no run that passes its check takes a block past a hard one."""

import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daemon.agronomy.caps import CapCheck, check_caps, hard_rooms, headroom_kg, most_times_planned, suggested_caps
from daemon.agronomy.past import Past
from daemon.decisions.base import Decision
from tests.daemon.agronomy.seasons import (
    AREAS_HA,
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


def _checks(
    kg_ha: float, *caps: Decision, past: Past = _NOTHING, number: int = 10, block: str = "creek", hour: int = 20
) -> tuple[CapCheck, ...]:
    """Return the checks of so much nitrogen on one block on that day, under caps named cap_0, cap_1 ..."""
    decisions = decided(*((f"cap_{i}", one) for i, one in enumerate(caps)))
    planned_kg = {block: {"N": kg_ha * AREAS_HA[block]}}
    return check_caps(decisions, planned_kg, AREAS_HA, past, moment(day(number), hour))


@pytest.mark.parametrize("over", ["cycle", "year"])
def test_a_hard_cap_refuses_and_says_what_would_fit(over: str) -> None:
    """Guards the figure: cap 190, applied 172.5, wanted 22.5: 17.5 would fit (own arithmetic)."""
    past = doses_of({0: 172.5})
    (check,) = _checks(22.5, cap(190.0, over), past=past)
    assert not check.passed and not check.warns
    assert (check.used_kg_ha, check.planned_kg_ha, check.fits_kg_ha) == pytest.approx((172.5, 22.5, 17.5))
    assert "cap cap_0 (consent 12): 190 kg N/ha" in check.reason and check.reason.endswith("17.5 would fit")
    (fits,) = _checks(17.5, cap(190.0, over), past=past)
    assert fits.passed and not fits.warns and "would fit" not in fits.reason


def test_an_advisory_cap_warns_and_passes() -> None:
    """Guards the two kinds: 350 kg N/ha in a crop cycle, above which losses rise (common practice, no source)."""
    advisory = cap(350.0, strict="advisory", why="losses rise above it")
    (check,) = _checks(20.0, advisory, past=doses_of({0: 340.0}))
    assert check.passed and check.warns and "10 would fit" in check.reason
    phosphorus = cap(80.0, strict="advisory", nutrient="P", why="losses rise above it")
    decisions = decided(("p", phosphorus), ("n", advisory))
    past = Past((dose(0, 3.0 * 75.0, nutrient="P"),))
    checks = check_caps(decisions, {"creek": {"P": 3.0 * 6.0, "N": 3.0}}, AREAS_HA, past, moment(day(3)))
    assert {check.cap: check.warns for check in checks} == {"n": False, "p": True}


def test_caps_count_every_source_and_say_so() -> None:
    """Guards the sum: 90 injected, all 60 of a manure of which 30 is available, and 20 mg/L nitrate-N of 4500 m3."""
    past = Past((dose(0, 270.0),), (watered(1, 4500.0),))
    manure = spread(day(2), 60.0, available=0.5)
    decisions = decided(("cap", cap(190.0)), ("manure", manure), ("bore", bore(20.0, "N")))
    (check,) = check_caps(decisions, {"creek": {"N": 30.0}}, AREAS_HA, past, moment(day(5)))
    assert check.used_kg_ha == pytest.approx(90.0 + 60.0 + 30.0)
    assert "180 so far (60 spread or otherwise, 30 nitrate in the water)" in check.reason
    assert check.passed and check.fits_kg_ha == pytest.approx(10.0)


def test_what_is_in_the_lines_counts_and_a_disputed_dose_counts_whole() -> None:
    """Guards the safe side: 50 delivered and 40 still in the lines are 90; 10 of 30 planned, in doubt, are 30."""
    past = Past((dose(0, 150.0, committed_kg=270.0), dose(1, 30.0, 90.0, is_disputed=True)))
    (check,) = _checks(1.0, cap(190.0), past=past)
    assert check.used_kg_ha == pytest.approx(120.0)


def test_a_cap_over_one_run_looks_at_no_other() -> None:
    """Guards the event: 8 kg/ha in one run, whatever went before."""
    past = doses_of({9: 8.0})
    assert _checks(8.0, cap(8.0, "event"), cap(500.0), past=past)[0].passed
    (over, _) = _checks(8.1, cap(8.0, "event"), cap(500.0), past=past)
    assert not over.passed and over.fits_kg_ha == pytest.approx(8.0)


@pytest.mark.parametrize(("hour", "minute", "counts"), [(19, 59, False), (20, 0, False), (20, 1, True), (23, 0, True)])
def test_a_daily_cap_rolls_over_24_hours(hour: int, minute: int, counts: bool) -> None:
    """Guards any 24 hours: yesterday's run counts from the minute after this time of day; one at the same time not."""
    past = Past((dose(9, 24.0, at=moment(day(9), hour, minute).replace(second=30)),))
    check = _checks(2.0, cap(9.0, "day"), cap(500.0), past=past)[0]
    assert check.used_kg_ha == pytest.approx(8.0 if counts else 0.0) and check.passed == (not counts)


@pytest.mark.parametrize(("on", "counts"), [(8, False), (9, True), (10, True), (11, False)])
def test_a_daily_cap_counts_what_was_spread_and_not_what_is_to_come(on: int, counts: bool) -> None:
    """Guards the day's sum: manure of yesterday or today counts whole, that of tomorrow not yet."""
    decisions = decided(("cap", cap(9.0, "day")), ("manure", spread(day(on), 8.0)))
    checks = check_caps(decisions, {"creek": {"N": 3.0}}, AREAS_HA, Past(), moment(day(10)))
    check = next(one for one in checks if "creek" in one.reason)
    assert check.used_kg_ha == pytest.approx(8.0 if counts else 0.0)


def test_a_day_of_23_hours_is_not_24() -> None:
    """Guards real hours: clocks go forward on 4 October 2026, and eight in the evening comes an hour early."""
    night_before = Past((dose(32, 24.0, at=moment(date(2026, 10, 3))),))
    assert not _checks(2.0, cap(9.0, "day"), past=night_before, number=33)[0].passed
    assert _checks(2.0, cap(9.0, "day"), past=night_before, number=33, hour=21)[0].passed


def test_the_year_begins_on_its_day_in_the_sites_zone() -> None:
    """Guards the boundary: the run of 30 June at 23:30 is the old year's, that of 1 July at 00:30 the new one's.

    In UTC both are 30 June.
    """
    before, after = moment(date(2026, 6, 30), 23, 30), moment(date(2026, 7, 1), 0, 30)
    past = Past((dose(0, 300.0, at=before), dose(1, 30.0, at=after)))
    for when, used in (
        (before, 100.0),
        (after, 10.0),
        (moment(date(2027, 6, 30)), 10.0),
        (moment(date(2027, 7, 1)), 0.0),
    ):
        decisions = decided(("cap", cap(190.0, "year")))
        (check,) = check_caps(decisions, {"creek": {"N": 3.0}}, AREAS_HA, past, when)
        assert check.used_kg_ha == pytest.approx(used)


def test_a_farm_average_is_over_all_its_area() -> None:
    """Guards the weighting: 120 on 3 ha and 200 on 1 ha are 140 (own arithmetic); one block may have more."""
    past = Past((dose(0, 360.0), dose(0, 200.0, block="ridge")))
    average = cap(150.0, "year", basis="farm_average")
    (check,) = _checks(40.0, average, past=past, block="ridge")
    assert check.used_kg_ha == pytest.approx(140.0) and check.passed
    assert check.fits_kg_ha * sum(AREAS_HA.values()) == pytest.approx(40.0) and check.blocks == ("creek", "ridge")
    (over,) = _checks(41.0, average, past=past, block="ridge")
    assert not over.passed and "the mean of 2 blocks" in over.reason


def test_a_cap_holds_for_its_blocks_alone() -> None:
    """Guards the blocks: one for the ridge says nothing of the creek, and its average is over the ridge."""
    ridge = cap(50.0, "year", blocks=("ridge",))
    assert [check.cap for check in _checks(60.0, ridge)] == [""]
    assert not _checks(60.0, ridge, block="ridge")[0].passed
    average = cap(50.0, "year", basis="farm_average", blocks=("ridge",))
    assert _checks(60.0, average, block="ridge")[0].planned_kg_ha == pytest.approx(60.0)


def test_a_cap_over_the_cycle_is_not_judged_outside_one() -> None:
    """Guards a gap in what was entered: the run passes, and somebody is told that nothing bounded it."""
    (check,) = _checks(5.0, cap(1.0), number=95)
    assert check.passed and check.warns and "Enter the cycle" in check.reason and check.fits_kg_ha == math.inf


def test_no_cap_is_assumed() -> None:
    """Guards the operator's choice: without a cap on nitrogen it is said, and 1.1 times the plan is offered."""
    (check,) = _checks(500.0)
    assert check.passed and not check.warns and "no cap stated for the N of creek" in check.reason
    (offered,) = suggested_caps(decided(), day(0)).items()
    assert offered[0] == "mandarin_26_nitrogen"
    assert (offered[1].kg_ha, offered[1].strict, offered[1].over) == (66.0, "advisory", "cycle")
    assert offered[1].blocks == ("creek", "ridge") and "no rule" in offered[1].why
    assert not suggested_caps(decided(offered), day(0)), "taken up, it is stated"
    assert not suggested_caps(decided(), day(90)), "the cycle is over"
    assert suggested_caps(decided(("event", cap(9.0, "event"))), day(0)), "a cap on one run bounds no season"
    assert suggested_caps(decided(("ridge", cap(90.0, blocks=("ridge",)))), day(0)), "the creek has none"
    potassium = recommendation(needs={"K": recommendation().needs["N"]})
    assert not suggested_caps(decided(plan=potassium), day(0))


def test_nothing_planned_is_not_judged() -> None:
    """Guards zero: a run of water alone touches no cap, even where more was had than it allows."""
    assert not _checks(0.0, cap(10.0), past=doses_of({0: 20.0}))


def test_a_planned_block_needs_its_area() -> None:
    """Guards the caller: a dose without an area would be under no cap at all."""
    with pytest.raises(ValueError, match="got doses for hill without an area"):
        check_caps(decided(), {"hill": {"N": 1.0}}, AREAS_HA, Past(), moment(day(0)))


def test_the_headroom_is_the_least_of_the_hard_caps() -> None:
    """Guards the bound: of 100 in the cycle 70 are left, of 30 in the year on average 30 - 22.5; advisory ones none."""
    past = doses_of({0: 30.0})
    decisions = decided(("a", cap(100.0)), ("b", cap(5.0, strict="advisory")))
    assert headroom_kg(decisions, AREAS_HA, past, moment(day(5))) == {
        "creek": {"N": pytest.approx(210.0)},
        "ridge": {"N": pytest.approx(70.0)},
    }
    average = decided(("a", cap(100.0)), ("c", cap(40.0, "year", basis="farm_average")))
    left = headroom_kg(average, AREAS_HA, past, moment(day(5)))
    assert left["creek"]["N"] == left["ridge"]["N"] == pytest.approx(40.0)
    assert headroom_kg(decided(), AREAS_HA, past, moment(day(5))) == {"creek": {}, "ridge": {}}


def _masses(creek_kg: float, ridge_kg: float, nutrient: str = "N") -> dict[str, dict[str, float]]:
    return {"creek": {nutrient: creek_kg}, "ridge": {nutrient: ridge_kg}}


def test_a_channel_may_inject_until_the_first_block_is_full() -> None:
    """Guards the injector's bound: 12 kg fit the creek and 4 the ridge; 6 and 3 are planned, so the ridge is first."""
    hard = hard_rooms(
        decided(("cap", cap(4.0)), ("soft", cap(1.0, strict="advisory"))), AREAS_HA, _NOTHING, moment(day(5))
    )
    planned_kg = _masses(6.0, 3.0)
    assert most_times_planned(hard, {"a": planned_kg}, planned_kg) == {"a": pytest.approx(4.0 / 3.0)}
    with_water_kg = _masses(6.0, 3.4)
    assert most_times_planned(hard, {"a": planned_kg}, with_water_kg) == {"a": pytest.approx(3.6 / 3.0)}
    full_kg = _masses(6.0, 7.1)
    assert most_times_planned(hard, {"a": planned_kg}, full_kg) == {"a": 0.0}
    potassium_kg = _masses(6.0, 3.0, "K")
    assert most_times_planned(hard, {"a": potassium_kg}, potassium_kg) == {}
    trace_kg = _masses(0.0, 1e-9)
    assert most_times_planned(hard, {"a": trace_kg}, trace_kg) == {}
    assert most_times_planned((), {"a": planned_kg}, planned_kg) == {}


@example([(1e-6, 1e-6)], 0.0)
@given(st.lists(st.tuples(st.floats(0.0, 9.0), st.floats(0.0, 9.0)), min_size=1, max_size=4), st.floats(0.0, 4.0))
def test_channels_that_all_inject_the_most_pass_no_cap_together(
    channels: list[tuple[float, float]], water_kg: float
) -> None:
    """Guards the parting: each block's cap and the farm's hold when every channel injects all that it may."""
    caps = (("each", cap(8.0, "event")), ("mean", cap(5.0, "year", basis="farm_average")))
    hard = hard_rooms(decided(*caps), AREAS_HA, _NOTHING, moment(day(5)))
    own_kg = {str(i): _masses(creek, ridge) for i, (creek, ridge) in enumerate(channels)}
    planned_kg = {block: {"N": water_kg + sum(masses[block]["N"] for masses in own_kg.values())} for block in AREAS_HA}
    times = most_times_planned(hard, own_kg, planned_kg)
    most_kg = {
        block: water_kg + sum(masses[block]["N"] * times.get(name, 0.0) for name, masses in own_kg.items())
        for block in AREAS_HA
    }
    assert most_kg["creek"] <= 24.0 + 1e-6 and most_kg["ridge"] <= 8.0 + 1e-6 and sum(most_kg.values()) <= 20.0 + 1e-6
    assert all(factor >= 0.0 for factor in times.values())


_CAPS = {
    "run": cap(20.0, "event"),
    "day": cap(30.0, "day"),
    "cycle": cap(90.0),
    "year": cap(110.0, "year"),
    "mean": cap(70.0, "year", basis="farm_average"),
}
_WANTED = st.tuples(st.integers(0, 40), st.floats(0.0, 25.0), st.floats(0.0, 25.0), st.booleans())
"""Hours to wait, kg/ha for the creek and for the ridge, and whether to ask for no more than half of the room."""


@settings(max_examples=60)
@given(
    st.lists(_WANTED, min_size=10, max_size=40),
    st.one_of(st.sampled_from([*_CAPS]).map(lambda name: (name,)), st.just((*_CAPS,))),
)
def test_no_split_over_blocks_and_nights_passes_a_hard_cap(
    wanted: list[tuple[int, float, float, bool]], names: tuple[str, ...]
) -> None:
    """Guards every hard cap: each run is given only when its check passes, and no block is ever over.

    The time runs past the cycle's end on 27 June and the new year on 1 July. Half of the room on both blocks at once
    always fits, a farm average's too.
    """
    decisions = decided(*((name, _CAPS[name]) for name in names), cycle=cycle((300,)))
    now, past, runs = moment(date(2027, 6, 5)), _NOTHING, list[tuple[datetime, dict[str, float]]]()
    for hours, creek, ridge, is_cut in wanted:
        now += timedelta(hours=hours)
        run = {"creek": creek * AREAS_HA["creek"], "ridge": ridge * AREAS_HA["ridge"]}
        if is_cut:
            room = headroom_kg(decisions, AREAS_HA, past, now)
            run = {block: min(kg, 0.5 * room[block].get("N", math.inf)) for block, kg in run.items()}
        checks = check_caps(decisions, {block: {"N": kg} for block, kg in run.items()}, AREAS_HA, past, now)
        assert all(check.fits_kg_ha >= 0.0 for check in checks)
        passed = all(check.passed for check in checks)
        assert passed or not is_cut
        if passed:
            runs.append((now, {block: kg / AREAS_HA[block] for block, kg in run.items()}))
            past = Past((*past.doses, *(dose(0, kg, block=block, at=now) for block, kg in run.items())))
    for name in names:
        assert _worst_kg_ha(name, runs) <= _CAPS[name].kg_ha + 1e-4


def _worst_kg_ha(name: str, runs: Sequence[tuple[datetime, Mapping[str, float]]]) -> float:
    """Return the most that counted at once against a cap, added up afresh."""
    year = date(2027, 7, 1)
    spans = {
        "run": [[one] for one in runs],
        "day": [[one for one in runs if end - timedelta(hours=24) < one[0] <= end] for end, _ in runs],
        "cycle": [[one for one in runs if one[0].date() <= date(2027, 6, 27)]],
    }.get(name, [[one for one in runs if (one[0].date() < year) == is_before] for is_before in (True, False)])
    sums = [{block: sum(kg_ha[block] for _, kg_ha in span) for block in AREAS_HA} for span in spans]
    if name == "mean":
        return max((3.0 * kg_ha["creek"] + kg_ha["ridge"]) / 4.0 for kg_ha in sums)
    return max((max(kg_ha.values()) for kg_ha in sums), default=0.0)


@given(st.floats(0.01, 100.0), st.floats(0.0, 120.0))
def test_the_room_scales_with_the_area(scale: float, had_kg_ha: float) -> None:
    """Guards the areas: twice the hectares with twice the kilograms on them have twice the room."""
    decisions, areas_ha = decided(("cap", cap(90.0))), {block: scale * ha for block, ha in AREAS_HA.items()}
    past = Past(tuple(dose(0, had_kg_ha * ha, block=block) for block, ha in areas_ha.items()))
    room = headroom_kg(decisions, areas_ha, past, moment(day(5)))
    for block, area_ha in areas_ha.items():
        assert room[block]["N"] == pytest.approx(max(0.0, 90.0 - had_kg_ha) * area_ha, abs=1e-6)
