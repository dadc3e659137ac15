"""The EC at the emitters by hand, what a crop bears, and when EC can tell that the line is clear."""

from dataclasses import replace
from typing import Any

import pytest

from daemon.decisions.base import Decisions
from daemon.planning.checks import Check, PlanError
from daemon.planning.night import Plan, plan_run
from daemon.site import Plant
from tests.daemon.control.plant import demo_decisions, injection, wide
from tests.daemon.control.sites import supplied
from tests.daemon.decisions.tanks import NOW, tank_of
from tests.daemon.planning.crops import WATER, cycle, rise_in_creek

_A_L, _B_L = 0.1038 * 4.8 / 0.031, 0.1038 * 4.8 / 0.031
_CALCIUM_MS_CM = rise_in_creek(demo_decisions(), "a", 200.0 * _A_L / 2000.0)
_POTASSIUM_MS_CM = rise_in_creek(demo_decisions(), "b", 125.0 * _B_L / 2000.0)
"""Grams in a litre of line, by what each of them shows there."""


def _night(order: str = "together", source: str | None = "creek", **crop: Any) -> Decisions:
    injections = [injection(0.1038, 2.0), injection(0.1038, 2.0, "potassium")]
    program = {"injections": injections, "water_m3": 12.0, "source": source, "order": order}
    decisions = demo_decisions(shift={"blocks": ["creek", "ridge"]}, program=program)
    return {**decisions, **cycle(**crop), ("water", "creek"): WATER}


def _plan(decisions: Decisions, plant: Plant | None = None) -> Plan:
    return plan_run(plant or wide(), decisions, "creek_night", "run-1", NOW)


def _told(plan: Plan) -> list[Check]:
    return [check for check in plan.checks if check.what == "line EC"]


@pytest.mark.parametrize(
    ("order", "rise"),
    [("together", _CALCIUM_MS_CM + _POTASSIUM_MS_CM), ("in_turn", max(_CALCIUM_MS_CM, _POTASSIUM_MS_CM))],
)
def test_the_ec_at_the_emitters(order: str, rise: float) -> None:
    """Guards water + rise ± 10 %: stocks together add up, in turn the stronger one counts."""
    (told,) = _told(_plan(_night(order)))
    assert not told.warns
    assert told.reason.startswith(f"{0.4 + rise:.2f} mS/cm at the emitters, ±{0.1 * rise:.2f}")


def test_what_a_crop_bears() -> None:
    """Guards the limit: within the tolerance it warns, above it is refused with the water that would do."""
    whole = 0.4 + _CALCIUM_MS_CM + _POTASSIUM_MS_CM
    assert not [check for check in _told(_plan(_night(line_ec_most_ms_cm=1.15 * whole))) if check.warns]
    near = _told(_plan(_night(line_ec_most_ms_cm=1.01 * whole)))
    assert [check.warns for check in near] == [False, True, True], "creek and ridge"
    with pytest.raises(PlanError) as caught:
        _plan(_night(line_ec_most_ms_cm=0.4 + (whole - 0.4) / 2.0))
    failed = [check for check in caught.value.checks if not check.passed]
    assert [check.what for check in failed] == ["line EC"] * 2
    assert "calcium over 4.0 m3 and potassium over 4.0 m3, or 50 % of the dose" in failed[0].reason


def test_a_water_that_nobody_analysed_warns_where_there_is_a_limit() -> None:
    """Guards the source: without it the rise alone is judged, and the warning says that it is."""
    told = _told(_plan(_night(source=None, line_ec_most_ms_cm=9.0)))
    assert "above the water's own" in told[0].reason and [check.warns for check in told] == [False, True, True]


def _flush(decisions: Decisions, plant: Plant | None = None) -> tuple[float, float]:
    recipe = _plan(decisions, plant).recipe
    assert recipe.flush_most_l == pytest.approx(1.5 * recipe.flush_l)
    return recipe.flush_ec_ms_cm, recipe.channels[-1].ec_rise_ms_cm


