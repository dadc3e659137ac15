"""A night as it is going to be: runs one after the other, refusals that hold up nobody, and what to know beforehand."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from daemon.agronomy.past import Past
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.crops import Cap
from daemon.decisions.kinds import KINDS
from daemon.decisions.timetable import Timetable
from daemon.planning.duration import duration_s
from daemon.planning.foreseen import foreseen
from daemon.planning.night import plan_run
from daemon.planning.outlook import Known, Outlook, TankTonight
from daemon.planning.tanks_tonight import tank_text
from daemon.planning.timetable import Start, night_of
from daemon.planning.tonight import plan_night
from tests.daemon.control.plant import demo_decisions, injection, wide

_ADELAIDE = ZoneInfo("Australia/Adelaide")
_NIGHT = date(2026, 10, 13)
_AFTERNOON = datetime(2026, 10, 13, 15, 0, tzinfo=_ADELAIDE)
_BOTH = ["creek_night", "ridge_night"]


def _decided(timetables: Mapping[str, Mapping[str, object]], **more: Mapping[str, object]) -> Decisions:
    """Return two programs, one of each block, their timetables, and more decisions by kind: {key: body}."""
    doses = [injection(0.12, 2.0), injection(0.09, 2.0, "potassium")]
    program: dict[str, object] = {"water_m3": 12.0, "injections": doses}
    found: dict[tuple[str, str], Decision] = dict(demo_decisions(program=program))
    found["shift", "ridge"] = KINDS["shift"].model_validate({"blocks": ["ridge"]})
    ridge = {"shift": "ridge", "water_m3": 6.0, "injections": [injection(0.12, 1.0)], "order": "together"}
    found["program", "ridge_night"] = KINDS["program"].model_validate(ridge)
    for key, body in timetables.items():
        found["timetable", key] = Timetable.model_validate({"starts": ["22:00:00"], **body})
    for kind, items in more.items():
        for key, content in items.items():
            found[kind, key] = KINDS[kind].model_validate(content)
    return found


def _night(decisions: Decisions, now: datetime = _AFTERNOON, **known: object) -> Outlook:
    return plan_night(wide(), decisions, night_of(now, _ADELAIDE), now, replace(Known(Past(), {}), **known))  # type: ignore[arg-type]


def _at(clock: str, days: int = 0) -> datetime:
    return datetime.combine(_NIGHT + timedelta(days), time.fromisoformat(clock), _ADELAIDE).astimezone(UTC)


def _said(outlook: Outlook, what: str) -> list[str]:
    return [check.reason for check in outlook.checks if check.what == what and check.warns]


def test_runs_follow_one_another() -> None:
    """Guards the sequence: each run begins where the one before ends, and is what `plan_run` plans for then."""
    decisions = _decided({"night": {"programs": _BOTH}})
    (start,) = _night(decisions).starts
    creek, ridge = start.runs
    assert (creek.program, creek.shift, creek.begins) == ("creek_night", "creek", _at("22:00"))
    assert ridge.begins == creek.ends and creek.recipe is not None and ridge.recipe is not None
    assert creek.ends - creek.begins == timedelta(seconds=duration_s(wide().site, creek.recipe))
    alone = plan_run(wide(), decisions, "creek_night", creek.recipe.run, creek.begins)
    assert (creek.recipe, creek.checks) == (alone.recipe, alone.checks)
    then = foreseen(Past(), creek.recipe, creek.begins)
    assert ridge.recipe == plan_run(wide(), decisions, "ridge_night", ridge.recipe.run, ridge.begins, then).recipe


def test_a_refused_run_holds_up_no_other() -> None:
    """Guards a night with a closed block: its run says why and takes no time, and the next has its place."""
    closed = {"creek": {"closed_until": _NIGHT + timedelta(2), "why": "picking"}}
    (start,) = _night(_decided({"night": {"programs": [*_BOTH, "none"]}}, block=closed)).starts
    creek, ridge, none = start.runs
    assert creek.recipe is None and creek.begins == creek.ends == _at("22:00")
    assert creek.refusal == "every block of shift creek is closed today" and creek.shift == "creek"
    assert ridge.recipe is not None and ridge.begins == _at("22:00") and not ridge.refusal
    assert none.refusal.startswith("no program named 'none'") and none.shift == ""


def test_caps_hold_over_the_whole_night() -> None:
    """Guards a hard cap over two starts of one night: what the first is to give counts when the second is planned."""
    cap = Cap(
        nutrient="N", kg_ha=0.3, over="day", basis="each_hectare", strict="hard", blocks=("creek",), why="consent 12"
    )
    decisions = {**_decided({"night": {"programs": ["creek_night"], "starts": ["21:00", "23:30"]}}), ("cap", "n"): cap}
    first, second = (start.runs[0] for start in _night(decisions).starts)
    assert first.recipe is not None and second.recipe is not None
    given_mg = [
        sum(masses["N"] for masses in run.recipe.blocks[0].planned_mg.values()) for run in (first, second) if run.recipe
    ]
    assert sum(given_mg) == pytest.approx(0.3 * 3.2 * 1e6, abs=2.0)
    assert given_mg[1] < given_mg[0] == pytest.approx(0.21 * 3.2 * 1e6, abs=2.0)
    assert any(check.what == "cap" and check.warns for check in second.checks)


def test_a_start_that_is_made_has_no_runs() -> None:
    """Guards "never twice": a start that was claimed is shown, and nothing is planned for it again."""
    decisions = _decided({"night": {"programs": ["creek_night"], "starts": ["21:00", "23:30"]}})
    made, next_one = _night(decisions, begun=frozenset({("night", 0, _NIGHT)})).starts
    assert (made.is_begun, made.runs) == (True, ())
    assert not next_one.is_begun and next_one.runs[0].begins == _at("23:30")


def test_a_missed_start_runs_late_or_not_at_all() -> None:
    """Guards the window: half an hour late it begins now; after its two hours it is skipped and says so."""
    decisions = _decided({"night": {"programs": ["creek_night"]}})
    (late,) = _night(decisions, now=_at("22:30")).starts
    assert late.runs[0].begins == _at("22:30") and late.runs[0].recipe is not None
    (missed,) = _night(decisions, now=_at("00:01", 1)).starts
    assert missed.runs[0].recipe is None
    assert missed.runs[0].refusal == "the start is more than 120 minutes late by then, and is skipped"


def test_a_night_of_other_days_is_empty() -> None:
    """Guards nights without a start: 13 October 2026 is a Tuesday's."""
    outlook = _night(_decided({"night": {"programs": _BOTH, "weekdays": ["wed"]}}))
    assert (outlook.starts, outlook.tanks, outlook.checks) == ((), (), ())


