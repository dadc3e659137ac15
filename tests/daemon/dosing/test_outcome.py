"""The verdict on a dose and on a run."""

import math
from dataclasses import replace

import pytest

from daemon.dosing.outcome import block_doses, combined, judge_dose, judge_run
from daemon.evidence import Dose, DoseReconciled


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
        (760, 9000, "DELIVERED"),
        (740, 9000, "SHORT"),  # where instruments know next to nothing, nothing is called delivered
        (1260, 9000, "OVER"),
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


def _found(dose_ml: int, u_dose_ml: int, meter_ml: int = 10_000, u_meter_ml: int = 300) -> DoseReconciled:
    return DoseReconciled(
        run="run-1",
        channel="a",
        meter_ml=meter_ml,
        u_meter_ml=u_meter_ml,
        tank_ml=0,
        u_tank_ml=0,
        ec_ml=0,
        u_ec_ml=0,
        dose_ml=dose_ml,
        u_dose_ml=u_dose_ml,
        volume_en_thousandths=0,
        strength_en_thousandths=0,
        tank_silent="",
        ec_silent="",
        causes="[]",
        beside="[]",
    )


def test_a_dose_goes_with_what_all_estimates_say() -> None:
    """Guards the combined dose: the meter's own part of the band gives way to the common one, all else stays."""
    metered = replace(_dose(1_000_000, 50_000), u_injected_mg=30_000, injected_mg=1_100_000, in_lines_mg=100_000)
    (found,) = combined([metered], [_found(9_000, 200)])
    assert (found.delivered_mg, found.injected_mg, found.in_lines_mg) == (900_000, 990_000, 90_000)
    others_mg = math.sqrt(50_000**2 - 30_000**2)  # 3 % of the delivered are the meter's
    assert found.u_delivered_mg == round(math.hypot(0.9 * others_mg, 20_000))
    assert found.u_injected_mg == 22_000  # the meter's 3 % were all of it
    assert combined([metered], [_found(10_000, 300)])[0].u_delivered_mg == 50_000


def test_without_a_finding_the_meter_stands() -> None:
    """Guards other channels, other estimates, and a meter that counted nothing."""
    metered, by_tank = _dose(1000, 50), replace(_dose(2000, 50), estimate="TANK")
    assert combined([metered, by_tank], []) == (metered,)
    assert combined([metered], [replace(_found(1, 1), channel="b")]) == (metered,)
    assert combined([metered], [_found(500, 10, meter_ml=0)]) == (metered,)
    assert block_doses([metered, by_tank]) == (metered,)
