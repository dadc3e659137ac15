"""Tonight's plan as the controller recorded it, and drafts: what a program would do if it began now."""

import json
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from api.access.guard import VIEW, allow
from api.access.roles import ANYBODY, PLANNERS
from api.commissioning_report import bars_at
from api.farm import TheFarm, moment
from api.problems import Refused
from api.rehearsal import Rehearsed, Stand
from api.shapes import Asked, CubicMetres, Hectares, Kilograms, Litres, Moment, Name, Shape
from daemon.agronomy.past import Past
from daemon.as_measured import as_measured
from daemon.decisions.base import Day, of_kind
from daemon.decisions.watering import Program
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.nights import newest_plan
from daemon.planning.checks import Check, PlanError
from daemon.planning.look_back import look_back_to
from daemon.planning.night import Plan, plan_run
from daemon.planning.timetable import night_of

router = APIRouter(prefix="/plan", tags=["plan"])
_DRAFT = "draft"


class RecordedPlan(Shape):
    """What the controller means to run on a night."""

    night: date
    """The date of its evening."""
    planned: Moment | None
    """Null where nothing is planned."""
    why: str
    """What made it plan."""
    plan: dict[str, Any] | None
    """Starts with their runs: recipe, checks, or why one is refused; and whether the tanks suffice."""


class NewDraft(Asked):
    """A program that is tried."""

    program: Annotated[Name, Field(examples=["low_night"])]


class OneCheck(Shape):
    """One thing that a plan was checked for."""

    what: str
    passed: bool
    warns: bool
    reason: str


class DraftBlock(Shape):
    """What a block would get."""

    block: str
    area_ha: Hectares
    water_m3: CubicMetres
    planned_kg: dict[str, Kilograms]
    """By nutrient, elemental."""


class DraftChannel(Shape):
    """What a channel would inject."""

    channel: str
    stock: str
    stock_l: Litres


class Draft(Shape):
    """What would run, or why not. Nothing is recorded and nothing runs."""

    program: str
    would_run: bool
    blocks: list[DraftBlock]
    channels: list[DraftChannel]
    checks: list[OneCheck]


class NewSimulation(Asked):
    """A night that is to be simulated."""

    night: Day | None = None
    """The date of its evening; by default that of the next start."""


class Simulation(Shape):
    """A night on the simulator. Nothing of it is recorded, and no plant is touched."""

    stand: Stand
    night: str
    figures: dict[str, Any] | None
    """Once it is done: the plan, and what the simulated plant then delivered."""
    said: str


@router.get("", **VIEW)
def plan(farm: TheFarm, night: Day | None = None) -> RecordedPlan:
    """Return the newest plan of a night; of this one by default."""
    asked = night or night_of(farm.clock.stamp().utc, farm.zone)
    try:
        found = newest_plan(farm.ledger, str(asked))
    except LedgerMissing:
        found = None
    if found is None:
        return RecordedPlan(night=asked, planned=None, why="", plan=None)
    return RecordedPlan(night=asked, planned=moment(found.at_ms), why=found.row.why, plan=json.loads(found.row.plan))


@router.post("/simulation", status_code=202, **allow(PLANNERS, statuses=(409,)))
async def simulate(given: NewSimulation, farm: TheFarm) -> Simulation:
    """Plan a night and run it on the simulator, beside everything; GET tells how it goes. One at a time."""
    if not farm.rehearsal.begin(str(given.night) if given.night is not None else ""):
        raise Refused(409, "simulation.running", "A night is being simulated. Wait until it is done.")
    return _simulation(farm.rehearsal.newest)


@router.get("/simulation", **VIEW)
def simulation(farm: TheFarm) -> Simulation:
    """Return the newest simulated night: it takes half a minute or so, longer on a small board."""
    return _simulation(farm.rehearsal.newest)


@router.post("/draft", **allow(ANYBODY, statuses=(404,)))
def draft(given: NewDraft, farm: TheFarm) -> Draft:
    """Plan one run of a program as if it began now. Nothing is recorded."""
    decisions = farm.in_force().decisions
    if given.program not in of_kind(decisions, Program):
        raise Refused(404, "not-found", "There is no program of that name.")
    now = farm.clock.stamp().utc
    try:
        past = farm.past.past(look_back_to(decisions, now))
    except LedgerMissing:
        past = Past((), ())
    try:
        plant, bars = as_measured(farm.plant, decisions), bars_at(farm.plant, farm.ledger, now)
        made = plan_run(plant, decisions, given.program, _DRAFT, now, past, bars=bars)
    except PlanError as error:
        return Draft(
            program=given.program, would_run=False, blocks=[], channels=[], checks=[_check(one) for one in error.checks]
        )
    return _drafted(given.program, made)


def _simulation(found: Rehearsed) -> Simulation:
    figures = None if found.figures is None else dict(found.figures)
    return Simulation(stand=found.stand, night=found.night, figures=figures, said=found.said)


def _drafted(program: str, made: Plan) -> Draft:
    recipe = made.recipe
    blocks = []
    for block in recipe.blocks:
        planned_kg: dict[str, float] = {}
        for masses in block.planned_mg.values():
            for nutrient, mass_mg in masses.items():
                planned_kg[nutrient] = planned_kg.get(nutrient, 0.0) + mass_mg / 1e6
        water_m3 = recipe.water_l * block.share / 1000.0
        blocks.append(DraftBlock(block=block.block, area_ha=block.area_ha, water_m3=water_m3, planned_kg=planned_kg))
    channels = [DraftChannel(channel=c.channel, stock=c.stock, stock_l=c.stock_l) for c in recipe.channels]
    return Draft(
        program=program,
        would_run=True,
        blocks=blocks,
        channels=channels,
        checks=[_check(one) for one in made.checks],
    )


def _check(check: Check) -> OneCheck:
    return OneCheck(what=check.what, passed=check.passed, warns=check.warns, reason=check.reason)
