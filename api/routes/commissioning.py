"""The commissioning: where every step stands, the attempt under way, and what a technician asks of it."""

import json
from typing import Annotated, Any, Literal

from fastapi import APIRouter
from fastapi.responses import HTMLResponse
from pydantic import Field

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import TECHNICIANS
from api.commissioning_report import report_html, report_of, reported, standings_of
from api.farm import Farm, TheFarm, moment
from api.problems import Refused
from api.routes.decisions import Id, ask, id_of
from api.routes.live import Answered
from api.shapes import Asked, Moment, Shape
from daemon.ledger.attempts import attempt_of
from daemon.ledger.errors import LedgerMissing
from daemon.required import STEP_NAMES

router = APIRouter(prefix="/commissioning", tags=["commissioning"])
_Step = Annotated[str, Field(pattern=rf"^({'|'.join(STEP_NAMES)})$", examples=["transit"])]
_Short = Annotated[str, Field(max_length=80)]


class OneStep(Shape):
    """How one step stands for what it is done for."""

    step: str
    of: str
    """A block, an injector, an instrument, a cause."""
    title: str
    stands: str
    """valid, due, out of date, failed, never done, or that the site file was changed since."""
    required: bool
    bars_fertiliser: bool
    """It is required and not valid: water runs, fertiliser does not."""
    done_at: Moment | None
    valid_until: Moment | None


class Commissioned(Shape):
    """Where the commissioning stands."""

    steps: list[OneStep]
    attempt: dict[str, Any] | None
    """The one under way: its stage with what it asks for, live readings, and its result; null where there is none."""


class NewAsk(Asked):
    """What a technician asks of the commissioning."""

    do: Literal["begin", "enter", "again", "accept", "abort"]
    step: _Step | None = None
    """To begin."""
    of: _Short | None = None
    """What it is done for, to begin."""
    stage: _Short | None = None
    """Where the attempt is, to enter; an earlier one, to repeat from there."""
    values: Annotated[dict[str, Any], Field(max_length=20)] | None = None
    """What is entered, by the names that the stage asks for."""
    why: Annotated[str, Field(max_length=200)] | None = None
    """To abort."""


class Kept(Shape):
    """What one stage of an attempt brought."""

    stage: str
    at: Moment
    who: str
    brought: dict[str, Any]


class Evidence(Shape):
    """One attempt with its raw data."""

    attempt: str
    step: str
    of: str
    who: str
    began: Moment
    state: str
    """ACCEPTED, ABORTED, or OPEN."""
    verdict: str
    entered: list[Kept]
    """All of it, what was repeated too."""
    result: dict[str, Any]


@router.get("", **VIEW)
def commissioning(farm: TheFarm) -> Commissioned:
    """Return how every step stands, and the attempt under way."""
    found = standings_of(farm.plant, reported(farm.ledger), farm.clock.stamp().utc)
    heard = farm.link.heard
    return Commissioned(
        steps=[
            OneStep(
                step=one.step.name, of=one.subject, title=one.step.title, stands=one.stand.value,
                required=one.is_required, bars_fertiliser=one.holds_up, done_at=one.done_at,
                valid_until=one.valid_until,
            )
            for one in found
        ],
        attempt=(heard.snapshot.step or None) if heard is not None else None,
    )  # fmt: skip


@router.post("", **allow(TECHNICIANS, statuses=(409,)))
async def ask_step(given: NewAsk, caller: TheCaller, farm: TheFarm, idempotency_key: Id = None) -> Answered:
    """Begin a step, enter what a stage asks for, go on or repeat, accept the result, or abort.

    A refusal is an answer as well; its reason says what to do.
    """
    return await ask_commissioning(farm, caller, given.model_dump(exclude_none=True), idempotency_key)


@router.get(
    "/attempts/{attempt}", **{**VIEW, "responses": {**VIEW["responses"], **allow((), statuses=(404,))["responses"]}}
)
def evidence(attempt: Annotated[str, Field(max_length=64)], farm: TheFarm) -> Evidence:
    """Return one attempt with all that was entered and kept in it."""
    try:
        found = attempt_of(farm.ledger, attempt)
    except LedgerMissing:
        found = None
    if found is None:
        raise Refused(404, "not-found", "There is no attempt of that id.")
    begun, ended = found.begun, found.ended
    return Evidence(
        attempt=begun.row.attempt, step=begun.row.step, of=begun.row.subject, who=begun.row.who,
        began=moment(begun.at_ms),
        state=ended.row.state if ended is not None else "OPEN", verdict=ended.row.verdict if ended is not None else "",
        entered=[
            Kept(stage=one.row.stage, at=moment(one.at_ms), who=one.row.who, brought=json.loads(one.row.brought))
            for one in found.entered
        ],
        result=dict(found.result),
    )  # fmt: skip


@router.get("/report", **VIEW)
def report(farm: TheFarm) -> dict[str, Any]:
    """Return the commissioning report: results, bands, open points and due dates."""
    return report_of(farm.plant, reported(farm.ledger), farm.clock.stamp().utc)


@router.get("/report.html", response_class=HTMLResponse, **VIEW)
def report_page(farm: TheFarm) -> HTMLResponse:
    """Return the same as a page to print and sign."""
    return HTMLResponse(report_html(report_of(farm.plant, reported(farm.ledger), farm.clock.stamp().utc)))


async def ask_commissioning(farm: Farm, caller: Caller, asked: dict[str, Any], id_: str | None) -> Answered:
    """Have the daemon do something of the commissioning, as somebody. Raises Refused where it is silent."""
    given = {**asked, "subject": asked["of"]} if "of" in asked else asked
    made = {
        **given, "id": id_of(caller, f"step {asked.get('do')}", id_), "who": caller.name, "role": caller.role.value
    }  # fmt: skip
    answer = await ask(farm.link.step(made))
    return Answered(id=answer.id, accepted=answer.accepted, reason=answer.reason)
