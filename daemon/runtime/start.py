"""A START: from its programs to the recipes of its runs, and back to what a stop of the controller left unrun."""

import hashlib
import json
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from daemon.agronomy.past import Past, PastDose, PastWater
from daemon.decisions.base import Decisions
from daemon.messages import Verb
from daemon.planning.night import Plan, plan_run
from daemon.recipe import Recipe
from daemon.site import Plant
from daemon.units import kilograms

if TYPE_CHECKING:
    from daemon.ledger.durable import Durable  # heavy: the safe outputs are written before it is imported


def plan_start(
    plant: Plant, decisions: Decisions, programs: Sequence[str], command_id: str, now: datetime, past: Past
) -> tuple[Plan, ...]:
    """Return the plans for runs of `programs`, one after the other, beginning at `now`. Raises PlanError.

    Each counts what those before it are to give as given, so that caps hold over all of them. A run's name ends with
    its place and a mark of the command's id: a clock that was set back shows the same second twice, and the record
    takes each name once.
    """
    plans: list[Plan] = []
    for place, program in enumerate(programs):
        run = f"{now:%Y%m%dT%H%M%SZ}-{program}-{_mark(command_id)}{place}"
        plans.append(plan_run(plant, decisions, program, run, now, past))
        past = _with(past, plans[-1].recipe, now)
    return tuple(plans)


def warnings_of(plans: Sequence[Plan]) -> str:
    """Return what somebody should read before these runs inject, shift by shift; empty when there is nothing."""
    told = {plan.recipe.shift: [check.reason for check in plan.checks if check.warns] for plan in plans}
    return " ".join(f"Mind, shift {shift}: {'; '.join(reasons)}." for shift, reasons in told.items() if reasons)


def _with(past: Past, recipe: Recipe, at: datetime) -> Past:
    """Return the past with a run that is still to come as if it had gone as planned."""
    doses: list[PastDose] = []
    for block in recipe.blocks:
        planned_mg: dict[str, int] = {}
        for masses_mg in block.planned_mg.values():
            for nutrient, mass_mg in masses_mg.items():
                planned_mg[nutrient] = planned_mg.get(nutrient, 0) + mass_mg
        for nutrient, mass_mg in planned_mg.items():
            mass_kg = kilograms(mass_mg)
            doses.append(
                PastDose(
                    run=recipe.run,
                    block=block.block,
                    nutrient=nutrient,
                    at=at,
                    planned_kg=mass_kg,
                    delivered_kg=mass_kg,
                    committed_kg=mass_kg,
                    u_kg=0.0,
                    is_disputed=False,
                    is_revised=False,
                )
            )
    water = (
        PastWater(recipe.run, block.block, at, recipe.water_l * block.share / 1000.0, recipe.source)
        for block in recipe.blocks
    )
    return Past((*past.doses, *doses), (*past.water, *water))


def not_begun(durable: "Durable") -> list[str]:
    """Return the programs that were to follow the run that never ended."""
    run = durable.run.started.row.run if durable.run is not None else ""
    for stamped in reversed(durable.answered):
        start = stamped.row
        if run and start.accepted and start.verb == Verb.START.value and f"-{_mark(start.command)}" in run:
            programs: list[str] = json.loads(start.arguments).get("programs", [])
            return programs[int(run.rpartition(_mark(start.command))[2]) + 1 :]
    return []


def _mark(command_id: str) -> str:
    return hashlib.sha256(command_id.encode()).hexdigest()[:6]
