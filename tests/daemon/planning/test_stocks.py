"""What a plan finds in the tank: nothing is injected that is not there, and what looks wrong is said before."""

from datetime import timedelta
from typing import Any

import pytest

from daemon.decisions.base import Decision, Decisions
from daemon.decisions.tanks import BucketTest, Mix
from daemon.planning.checks import Check, PlanError
from daemon.planning.night import plan_run
from tests.daemon.control.plant import demo_decisions, kestrel
from tests.daemon.decisions.tanks import MIXED_AT, NOW, tank_of

_MIX = ("mix", "a_1")


def _changed(decisions: Decisions, **changes: Any) -> Decisions:
    """Return the decisions with the demo's mix changed."""
    mix = decisions[_MIX]
    return {**decisions, _MIX: Mix.model_validate({**mix.model_dump(), **changes})}


def _drained(heel_l: float, hours: float) -> Mix:
    return Mix(tank="a", did="drained", at=MIXED_AT + timedelta(hours=hours), by="Mina", heel_l=heel_l)


def _without_mix() -> Decisions:
    return {name: decision for name, decision in demo_decisions().items() if name != _MIX}


@pytest.mark.parametrize(
    ("decisions", "said"),
    [
        (_without_mix(), "nobody has entered what is in tank a. Mix stock calcium and enter the mix"),
        (
            {**demo_decisions(), ("mix", "a_2"): _drained(0.0, 1.0)},
            "tank a is empty since mix a_2. Mix stock calcium and enter the mix",
        ),
        (
            _changed(demo_decisions(), at=NOW + timedelta(minutes=1)),
            "mix a_1 of tank a is of 2026-10-13T22:01+10:30, later than now. Correct its date, or wait until then",
        ),
        (
            _changed(
                {**demo_decisions(), **tank_of("urea", "a", {"N": 46.0}, product_g_l=100.0, ec_ms_cm_per_g_l=0.0)}
            ),
            "tank a holds stock urea, and the program asks for calcium. Drain the tank and mix calcium, or change the "
            "program",
        ),
        (
            _changed(demo_decisions(), heel_l=100.0),
            "mix a_1: it has a heel of 100 L, and the tank was empty. Enter the mix that the heel is left of, or a "
            "draining to 0 L before this filling",
        ),
    ],
)
def test_a_tank_that_does_not_hold_the_stock_is_refused(decisions: Decisions, said: str) -> None:
    """Guards the crop: nothing, another stock, a mix of tomorrow and an unknown heel are refused, with what to do."""
    with pytest.raises(PlanError) as caught:
        plan_run(kestrel(), decisions, "creek_night", "run-1", NOW)
    assert str(caught.value) == said and [check.what for check in caught.value.checks] == ["tank"]


def test_a_mix_counts_from_its_minute_on() -> None:
    """Guards the moment: at the very time of the mix the tank holds it."""
    assert plan_run(kestrel(), _changed(demo_decisions(), at=NOW), "creek_night", "run-1", NOW).recipe.channels


def _warnings(decisions: Decisions) -> list[Check]:
    checks = plan_run(kestrel(), decisions, "creek_night", "run-1", NOW).checks
    return [check for check in checks if check.warns and check.what in ("wrong bag", "make-up")]


def _bucket(slope: float) -> dict[tuple[str, str], Decision]:
    """Return a bucket of 100 mL in 9.9 L of water of 0.5 mS/cm: 2 g/L of product."""
    test = BucketTest(
        mix="a_1",
        at=MIXED_AT + timedelta(hours=1),
        by="Mina",
        stock_ml=100.0,
        water_l=9.9,
        water_ec_ms_cm=0.5,
        mixed_ec_ms_cm=0.495 + 2.0 * slope,
    )
    return {("bucket_test", "a"): test}


def test_a_bucket_test_replaces_the_expected_rise() -> None:
    """Guards the batch's own slope: measured in the water that is used, nothing more is taken off it."""
    decisions = {**demo_decisions(), **_bucket(1.0)}
    (channel,) = plan_run(kestrel(), decisions, "creek_night", "run-1", NOW).recipe.channels
    assert channel.ec_rise_ms_cm == pytest.approx(200.0 * channel.ratio)
    assert _warnings(decisions) == []


def test_a_wrong_bag_warns_before_it_is_injected() -> None:
    """Guards the cheapest catch: 1.34 where 1.1 x 0.96 is expected is told, and does not stop the night."""
    (told,) = _warnings({**demo_decisions(), **_bucket(1.34)})
    assert told.passed and told.what == "wrong bag"
    assert "gives 1.34 mS/cm for each g/L" in told.reason and "would give 1.06: a wrong bag" in told.reason


def test_a_tank_that_is_not_made_up_as_its_stock_warns() -> None:
    """Guards the make-up: 150 kg and not 160 in 800 L are told, and the dose is by what is there."""
    decisions = _changed(demo_decisions(), portions=[{"product": "calcium_nitrate", "kg": 150.0}])
    (told,) = _warnings(decisions)
    assert told.reason == "tank a holds 187.5 g/L of calcium_nitrate and not 200.0"
    (channel,) = plan_run(kestrel(), decisions, "creek_night", "run-1", NOW).recipe.channels
    assert channel.stock_l == pytest.approx(309.677 * 200.0 / 187.5, abs=1e-3)
    assert channel.nutrients_g_l["N"] == pytest.approx(31.0 * 187.5 / 200.0)
