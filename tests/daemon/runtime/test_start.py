"""A START of several programs: each is planned by what is given already, those before it counted (invariant 8)."""

import re
from datetime import timedelta
from typing import Any

import pytest

from daemon.agronomy.past import Past, PastDose
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Cap
from daemon.decisions.timetable import Tonight
from daemon.planning.checks import PlanError, warning
from daemon.planning.night import Plan
from daemon.recipe import Recipe
from daemon.runtime.start import Asked, asked_by, plan_start, warnings_of
from tests.daemon.control.plant import demo_decisions, kestrel
from tests.daemon.runtime.farm import START

_NO_PAST = Past()
_AREA_HA, _DOSE_KG_HA = 3.2, 3.0
"""Of the creek block, and what one program gives it."""


def _plan(times: int, most_kg_ha: float, past: Past = _NO_PAST, strict: str = "hard") -> tuple[Recipe, ...]:
    cap = Cap.model_validate(
        {
            "nutrient": "N",
            "kg_ha": most_kg_ha,
            "over": "day",
            "basis": "each_hectare",
            "strict": strict,
            "why": "made up",
        }
    )
    decisions = {**demo_decisions(), ("cap", "day"): cap}
    return tuple(plan.recipe for plan in _plans(decisions, times, past))


def _plans(decisions: Decisions, times: int, past: Past = _NO_PAST) -> tuple[Plan, ...]:
    planned = plan_start(kestrel(), decisions, [Asked("creek_night")] * times, "c1", START, past)
    assert not planned.refusals
    return planned.plans


def _given(kg: float) -> Past:
    at = START - timedelta(hours=3)
    return Past((PastDose("earlier", "creek", "N", at, kg, kg, kg, 0.0, False, False),))


def test_a_queue_stays_under_a_hard_cap_together() -> None:
    """Each program alone is under the cap; the second has half of its stock because the first is to run before it."""
    assert len(_plan(1, 1.5 * _DOSE_KG_HA)) == 1
    first, second = (recipe.channels[0] for recipe in _plan(2, 2.5 * _DOSE_KG_HA))
    assert second.stock_l == first.stock_l
    first, second = (recipe.channels[0] for recipe in _plan(2, 1.5 * _DOSE_KG_HA))
    assert second.stock_l == pytest.approx(0.5 * first.stock_l)
    first, second = (recipe.channels[0] for recipe in _plan(2, 1.5 * _DOSE_KG_HA, strict="advisory"))
    assert second.stock_l == first.stock_l


def test_what_was_given_counts_for_every_program() -> None:
    """What the record holds of the day is there for the first program and for the last."""
    past = _given(1.0 * _DOSE_KG_HA * _AREA_HA)
    first, second = (recipe.channels[0] for recipe in _plan(2, 2.5 * _DOSE_KG_HA, past))
    assert second.stock_l == pytest.approx(0.5 * first.stock_l)


def test_the_injectors_own_limit_falls_with_each_program() -> None:
    """Invariant 8 at the injector: the second run's hard stop is what the first leaves under the cap."""
    first, second = (recipe.channels[0] for recipe in _plan(2, 2.5 * _DOSE_KG_HA))
    assert first.most_l is not None and second.most_l is not None
    assert first.most_l / first.stock_l == pytest.approx(2.5)
    assert second.most_l / second.stock_l == pytest.approx(1.5)


def test_runs_are_named_once_and_in_order() -> None:
    """A clock that was set back shows the same second twice: the command's mark and the place tell runs apart."""
    names = [recipe.run for recipe in _plan(2, 100.0)]
    assert [name[:-1] for name in names] == [names[0][:-1]] * 2
    assert [name[-1] for name in names] == ["0", "1"]
    assert names[0].startswith("20261013T113000Z-creek_night-")


def test_a_program_that_cannot_run_holds_up_no_other() -> None:
    """A refusal says why, under its program's name; the others keep their places."""
    asked = [Asked("no_such_night"), Asked("creek_night")]
    planned = plan_start(kestrel(), demo_decisions(), asked, "c1", START, _NO_PAST)
    assert [plan.recipe.run[-1] for plan in planned.plans] == ["1"]
    assert list(planned.refusals) == ["no_such_night"] and "no_such_night" in str(planned.refusals["no_such_night"])


def test_a_block_is_watered_by_hand() -> None:
    """Water alone, for so many minutes at the block's own flow."""
    asked, decisions = asked_by({"block": "creek", "minutes": 120}, demo_decisions())
    (plan,) = plan_start(kestrel(), decisions, asked, "c1", START, _NO_PAST).plans
    recipe = plan.recipe
    assert [block.block for block in recipe.blocks] == ["creek"] and not recipe.channels
    assert recipe.water_l == pytest.approx(2.0 * recipe.flow_m3_h * 1000.0)


def test_a_block_is_watered_by_hand_whatever_is_decided_for_the_night() -> None:
    """A night that is skipped for the rain bars no tap for the seedlings."""
    skipped = Tonight(night=START.date(), do="skip", why="rain")
    asked, decisions = asked_by({"block": "creek", "minutes": 30}, {**demo_decisions(), ("tonight", "dry"): skipped})
    assert plan_start(kestrel(), decisions, asked, "c1", START, _NO_PAST).plans


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ({}, "got programs None; expected a list of programs to run"),
        ({"programs": []}, "expected a list of programs to run"),
        ({"block": "Creek 1", "minutes": 60}, "got block 'Creek 1'; expected the name of a block"),
        ({"block": "creek"}, "got minutes None; expected more than 0"),
        ({"block": "creek", "minutes": 2000}, "expected more than 0 and at most 1440"),
        ({"block": "creek", "minutes": float("nan")}, "expected more than 0"),
    ],
)
def test_a_start_that_asks_for_nothing_sensible_is_refused(arguments: dict[str, Any], told: str) -> None:
    """What was got, and what is expected."""
    with pytest.raises(PlanError, match=re.escape(told)):
        asked_by(arguments, demo_decisions())


def test_what_a_plan_warns_of_is_told_with_the_answer() -> None:
    """A wrong bag or a strong line is read before the injector opens, shift by shift; a quiet plan says nothing."""
    plans = _plans(demo_decisions(), 1)
    told = [check.reason for check in plans[0].checks if check.warns]
    assert all(reason in warnings_of(plans) for reason in told)
    quiet = Plan(plans[0].recipe, tuple(check for check in plans[0].checks if not check.warns))
    loud = Plan(quiet.recipe, (*quiet.checks, warning("wrong bag", "the bucket test speaks against it")))
    assert warnings_of((quiet,)) == ""
    assert warnings_of((quiet, loud)) == "Mind, shift creek: the bucket test speaks against it."
