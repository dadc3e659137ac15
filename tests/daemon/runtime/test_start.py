"""A START of several programs: each is planned by what is given already, those before it counted (invariant 8)."""

from datetime import timedelta

import pytest

from daemon.agronomy.past import Past, PastDose
from daemon.decisions.base import Decisions
from daemon.decisions.crops import Cap
from daemon.planning.checks import PlanError, warning
from daemon.planning.night import Plan
from daemon.recipe import Recipe
from daemon.runtime.start import plan_start, warnings_of
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
    return plan_start(kestrel(), decisions, ["creek_night"] * times, "c1", START, past)


def _given(kg: float) -> Past:
    at = START - timedelta(hours=3)
    return Past((PastDose("earlier", "creek", "N", at, kg, kg, kg, 0.0, False, False),))


def test_a_queue_stays_under_a_hard_cap_together() -> None:
    """Each program alone is under the cap; the second is refused because the first is to run before it."""
    assert len(_plan(1, 1.5 * _DOSE_KG_HA)) == 1
    assert len(_plan(2, 2.5 * _DOSE_KG_HA)) == 2
    with pytest.raises(PlanError, match="cap"):
        _plan(2, 1.5 * _DOSE_KG_HA)
    assert len(_plan(2, 1.5 * _DOSE_KG_HA, strict="advisory")) == 2


def test_what_was_given_counts_for_every_program() -> None:
    """What the record holds of the day is there for the first program and for the last."""
    past = _given(1.0 * _DOSE_KG_HA * _AREA_HA)
    assert len(_plan(1, 2.5 * _DOSE_KG_HA, past)) == 1
    with pytest.raises(PlanError, match="cap"):
        _plan(2, 2.5 * _DOSE_KG_HA, past)


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


def test_what_a_plan_warns_of_is_told_with_the_answer() -> None:
    """A wrong bag or a strong line is read before the injector opens, shift by shift; a quiet plan says nothing."""
    plans = _plans(demo_decisions(), 1)
    told = [check.reason for check in plans[0].checks if check.warns]
    assert all(reason in warnings_of(plans) for reason in told)
    quiet = Plan(plans[0].recipe, tuple(check for check in plans[0].checks if not check.warns))
    loud = Plan(quiet.recipe, (*quiet.checks, warning("wrong bag", "the bucket test speaks against it")))
    assert warnings_of((quiet,)) == ""
    assert warnings_of((quiet, loud)) == "Mind, shift creek: the bucket test speaks against it."
