"""Alarms in plain words: what stands, what to check, who may reset it, and what was before."""

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import DRIVERS
from api.farm import Farm, TheFarm, moment
from api.pages.nights import state_of
from api.pages.page import form_of, render
from api.problems import Refused
from api.routes.live import give
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.reports import alarms_before
from daemon.messages import Verb

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_LISTED = 40
_ASKED = {"acknowledge": Verb.ACKNOWLEDGE, "reset": Verb.RESET}


@router.get("/alarms", **VIEW)
def alarms(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return what stands and what was."""
    return _page(request, caller, farm)


@router.post("/alarms/ask", **allow(DRIVERS, tokens=False))
async def ask(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Say that an alarm was seen, or reset what is gone."""
    given = await form_of(request)
    verb = _ASKED.get(given.get("do", ""))
    if verb is None:
        raise Refused(422, "request.invalid", "do: expected acknowledge or reset")
    code = given.get("code", "")
    arguments = {"code": code} if code and verb is Verb.ACKNOWLEDGE else {}
    answer = await give(farm, caller, verb, arguments, given.get("id") or None)
    return await run_in_threadpool(_page, request, caller, farm, answer.reason, not answer.accepted)


def _page(request: Request, caller: Caller, farm: Farm, note: str = "", is_bad: bool = False) -> HTMLResponse:
    try:
        found = alarms_before(farm.ledger, _LISTED, 2**63 - 1)
    except LedgerMissing:
        found = ()
    past = [
        (raised.row.code, moment(raised.at_ms), None if cleared_ms is None else moment(cleared_ms))
        for raised, cleared_ms in found
    ]
    heard = farm.link.heard
    return render(
        request, farm, "alarms.html", caller=caller, note=note, note_is_bad=is_bad, past=past, state=state_of(farm),
        events="/now/events", standing=[] if heard is None else heard.snapshot.alarms,
    )  # fmt: skip
