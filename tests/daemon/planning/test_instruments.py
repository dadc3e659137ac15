"""Calibration evidence and its age: young it beats the class, after a year it is worth no more than that."""

import math
from datetime import timedelta

import pytest

from daemon.decisions.base import Decisions
from daemon.decisions.measured import Calibration
from daemon.planning.instruments import calibrated, calibrated_pct
from daemon.planning.night import plan_run
from tests.daemon.control.plant import demo_decisions, small
from tests.daemon.decisions.tanks import NOW

_CLASS_1_PCT = 2.0 / math.sqrt(3.0)
_YEAR = timedelta(days=365.25)


def _found(days: float, accuracy_pct: float = 0.4, instrument: str = "injector.a") -> Calibration:
    body = {
        "instrument": instrument,
        "accuracy_pct": accuracy_pct,
        "at": (NOW - timedelta(days=days)).isoformat(),
        "by": "Ana",
        "how": "a minute into a measuring glass, three times",
    }
    return Calibration.model_validate(body)


def _known(*found: Calibration) -> dict[str, float]:
    decisions: Decisions = {("calibration", f"c_{n}"): one for n, one in enumerate(found)}
    return calibrated_pct(small().site, decisions, NOW)


@pytest.mark.parametrize(
    ("days", "pct"),
    [
        (0.0, 0.4),
        (182.625, math.hypot(0.4, 0.5 * _CLASS_1_PCT)),
        (365.25, _CLASS_1_PCT),  # the meter is of class 1: no worse than without
        (3652.5, _CLASS_1_PCT),
    ],
)
def test_a_calibration_fades_into_the_class(days: float, pct: float) -> None:
    """Guards age: by quadrature (GUM, JCGM 100:2008, 5.1.2), and never past what the class permits."""
    assert _known(_found(days)) == {"injector.a": pytest.approx(pct)}


def test_the_newest_counts_and_what_is_to_come_does_not() -> None:
    """Guards the evidence: a later calibration takes the place of an earlier one, whatever their order."""
    young, old = _found(0.0, 0.9), _found(100.0, 0.2)
    assert _known(young, old) == _known(old, young) == {"injector.a": pytest.approx(0.9)}
    assert _known(_found(-1.0)) == {} and _known() == {}


def test_what_the_site_has_not_is_left_alone() -> None:
    """Guards a calibration of an instrument that was taken out: planning goes on by what is there."""
    assert _known(_found(0.0, instrument="injector.gone")) == {}
    assert [name for name, _ in calibrated(small().site)] == ["main.water", "main.line_ec", "injector.a"]


def test_the_recipe_takes_it_along() -> None:
    """Guards the way from the evidence to the dose's band: the run is stated by what held when it was planned."""
    decisions = {**demo_decisions(), ("calibration", "jug"): _found(0.0)}
    recipe = plan_run(small(), decisions, "creek_night", "run-1", NOW).recipe
    assert recipe.calibrated_pct == {"injector.a": pytest.approx(0.4)}
    assert plan_run(small(), demo_decisions(), "creek_night", "run-1", NOW).recipe.calibrated_pct == {}
