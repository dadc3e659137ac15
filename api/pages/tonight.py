"""Tonight: what will run, whether the tanks suffice, and what is different this once, in one tap."""

from datetime import date
from typing import Any, Final

from fastapi import APIRouter, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse
from pydantic import ValidationError

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import DRIVERS
from api.farm import Farm, TheFarm
from api.pages.nights import night_ahead, plan_of
from api.pages.page import form_of, render, words_of
from api.problems import Refused
from api.routes.decisions import record_decision
from daemon.decisions.base import of_kind
from daemon.decisions.timetable import Tonight
from daemon.decisions.watering import BlockState, Shift
from daemon.site_file import explain

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_CHANGES: Final = ("skip", "water_only", "as_planned")


@router.get("/tonight", **VIEW)
def tonight(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return tonight's plan."""
    return _page(request, caller, farm)


@router.post("/tonight/change", **allow(DRIVERS, tokens=False))
async def change(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Skip a shift tonight, have it watered without fertiliser, or take such a word back."""
    given = await form_of(request)
    shift, do = given.get("shift", ""), given.get("do", "")
    known = of_kind(farm.in_force().decisions, Shift)
    if do not in _CHANGES or (shift and shift not in known):
        raise Refused(422, "request.invalid", "do: expected skip, water_only or as_planned, and a shift of the farm")
    night = _night(given.get("night", ""), night_ahead(farm))
    key = f"night_{night:%Y_%m_%d}" + (f"_{shift}" if shift else "")
    words = words_of(request, farm)
    why = given.get("why") or words.say("tonight.no_reason")
    decision = None if do == "as_planned" else Tonight.model_validate(
        {"night": str(night), "shifts": [shift] if shift else [], "do": do, "why": why}
    )  # fmt: skip
    if decision is None and ("tonight", key) not in farm.in_force().decisions:
        return await run_in_threadpool(_page, request, caller, farm, words.say("tonight.was_planned"))
    said = await record_decision(farm, caller, Tonight.kind, key, decision, "*", given.get("id") or None, Response())
    return await run_in_threadpool(_page, request, caller, farm, f"{words.say('tonight.noted')} {said.said}")


@router.post("/tonight/close", **allow(DRIVERS, tokens=False))
async def close(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Close a block until a day, after picking or spraying; or open it again."""
    given = await form_of(request)
    block, words = given.get("block", ""), words_of(request, farm)
    if block not in farm.plant.site.block:
        raise Refused(422, "request.invalid", "block: expected one of the site's blocks")
    before = of_kind(farm.in_force().decisions, BlockState).get(block)
    body: dict[str, Any] = {"why": given.get("why") or words.say("tonight.no_reason")}
    if before is not None and before.area_ha is not None:
        body["area_ha"] = before.area_ha
    if given.get("do") != "open":
        body["closed_until"] = given.get("until", "")
    try:
        decision = BlockState.model_validate(body)
    except ValidationError as error:
        told = "; ".join(map(str, explain(error, BlockState, f"block.{block}")))
        return await run_in_threadpool(_page, request, caller, farm, told, True)
    said = await record_decision(
        farm, caller, BlockState.kind, block, decision, "*", given.get("id") or None, Response()
    )
    return await run_in_threadpool(_page, request, caller, farm, f"{words.say('tonight.noted')} {said.said}")


def _night(text: str, default: date) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        return default


def _page(request: Request, caller: Caller, farm: Farm, note: str = "", is_bad: bool = False) -> HTMLResponse:
    decisions, night = farm.in_force().decisions, night_ahead(farm)
    return render(
        request, farm, "tonight.html", caller=caller, note=note, note_is_bad=is_bad, night=night,
        plan=plan_of(farm, night), shifts=of_kind(decisions, Shift), sites_blocks=list(farm.plant.site.block),
        states=of_kind(decisions, BlockState),
        changes={key: one for key, one in of_kind(decisions, Tonight).items() if one.night == night},
        is_heard=farm.link.heard is not None and not farm.link.is_silent(),
    )  # fmt: skip
