"""The verdict on a run: what its dose rows add up to, against the plan."""

from collections.abc import Sequence

from daemon.evidence import Dose

_BAND = 0.10
"""As planned is within a tenth of the plan, or as close as the instruments can tell (common practice, no source)."""


def judge_dose(dose: Dose) -> str:
    """Return DELIVERED, SHORT or OVER for one block and nutrient."""
    miss_mg = dose.delivered_mg - dose.planned_mg
    if abs(miss_mg) <= max(_BAND * dose.planned_mg, dose.u_delivered_mg if dose.delivered_mg else 0):
        return "DELIVERED"
    return "SHORT" if miss_mg < 0 else "OVER"


def judge_run(doses: Sequence[Dose]) -> str:
    """Return the outcome: OVER if any block is over, else SHORT if any is short; NOT_RUN with nothing injected."""
    if not any(dose.injected_mg for dose in doses):
        return "NOT_RUN"
    outcomes = {judge_dose(dose) for dose in doses}
    return "OVER" if "OVER" in outcomes else "SHORT" if "SHORT" in outcomes else "DELIVERED"
