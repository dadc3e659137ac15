"""The verdict on a run: what its dose rows add up to, against the plan."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from daemon.evidence import Dose

_BAND = 0.10
"""As planned is within a tenth of the plan, or as close as the instruments can tell (common practice, no source)."""


def judge_dose(dose: Dose) -> str:
    """Return DELIVERED, SHORT or OVER for one block and nutrient."""
    miss_mg = dose.delivered_mg - dose.planned_mg
    if abs(miss_mg) <= max(_BAND * dose.planned_mg, dose.u_delivered_mg if dose.delivered_mg else 0):
        return "DELIVERED"
    return "SHORT" if miss_mg < 0 else "OVER"


def block_doses(doses: Iterable[Dose]) -> tuple[Dose, ...]:
    """Return one row for each block and nutrient, all channels together.

    What the channels' uncertainties share (the split between blocks, the pipes) outweighs what is each one's own, so
    they are added and not taken in quadrature.
    """
    totals: dict[tuple[str, str], Dose] = {}
    for dose in doses:
        before = totals.get((dose.block, dose.nutrient))
        totals[dose.block, dose.nutrient] = dose if before is None else _together(before, dose)
    return tuple(totals.values())


def _together(one: Dose, other: Dose) -> Dose:
    return replace(
        one,
        channel=f"{one.channel}+{other.channel}",
        planned_mg=one.planned_mg + other.planned_mg,
        injected_mg=one.injected_mg + other.injected_mg,
        delivered_mg=one.delivered_mg + other.delivered_mg,
        in_lines_mg=one.in_lines_mg + other.in_lines_mg,
        lost_mg=one.lost_mg + other.lost_mg,
        u_injected_mg=one.u_injected_mg + other.u_injected_mg,
        u_delivered_mg=one.u_delivered_mg + other.u_delivered_mg,
    )


def judge_run(doses: Sequence[Dose]) -> str:
    """Return the outcome: OVER if any block is over, else SHORT if any is short; NOT_RUN with nothing injected."""
    if not any(dose.injected_mg for dose in doses):
        return "NOT_RUN"
    outcomes = {judge_dose(dose) for dose in block_doses(doses)}
    return "OVER" if "OVER" in outcomes else "SHORT" if "SHORT" in outcomes else "DELIVERED"
