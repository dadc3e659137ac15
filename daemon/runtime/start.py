"""A START: from what it asks for to the recipes of its runs, and back to what a stop of the controller left unrun."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from daemon.agronomy.past import Past
from daemon.decisions.base import Decision, Decisions
from daemon.decisions.timetable import Tonight
from daemon.decisions.watering import Program, Shift
from daemon.messages import Verb
from daemon.planning.bars import Bar
from daemon.planning.checks import PlanError, refused
from daemon.planning.foreseen import foreseen
from daemon.planning.night import Plan, plan_run
from daemon.planning.rest import Rest
from daemon.planning.run_names import NOW, mark_of, name_of, place_of, rest_mark
from daemon.site import Plant

if TYPE_CHECKING:
    from daemon.ledger.durable import Durable  # heavy: the safe outputs are written before it is imported

_LONGEST_MIN = 24 * 60.0


@dataclass(frozen=True, slots=True)
class Asked:
    """A program that is to run, and what is left of it where a run of it was cut off."""

    program: str
    rest: Rest | None = None
    of: str = ""
    """The run that was cut off."""


@dataclass(frozen=True, slots=True)
class Planned:
    """What became of the programs of a START."""

    plans: tuple[Plan, ...]
    refusals: Mapping[str, PlanError]
    """Why some cannot run, by program."""


def plan_start(
    plant: Plant,
    decisions: Decisions,
    asked: Sequence[Asked],
    command_id: str,
    now: datetime,
    past: Past,
    bars: Sequence[Bar] = (),
) -> Planned:
    """Return the plans for runs of what is asked, one after the other, beginning at `now`; a refusal holds up no other.

    Each counts what those before it are to give as given, so that caps hold over all of them. A run's name ends with
    its place and a mark of the command's id: a clock that was set back shows the same second twice, and the record
    takes each name once. The rest of a run bears that run's mark as well, so that it is given once.
    """
    plans: list[Plan] = []
    refusals: dict[str, PlanError] = {}
    for place, one in enumerate(asked):
        what = f"{one.program}{rest_mark(one.of)}" if one.of else one.program
        run = name_of(now, what, command_id, place)
        try:
            plan = plan_run(plant, decisions, one.program, run, now, past, one.rest, bars)
        except PlanError as error:
            refusals[one.program] = error
        else:
            plans.append(plan)
            past = foreseen(past, plan.recipe, now)
    return Planned(tuple(plans), refusals)


def asked_by(arguments: Mapping[str, Any], decisions: Decisions) -> tuple[tuple[Asked, ...], Decisions]:
    """Return what a START's arguments ask for, and the decisions that hold for it.

    That is a list of programs; or a block and minutes: water alone, now. Raises PlanError for anything else.
    """
    if "block" not in arguments:
        programs = arguments.get("programs")
        if not isinstance(programs, list) or not programs:
            raise refused("start", f"got programs {programs!r}; expected a list of programs to run")
        return tuple(Asked(str(program)) for program in programs), decisions
    block, minutes = str(arguments["block"]), arguments.get("minutes")
    if not isinstance(minutes, int | float) or not 0.0 < minutes <= _LONGEST_MIN:
        raise refused("start", f"got minutes {minutes!r}; expected more than 0 and at most {_LONGEST_MIN:g}")
    name = f"{block}{NOW}"
    try:
        by_hand: dict[tuple[str, str], Decision] = {
            (Shift.kind, name): Shift(blocks=(block,)),
            (Program.kind, name): Program(shift=name, water_min=float(minutes), order="together"),
        }
    except ValidationError:
        raise refused("start", f"got block {block!r}; expected the name of a block of the site") from None
    # What is different tonight is about the programs of the night: nobody who waters a block by hand means it.
    kept = {key: found for key, found in decisions.items() if not isinstance(found, Tonight)}
    return (Asked(name),), {**kept, **by_hand}


def warnings_of(plans: Sequence[Plan]) -> str:
    """Return what somebody should read before these runs inject, shift by shift; empty when there is nothing."""
    told = {plan.recipe.shift: [check.reason for check in plan.checks if check.warns] for plan in plans}
    return " ".join(f"Mind, shift {shift}: {'; '.join(reasons)}." for shift, reasons in told.items() if reasons)


def not_begun(durable: "Durable") -> list[str]:
    """Return the programs that were to follow the run that never ended."""
    run = durable.run.started.row.run if durable.run is not None else ""
    for stamped in reversed(durable.answered):
        start = stamped.row
        if run and start.accepted and start.verb == Verb.START.value and mark_of(start.command) in run:
            programs: list[str] = json.loads(start.arguments).get("programs", [])
            return programs[place_of(run) + 1 :]
    return []
