"""What is different on one night: skipped, water alone, more or less water; the dose never follows the water."""

from datetime import date

import pytest

from daemon.decisions.base import Decisions
from daemon.decisions.timetable import Tonight
from daemon.decisions.watering import Program
from daemon.planning.checks import PlanError
from daemon.planning.exceptions import program_on
from daemon.planning.night import plan_run
from tests.daemon.control.plant import demo_decisions, injection, kestrel
from tests.daemon.decisions.tanks import NOW

_NIGHT = date(2026, 10, 13)


def _decided(*exceptions: dict[str, object], **program: object) -> Decisions:
    nights = {
        ("tonight", f"one_{i}"): Tonight.model_validate({"night": _NIGHT, "why": "a test", **body})
        for i, body in enumerate(exceptions)
    }
    return {**demo_decisions(**({"program": program} if program else {})), **nights}


def _on(decisions: Decisions, night: date = _NIGHT) -> tuple[Program, float]:
    program = decisions["program", "creek_night"]
    assert isinstance(program, Program)
    return program_on(decisions, program, night)


def test_nothing_different() -> None:
    """Guards an ordinary night: the program as it is, and exceptions of other nights and shifts do not touch it."""
    decisions = _decided(
        {"night": date(2026, 10, 12), "do": "skip"},
        {"shifts": ["ridge"], "do": "skip"},
    )
    assert _on(decisions) == (decisions["program", "creek_night"], 1.0)


@pytest.mark.parametrize("shifts", [[], ["creek"], ["ridge", "creek"]])
def test_a_skipped_night_says_why(shifts: list[str]) -> None:
    """Guards skipping: the shift named, or all of them, and the reason that was given."""
    with pytest.raises(PlanError, match="shift creek is skipped on the night of 2026-10-13: a test"):
        _on(_decided({"shifts": shifts, "do": "skip"}))


def test_skipping_wins_over_all_else() -> None:
    """Guards two exceptions of one night in either order: what is skipped does not run."""
    for first, second in (("water_only", "skip"), ("skip", "water_only")):
        with pytest.raises(PlanError):
            _on(_decided({"do": first}, {"do": second}))


def test_water_without_fertiliser() -> None:
    """Guards losing fertiliser never loses water: no stock is planned, and all of the water is."""
    recipe = plan_run(kestrel(), _decided({"do": "water_only"}), "creek_night", "run-1", NOW).recipe
    assert (recipe.channels, recipe.flush_l, recipe.water_l) == ((), 0.0, 84_000.0)


def test_seventy_percent_of_the_water_and_all_of_the_dose() -> None:
    """Guards "changing water never changes kg/ha": planned milligrams are those of the whole water, at 130 % too."""
    whole = plan_run(kestrel(), _decided(), "creek_night", "run-1", NOW).recipe
    for share in (0.98, 1.3):
        less = plan_run(
            kestrel(), _decided({"do": "water_share", "water_share": share}), "creek_night", "run-1", NOW
        ).recipe
        assert less.blocks[0].planned_mg == whole.blocks[0].planned_mg
        assert less.water_l == pytest.approx(share * whole.water_l, rel=0.03)


def test_two_shares_multiply() -> None:
    """Guards two exceptions of one night: half for all shifts and half of that for this one is a quarter."""
    half = {"do": "water_share", "water_share": 0.5}
    assert _on(_decided(half, {**half, "shifts": ["creek"]}))[1] == 0.25


def test_a_stock_has_its_nights() -> None:
    """Guards injections by night: 13 October 2026 is a Tuesday's night, whatever the date once it is past midnight."""
    stocks = [
        {**injection(3.0, 42.0), "nights": ["tue"]},
        {**injection(3.0, 42.0, "potassium"), "nights": ["mon", "sun"]},
    ]
    decisions = _decided(injections=stocks)
    assert [one.stock for one in _on(decisions)[0].injections] == ["calcium"]
    assert [one.stock for one in _on(decisions, date(2026, 10, 12))[0].injections] == ["potassium"]
    assert _on(decisions, date(2026, 10, 14))[0].injections == ()