def test_two_starts_that_meet_are_told_and_follow_one_another() -> None:
    """Guards one pump: the second start waits for the first one's water, with both times told."""
    decisions = _decided({"a": {"programs": ["creek_night"]}, "b": {"programs": ["ridge_night"], "starts": ["22:10"]}})
    outlook = _night(decisions)
    creek, ridge = (start.runs[0] for start in outlook.starts)
    assert ridge.begins == creek.ends > _at("22:10")
    (reason,) = _said(outlook, "starts that meet")
    assert reason.startswith("b is to start at 22:10, and the runs of a last until 22:2")
    apart = _decided({"a": {"programs": ["creek_night"]}, "b": {"programs": ["ridge_night"], "starts": ["22:30"]}})
    assert not _said(_night(apart), "starts that meet")


def test_a_night_that_goes_on_for_too_long_is_told() -> None:
    """Guards finish_by, which is a time of the same night: 22:10 is passed, 22:40 and tomorrow's 02:00 are not."""
    for finish_by, says in (("22:10", True), ("22:40", False), ("02:00", False)):
        found = _said(_night(_decided({"a": {"programs": ["creek_night"], "finish_by": finish_by}})), "finish")
        assert bool(found) is says
        assert not found or (found[0].startswith("a waters until 22:2") and "over by 22:10" in found[0])


def test_dear_hours_by_hand() -> None:
    """Guards the tariff: of the minutes from 22:00 on, those before 22:10 are dear; hours that overlap count once."""
    hours = {
        "night": {"cheap": [{"begin": "22:10", "end": "06:00"}, {"begin": "05:00", "end": "07:00"}], "why": "tariff"}
    }
    outlook = _night(_decided({"a": {"programs": ["creek_night"]}}, tariff=hours))
    run = outlook.starts[0].runs[0]
    whole_min = (run.ends - run.begins) / timedelta(minutes=1)
    assert _said(outlook, "dear hours") == [f"10 of {whole_min:.0f} minutes of water fall outside the cheap hours"]
    other_day = {"night": {"cheap": [{"begin": "22:00", "end": "06:00", "weekdays": ["wed"]}], "why": "tariff"}}
    outlook = _night(_decided({"a": {"programs": ["creek_night"]}}, tariff=other_day))
    assert _said(outlook, "dear hours")[0].startswith(f"{whole_min:.0f} of {whole_min:.0f} minutes")
    cheap = {"night": {"cheap": [{"begin": "22:00", "end": "06:00"}], "why": "tariff"}}
    assert not _said(_night(_decided({"a": {"programs": ["creek_night"]}}, tariff=cheap)), "dear hours")


