"""How a night on the simulator is shown: each shift's phases, and its doses as planned, as delivered and in truth."""

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from daemon.cli.estimates import doubt_lines
from daemon.control.interlocks import BY_CODE
from daemon.dosing.outcome import block_doses, judge_dose
from daemon.evidence import DoseReconciled
from daemon.ledger.reports import RunReport
from daemon.units import kilograms, litres

TRUTH = "Truth is what left the simulator's emitters; the daemon never sees it."
Masses = Mapping[str, Mapping[str, float]]
"""Kilograms by block and nutrient."""
_BAR_S = 300.0
_WORDS = {"DELIVERED": "as planned", "SHORT": "SHORT", "OVER": "OVER"}


def shift_lines(
    truth_kg: Masses,
    report: RunReport,
    zone: ZoneInfo,
    *,
    heads: bool,
    notes: Sequence[str] = (),
) -> list[str]:
    """Return one shift's phases, `notes`, doses and end; heads over the doses once fit on a screen.

    `truth_kg` is what left the simulator's emitters, by block and nutrient.
    """
    recipe = json.loads(report.started.row.recipe)
    blocks = [block["block"] for block in recipe["blocks"]]
    lines = [f"Shift {recipe['shift']}: {', '.join(blocks)}"]
    for phase in report.phases:
        start = datetime.fromtimestamp((phase.at_ms - phase.row.duration_ms) / 1000.0, zone)
        minutes = phase.row.duration_ms / 60000.0
        bar = "#" * max(1, round(phase.row.duration_ms / 1000.0 / _BAR_S))
        stock = f"{litres(phase.row.stock_ml):6.1f} L stock" if phase.row.stock_ml else ""
        lines.append(
            f"  {phase.row.phase:7} {start:%H:%M} {minutes:4.0f} min {litres(phase.row.water_ml) / 1000.0:6.1f} m3  "
            f"{bar:20} {stock}".rstrip()
        )
    lines += [f"  {note}" for note in notes]
    if heads:
        lines.append("  block   nutrient    planned   delivered (k = 2)      truth")
    doses = block_doses(report.found)
    for dose in sorted(doses, key=lambda dose: blocks.index(dose.block)):
        lines.append(
            f"  {dose.block:8}{dose.nutrient:8} {kilograms(dose.planned_mg):7.2f} kg "
            f"{kilograms(dose.delivered_mg):7.2f} ± {kilograms(dose.u_delivered_mg):4.2f} kg "
            f"{truth_kg[dose.block].get(dose.nutrient, 0.0):7.2f} kg   {_WORDS[judge_dose(dose)]}"
        )
    lines += [f"  {line}" for stamped in report.reconciled for line in _doubts(stamped.row)]
    if report.ended is not None:
        lines.append(f"  {report.ended.row.outcome} ({report.ended.row.state}): {_because(report.ended.row.why)}")
    return lines


def _doubts(found: DoseReconciled) -> Iterator[str]:
    """Yield what is likely wrong with a channel's stock, the likeliest first, and what to look at."""
    causes: list[str] = json.loads(found.causes)
    if not causes:
        return
    by = {"meter": found.meter_ml, "tank": found.tank_ml, "EC": found.ec_ml}
    silent = {"tank": found.tank_silent, "EC": found.ec_silent}
    said = ", ".join(f"{name} {litres(ml):.1f}" for name, ml in by.items() if not silent.get(name))
    yield f"Channel {found.channel}: its estimates differ, in litres of stock: {said}. Look, the likeliest first:"
    yield from doubt_lines(causes)


def truth_kg_of(truth: Mapping[str, Any]) -> dict[str, dict[str, float]]:
    """Return what left the simulator's emitters, by block and nutrient."""
    return {block: dict(figures["delivered_kg"]) for block, figures in truth["blocks"].items()}


def _because(why: str) -> str:
    """Return the first cause of a run's end in words."""
    cause = BY_CODE.get(why.split(", ")[0])
    return cause.meaning if cause is not None else f"{why}."
