"""The plant now: phase, progress, readings, and the two stops."""

import json
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from api.access.guard import VIEW, Caller, TheCaller, allow, is_still
from api.access.roles import ANYBODY, DRIVERS
from api.farm import Farm, TheFarm
from api.pages.nights import state_of
from api.pages.page import form_of, render, words_of
from api.problems import Refused
from api.routes.live import STOPS, give
from api.words.amounts import Amount
from api.words.words import Words
from daemon.control.states import ACTIVE
from daemon.decisions.base import of_kind
from daemon.decisions.watering import Program
from daemon.messages import Snapshot, Verb

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_MOST_STREAMS = 150
_READINGS = (
    ("flow_m3_h", "m3/h"),
    ("pressure_kpa", "kPa"),
    ("line_ec_ms_cm", "mS/cm"),
    ("background_ec_ms_cm", "mS/cm"),
)
_ASKED = {"hold": Verb.HOLD, "go-on": Verb.START, "reset": Verb.RESET}


@router.get("/now", **VIEW)
def now(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return what the plant does."""
    return _page(request, caller, farm)


@router.post("/now/stop", **allow(ANYBODY, tokens=False))
async def stop(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Stop the fertiliser, or everything."""
    given = await form_of(request)
    if given.get("what") not in STOPS:
        raise Refused(422, "request.invalid", "what: expected fertiliser or everything")
    answer = await give(farm, caller, STOPS[given["what"]], {}, given.get("id") or None)
    return await run_in_threadpool(_page, request, caller, farm, answer.reason, not answer.accepted)


@router.post("/now/ask", **allow(DRIVERS, tokens=False))
async def ask(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Hold the run, let it go on, reset it, or start a program now."""
    given = await form_of(request)
    verb = _ASKED.get(given.get("do", ""), Verb.START if given.get("program") else None)
    if verb is None:
        raise Refused(422, "request.invalid", "do: expected hold, go-on, reset, or a program")
    programs = [given["program"]] if given.get("program") else []
    arguments: dict[str, Any] = {"programs": programs} if programs else {}
    answer = await give(farm, caller, verb, arguments, given.get("id") or None)
    return await run_in_threadpool(_page, request, caller, farm, answer.reason, not answer.accepted)


@router.get("/now/events", response_class=EventSourceResponse, **VIEW)
async def events(request: Request, caller: TheCaller, farm: TheFarm) -> AsyncIterator[ServerSentEvent]:
    """Stream the page's words as they change, in its reader's language."""
    words = words_of(request, farm)
    with farm.link.seat(_MOST_STREAMS) as seated:
        if not seated:
            return
        async for heard in farm.link.snapshots():
            if not is_still(farm, caller):
                return
            told = {"state": state_of(farm), "texts": live_texts(heard.snapshot, words)}
            yield ServerSentEvent(event="words", raw_data=json.dumps(told))


def live_texts(snapshot: Snapshot, words: Words) -> dict[str, str]:
    """Return what the page says that changes from scan to scan, by where it stands."""
    told = {"at": words.time(datetime.fromtimestamp(snapshot.at_ms / 1000.0, UTC))}
    for point, unit in _READINGS:
        reading = snapshot.readings.get(point)
        if reading is not None:
            is_good = reading["value"] is not None and reading["quality"] == "GOOD"
            told[point] = words.amount(Amount(reading["value"], unit)) if is_good else words.say("now.unknown")
    progress = snapshot.progress
    if progress:
        told["water"] = words.say(
            "now.of",
            given=Amount(progress["water_m3"], "m3", is_bare=True),
            planned=Amount(progress["planned_water_m3"], "m3"),
        )
        told["stock"] = words.say(
            "now.of",
            given=Amount(progress["stock_l"], "L", is_bare=True),
            planned=Amount(progress["planned_stock_l"], "L"),
        )
        left_min = minutes_left(snapshot)
        told["left"] = words.say("now.unknown") if left_min is None else words.amount(Amount(left_min, "min"))
        told["progress"] = f"{min(1.0, progress['water_m3'] / progress['planned_water_m3']):.3f}"
    return told


def minutes_left(snapshot: Snapshot) -> float | None:
    """Return how long the shift's water still takes at the flow that it has; None where that cannot be told."""
    flow = snapshot.readings.get("flow_m3_h", {"value": None, "quality": "BAD"})
    if flow["value"] is None or flow["quality"] != "GOOD" or flow["value"] < 0.1:
        return None
    left_m3 = snapshot.progress["planned_water_m3"] - snapshot.progress["water_m3"]
    return float(max(0.0, left_m3) / flow["value"] * 60.0)


def _page(request: Request, caller: Caller, farm: Farm, note: str = "", is_bad: bool = False) -> HTMLResponse:
    heard = farm.link.heard
    words = words_of(request, farm)
    return render(
        request, farm, "now.html", caller=caller, note=note, note_is_bad=is_bad, events="/now/events",
        state=state_of(farm), snapshot=None if heard is None else heard.snapshot,
        texts={} if heard is None else live_texts(heard.snapshot, words),
        readings=[point for point, _ in _READINGS],
        programs=sorted(of_kind(farm.in_force().decisions, Program)),
        blocks=running_blocks(farm),
        is_active=heard is not None and heard.snapshot.procedure in {state.value for state in ACTIVE},
    )  # fmt: skip


def running_blocks(farm: Farm) -> list[str]:
    """Return the blocks that are open now."""
    heard = farm.link.heard
    return [] if heard is None else list(heard.snapshot.outputs["blocks"])