def test_when_ec_tells_that_the_line_is_clear() -> None:
    """Guards the flush test: 5 % of the rise and no less than 0.05 mS/cm, of the stocks that are injected last."""
    assert _flush(_night())[0] == pytest.approx(max(0.05, 0.05 * (_CALCIUM_MS_CM + _POTASSIUM_MS_CM)))
    assert _flush(_night("in_turn"))[0] == pytest.approx(max(0.05, 0.05 * _POTASSIUM_MS_CM))


@pytest.mark.parametrize(("rise_ms_cm", "noise_ms_cm", "can_tell"), [(0.16, 0.01, True), (0.14, 0.01, False)])
def test_ec_cannot_tell_of_a_weak_stock(rise_ms_cm: float, noise_ms_cm: float, can_tell: bool) -> None:
    """Guards the least rise, 0.15 mS/cm; urea's is none."""
    slope = 1.25 * rise_ms_cm / _POTASSIUM_MS_CM
    weak = tank_of("potassium", "b", {"N": 31.0, "K": 46.4}, product_g_l=125.0, ec_ms_cm_per_g_l=slope, batch="b_1")
    found, rise = _flush({**_night("in_turn"), **weak})
    assert rise == pytest.approx(rise_ms_cm) and (found > 0.0) == can_tell
    urea = tank_of("potassium", "b", {"N": 31.0, "K": 46.4}, product_g_l=125.0, ec_ms_cm_per_g_l=0.0, batch="b_1")
    assert _flush({**_night("in_turn"), **urea}) == (0.0, 0.0)


def test_a_noisy_probe_or_none_cannot_tell() -> None:
    """Guards the probes: five times what they are unsure of by their span, and both are there."""
    plant = wide()
    line = plant.site.main.line_ec
    assert line is not None and line.at_low is not None and line.at_high is not None
    rise = _CALCIUM_MS_CM + _POTASSIUM_MS_CM
    for times, can_tell in ((1.01, False), (0.99, True)):
        pct = 100.0 * times * rise / 5.0 / (line.at_high - line.at_low)
        noisy = line.model_copy(update={"accuracy_pct_of_span": pct})
        main = plant.site.main.model_copy(update={"line_ec": noisy})
        found, _ = _flush(_night(), replace(plant, site=plant.site.model_copy(update={"main": main})))
        assert (found > 0.0) == can_tell
    decisions = demo_decisions(program={"injections": [injection(0.1038, 1.5)], "water_m3": 3.0})
    assert _flush(decisions, supplied("no ec"))[0] == 0.0


def test_the_lines_limits_while_injecting() -> None:
    """Guards the limits of a run: half as much again as the strongest moment, and what the crops bear."""
    rise, noise = _CALCIUM_MS_CM + _POTASSIUM_MS_CM, 0.01
    recipe = _plan(_night()).recipe
    assert recipe.ec_seen_ms_cm == 0.15 and recipe.line_ec_most_ms_cm == 0.0
    assert recipe.ec_rise_most_ms_cm == pytest.approx(1.5 * rise + 0.15)
    alone = _plan(_night("in_turn")).recipe
    assert alone.ec_rise_most_ms_cm == pytest.approx(1.5 * max(_CALCIUM_MS_CM, _POTASSIUM_MS_CM) + 0.15)
    lax = _plan(_night(line_ec_most_ms_cm=3.0 * rise)).recipe
    assert lax.line_ec_most_ms_cm == pytest.approx(3.0 * rise * 1.02 + noise), "and what the probe may be off by"
    near = _plan(_night(line_ec_most_ms_cm=0.4 + 1.01 * rise)).recipe
    assert near.line_ec_most_ms_cm == pytest.approx((0.4 + 1.1 * rise) * 1.02 + noise), "the plan's band was accepted"
    decisions = demo_decisions(program={"injections": [injection(0.1038, 1.5)], "water_m3": 3.0})
    blind = _plan(decisions, supplied("no ec")).recipe
    assert (blind.ec_seen_ms_cm, blind.ec_rise_most_ms_cm, blind.line_ec_most_ms_cm) == (0.0, 0.0, 0.0)