@pytest.mark.parametrize(
    ("taken_m3", "warns", "words"),
    [(40.0, False, "38 m3 are left"), (60.0, True, "18 m3 are left"), (90.0, True, "12 m3 too much")],
)
def test_the_allocation_is_told_and_never_refuses(taken_m3: float, warns: bool, words: str) -> None:
    """Guards used, left, warned: of 100 m3 10 were used before, and tonight takes 12; from 80 on it warns."""
    season = {"m3": 100.0, "first": "2026-07-01", "last": "2027-06-30", "used_before_m3": 10.0, "warn_share": 0.8}
    over = {**season, "last": "2026-10-12"}
    decisions = _decided(
        {"a": {"programs": ["creek_night"]}},
        allocation={"season": {**season, "why": "the scheme"}, "over": {**over, "why": "last year's"}},
    )
    outlook = _night(decisions, water_m3={"season": taken_m3, "over": 500.0})
    (check,) = (check for check in outlook.checks if check.what == "allocation")
    assert check.passed and check.warns is warns and words in check.reason
    assert f"{10.0 + taken_m3:.0f} m3 of 100 m3 are used" in check.reason and "takes 12 m3" in check.reason
    assert outlook.starts[0].runs[0].recipe is not None


def test_programs_that_are_not_there_or_twice_are_told() -> None:
    """Guards what `check` would tell of a file: a night of the record tells it as well."""
    outlook = _night(_decided({"a": {"programs": ["ridge_night", "none"]}, "b": {"programs": ["ridge_night"]}}))
    assert _said(outlook, "timetable") == [
        "program ridge_night stands in timetables a and b: keep it in one",
        "timetable a names program none, and there is none of that name",
    ]


def test_what_the_tanks_must_hold() -> None:
    """Guards "tank enough for tonight?": both runs' calcium against what tank a holds above its low level of 40 L."""
    outlook = _night(_decided({"a": {"programs": _BOTH}}), held_l={"a": 50.0})
    calcium, potassium = outlook.tanks
    (runs,) = (start.runs for start in outlook.starts)
    drawn_l = [plan.stock_l for run in runs if run.recipe for plan in run.recipe.channels if plan.stock == "calcium"]
    assert len(drawn_l) == 2 and calcium.needed_l == pytest.approx(sum(drawn_l))
    assert (calcium.tank, calcium.stock, calcium.held_l, calcium.usable_l) == ("a", "calcium", 50.0, 10.0)
    assert calcium.lacks_l == pytest.approx(sum(drawn_l) - 10.0)
    assert runs[0].begins < calcium.by < runs[0].ends
    assert (potassium.tank, potassium.held_l, potassium.usable_l, potassium.lacks_l) == ("b", None, None, 0.0)


@pytest.mark.parametrize(
    ("held_l", "text"),
    [
        (
            350.0,
            "Tank a holds 310 L above its low level and tonight needs 420 L of calcium: mix 110 L more before 21:40.",
        ),
        (500.0, "Tank a holds 460 L above its low level and tonight needs 420 L of calcium: enough."),
        (None, "Nobody knows what tank a holds, and tonight needs 420 L of calcium: look at it before 21:40."),
    ],
)
def test_what_is_told_of_a_tank(held_l: float | None, text: str) -> None:
    """Guards the afternoon's words: what is missing, or that there is enough, or that nobody knows."""
    usable_l = None if held_l is None else held_l - 40.0
    assert tank_text(TankTonight("a", "calcium", held_l, usable_l, 420.0, _at("21:40")), _ADELAIDE) == text


def test_a_start_has_one_name() -> None:
    """Guards the claim: timetable, number and night, and nothing that a changed clock or decision would move."""
    start = Start("a", 1, _NIGHT, _at("22:00"), _at("23:00"))
    assert start.name == replace(start, at=_at("22:30"), latest=_at("22:31")).name == ("a", 1, _NIGHT)
