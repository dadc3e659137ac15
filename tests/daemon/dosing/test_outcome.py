"""The verdict on a dose and on a run."""

from dataclasses import replace

import pytest

from daemon.dosing.outcome import block_doses, judge_dose, judge_run
from daemon.evidence import Dose


def _dose(delivered_mg: int, u_delivered_mg: int = 0, planned_mg: int = 1000) -> Dose:
    return Dose(
        run="run-1",
        block="creek",
        channel="a",
        nutrient="N",
        estimate="METER",
        basis="measured",
        planned_mg=planned_mg,
        injected_mg=delivered_mg,
        delivered_mg=delivered_mg,
        in_lines_mg=0,
        lost_mg=0,
        u_injected_mg=0,
        u_delivered_mg=u_delivered_mg,
    )


@pytest.mark.parametrize(
    ("delivered_mg", "u_mg", "verdict"),
    [
        (1000, 0, "DELIVERED"),
        (900, 0, "DELIVERED"),
        (1100, 0, "DELIVERED"),
        (899, 0, "SHORT"),
        (1101, 0, "OVER"),
        (880, 120, "DELIVERED"),  # as close as the instruments can tell
        (1120, 120, "DELIVERED"),
        (880, 119, "SHORT"),
        (0, 5000, "SHORT"),  # nothing delivered is never within an uncertainty
    ],
)
def test_a_dose_is_judged_by_its_band(delivered_mg: int, u_mg: int, verdict: str) -> None:
    """Guards the band: a tenth of the plan, or the k = 2 uncertainty where that is wider."""
    assert judge_dose(_dose(delivered_mg, u_mg)) == verdict


@pytest.mark.parametrize(
    ("delivered_mg", "verdict"),
    [
        ([1000, 1000], "DELIVERED"),
        ([1000, 500], "SHORT"),
        ([1500, 500], "OVER"),
        ([], "NOT_RUN"),
        ([0, 0], "NOT_RUN"),
        ([1000, 0], "SHORT"),
    ],
)
def test_a_run_is_as_good_as_its_worst_block(delivered_mg: list[int], verdict: str) -> None:
    """Guards the outcome: OVER before SHORT before DELIVERED; nothing injected is NOT_RUN."""
    doses = [replace(_dose(mg), block=f"block_{n}") for n, mg in enumerate(delivered_mg)]
    assert judge_run(doses) == verdict


def test_a_nutrient_of_two_channels_is_one_dose() -> None:
    """Guards the verdict on a block: 600 of 600 and 300 of 400 from two channels are 900 of 1000, as planned."""
    full, half = _dose(600, 30, planned_mg=600), replace(_dose(300, 40, planned_mg=400), channel="b")
    assert judge_dose(half) == "SHORT"
    together = block_doses([full, half, replace(full, block="ridge")])
    assert [(dose.block, dose.channel) for dose in together] == [("creek", "a+b"), ("ridge", "a")]
    both = together[0]
    assert (both.planned_mg, both.injected_mg, both.delivered_mg) == (1000, 900, 900)
    assert both.u_delivered_mg == 70, "what the channels share of it does not average out"
    assert judge_run([full, half]) == "DELIVERED"


def test_another_nutrient_is_judged_by_itself() -> None:
    """Guards the outcome: enough nitrogen does not make up for potassium that is missing."""
    assert judge_run([_dose(1000), replace(_dose(300), nutrient="K", channel="b")]) == "SHORT"
