"""The commissioning in the field: where every step stands, and one stage at a time on a phone."""

import json
from collections.abc import AsyncIterator
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from api.access.guard import VIEW, Caller, TheCaller, allow, is_still
from api.access.roles import TECHNICIANS
from api.commissioning_report import reported, standings_of
from api.farm import Farm, TheFarm
from api.pages.page import form_of, render
from api.problems import Refused
from api.routes.commissioning import ask_commissioning
from daemon.commissioning.showing import plain
from daemon.commissioning.steps import STEPS

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_MOST_STREAMS = 150
_ENTERED = "value."
"""Before the name of what a stage asks for, so that it meets no field of the form's own."""


@router.get("/commission", **VIEW)
def commission(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return the stage of the attempt under way, or where every step stands."""
    return _page(request, caller, farm)


@router.post("/commission/ask", **allow(TECHNICIANS, tokens=False))
async def ask(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Begin a step, enter what a stage asks for, go on or repeat, accept, or abort."""
    given = await form_of(request)
    do = given.get("do", "")
    match do:
        case "begin":
            step, _, of = given.get("step", "").partition(" ")
            asked: dict[str, Any] = {"do": do, "step": step, "of": of}
        case "enter" | "done":
            values: dict[str, Any] = {
                name.removeprefix(_ENTERED): text for name, text in given.items() if name.startswith(_ENTERED)
            }
            asked = {
                "do": "enter",
                "stage": given.get("stage", ""),
                "values": {"done": True} if do == "done" else values,
            }
        case "again":
            asked = {"do": do, "stage": given["stage"]} if given.get("stage") else {"do": do}
        case "accept" | "abort":
            asked = {"do": do}
        case _:
            raise Refused(422, "request.invalid", "do: expected begin, enter, done, again, accept or abort")
    answer = await ask_commissioning(farm, caller, asked, given.get("id") or None)
    return await run_in_threadpool(_page, request, caller, farm, answer.reason, not answer.accepted)


@router.get("/commission/events", response_class=EventSourceResponse, **VIEW)
async def events(caller: TheCaller, farm: TheFarm) -> AsyncIterator[ServerSentEvent]:
    """Stream the live readings of the stage, and its end."""
    with farm.link.seat(_MOST_STREAMS) as seated:
        if not seated:
            return
        async for heard in farm.link.snapshots():
            if not is_still(farm, caller):
                return
            told = {"state": state_of(heard.snapshot.step), "texts": live_texts(heard.snapshot.step)}
            yield ServerSentEvent(event="words", raw_data=json.dumps(told))


def state_of(view: dict[str, Any]) -> str:
    """Return what the page is about: when this changes, it is made anew."""
    if not view:
        return "none"
    stage = view["stage"]
    name = stage["name"] if stage is not None else "end"
    return f"{view['attempt']} {name} {view['cut_off']} {view['result'] is not None} {view['problem']}"


def live_texts(view: dict[str, Any]) -> dict[str, str]:
    """Return the readings of a stage, and how far it is, by where they stand."""
    if not view or view["stage"] is None:
        return {}
    shown = {name: "?" if value is None else plain(value) for name, value in view["readings"].items()}
    return {**shown, "on_s": f"{view['stage']['on_s']:.0f}", "off": ", ".join(view["stage"]["off"]) or "-"}


def _page(request: Request, caller: Caller, farm: Farm, note: str = "", is_bad: bool = False) -> HTMLResponse:
    heard = farm.link.heard
    view = {} if heard is None else heard.snapshot.step
    found = () if view else standings_of(farm.plant, reported(farm.ledger), farm.clock.stamp().utc)
    return render(
        request, farm, "commission.html", caller=caller, note=note, note_is_bad=is_bad, view=view,
        events="/commission/events", plain=plain, state=state_of(view), texts=live_texts(view), entered=_ENTERED,
        standings=[one for one in found if one.is_required or one.done_at is not None],
        begins=[(step.name, step.title, step.subjects(farm.plant.site)) for step in STEPS.values()],
        mode="" if heard is None else heard.snapshot.mode,
    )  # fmt: skip
