"""The plant for those who may: outputs forced for a time, interlocks bypassed, water by hand, the mode, and tests."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import DRIVERS, TECHNICIANS
from api.farm import Farm, TheFarm
from api.pages.page import form_of, render
from api.problems import Refused
from api.routes.live import give
from api.routes.records import tests
from daemon.control.interlocks import MATRIX
from daemon.control.states import UnitMode
from daemon.messages import Verb

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@router.get("/plant", **VIEW)
def plant(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return the plant's state, and what may be done to it."""
    return _page(request, caller, farm)


@router.post("/plant/ask", **allow(DRIVERS, tokens=False))
async def ask(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Force an output, end what is forced, water a block, flush what is owed, or change the mode."""
    given = await form_of(request)
    match given.get("do"):
        case "force":
            arguments: dict[str, Any] = {
                "target": given.get("target", ""),
                "on": given.get("to") == "on",
                "minutes": _minutes(given),
                "reason": given.get("reason", ""),
            }
            return await _given(request, caller, farm, Verb.FORCE, arguments, given)
        case "release":
            target = given.get("target", "")
            return await _given(request, caller, farm, Verb.RELEASE, {"target": target} if target else {}, given)
        case "water":
            arguments = {"block": given.get("block", ""), "minutes": _minutes(given)}
            return await _given(request, caller, farm, Verb.START, arguments, given)
        case "flush":
            return await _given(request, caller, farm, Verb.START, {"flush": []}, given)
        case "mode":
            return await _given(request, caller, farm, Verb.MODE, {"mode": given.get("mode", "")}, given)
        case _:
            raise Refused(422, "request.invalid", "do: expected force, release, water, flush or mode")


@router.post("/plant/bypass", **allow(TECHNICIANS, tokens=False))
async def bypass(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Set an interlock aside for a time."""
    given = await form_of(request)
    arguments = {"code": given.get("code", ""), "minutes": _minutes(given), "reason": given.get("reason", "")}
    return await _given(request, caller, farm, Verb.BYPASS, arguments, given)


async def _given(
    request: Request, caller: Caller, farm: Farm, verb: Verb, arguments: dict[str, Any], given: dict[str, str]
) -> HTMLResponse:
    answer = await give(farm, caller, verb, arguments, given.get("id") or None)
    return await run_in_threadpool(_page, request, caller, farm, answer.reason, not answer.accepted)


def _minutes(given: dict[str, str]) -> float:
    """Return the minutes of a form; what is no number is 0, which the controller refuses with what it expects."""
    try:
        return float(given.get("minutes", "").replace(",", "."))
    except ValueError:
        return 0.0


def _page(request: Request, caller: Caller, farm: Farm, note: str = "", is_bad: bool = False) -> HTMLResponse:
    site, heard = farm.plant.site, farm.link.heard
    outputs = [*(["pump"] if site.pump is not None else []), *(f"valve.{name}" for name in site.block)]
    return render(
        request, farm, "plant.html", caller=caller, note=note, note_is_bad=is_bad,
        snapshot=None if heard is None else heard.snapshot, outputs=outputs, blocks=list(site.block),
        modes=[mode.value for mode in UnitMode], bypassable=[row.code for row in MATRIX if row.bypassable],
        tests=tests(farm),
    )  # fmt: skip
