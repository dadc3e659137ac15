"""The verdict on a run: what its doses add up to by all that speaks of them, against the plan."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from daemon.evidence import Dose, DoseReconciled

_BAND = 0.10
"""As planned is within a tenth of the plan, or as close as the instruments can tell (common practice, no source)."""
_MOST_BAND = 0.25
"""Instruments that can tell no better than this, of the plan, cannot call a dose delivered (engineering judgement)."""


def judge_dose(dose: Dose) -> str:
    """Return DELIVERED, SHORT or OVER for one block and nutrient."""
    miss_mg = dose.delivered_mg - dose.planned_mg
    unsure_mg = min(dose.u_delivered_mg, _MOST_BAND * dose.planned_mg) if dose.delivered_mg else 0
    if abs(miss_mg) <= max(_BAND * dose.planned_mg, unsure_mg):
        return "DELIVERED"
    return "SHORT" if miss_mg < 0 else "OVER"


def block_doses(doses: Iterable[Dose]) -> tuple[Dose, ...]:
    """Return one row for each block and nutrient by the meters, all channels together.

    What the channels' uncertainties share (the split between blocks, the pipes) outweighs what is each one's own, so
    they are added and not taken in quadrature.
    """
    totals: dict[tuple[str, str], Dose] = {}
    for dose in doses:
        if dose.estimate != "METER":
            continue
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


def combined(doses: Iterable[Dose], reconciled: Iterable[DoseReconciled]) -> tuple[Dose, ...]:
    """Return the meters' doses as all estimates together have them; those of a channel without any as they are."""
    known = {row.channel: row for row in reconciled if row.meter_ml > 0}
    return tuple(
        _as_found(dose, known[dose.channel]) if dose.channel in known else dose
        for dose in doses
        if dose.estimate == "METER"
    )


def _as_found(dose: Dose, found: DoseReconciled) -> Dose:
    """Return a meter's dose with what was found of its channel in the place of the meter's own part."""
    times = found.dose_ml / found.meter_ml
    metered, known = found.u_meter_ml / found.meter_ml, found.u_dose_ml / found.meter_ml

    def u_mg(mass_mg: int, u_all_mg: int) -> int:
        others_mg = math.sqrt(max(0.0, u_all_mg**2 - (metered * mass_mg) ** 2))
        return round(math.hypot(times * others_mg, known * mass_mg))

    injected_mg, delivered_mg, lost_mg = (
        round(times * mass_mg) for mass_mg in (dose.injected_mg, dose.delivered_mg, dose.lost_mg)
    )
    return replace(
        dose,
        injected_mg=injected_mg,
        delivered_mg=delivered_mg,
        in_lines_mg=injected_mg - delivered_mg - lost_mg,
        lost_mg=lost_mg,
        u_injected_mg=u_mg(dose.injected_mg, dose.u_injected_mg),
        u_delivered_mg=u_mg(dose.delivered_mg, dose.u_delivered_mg),
    )


def judge_run(doses: Sequence[Dose]) -> str:
    """Return the outcome: OVER if any block is over, else SHORT if any is short; NOT_RUN with nothing injected."""
    if not any(dose.injected_mg for dose in doses):
        return "NOT_RUN"
    outcomes = {judge_dose(dose) for dose in block_doses(doses)}
    return "OVER" if "OVER" in outcomes else "SHORT" if "SHORT" in outcomes else "DELIVERED"
