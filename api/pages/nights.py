"""The first screen, and every night behind it: sentence, blocks, picture, phases and what the instruments say."""

import json
import sqlite3
from datetime import date, datetime, time, timedelta
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from api.access.guard import VIEW, TheCaller
from api.chart import night_chart
from api.farm import Farm, TheFarm
from api.morning.now import morning_of
from api.morning.reading import read_night
from api.morning.telling import Told, When, tell_night
from api.pages.page import render, words_of
from api.problems import Refused
from daemon.decisions.base import Day
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.nights import newest_plan
from daemon.ledger.reports import runs_between
from daemon.planning.timetable import instant, night_of

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_LISTED = 14
_DAY = timedelta(days=1)
_BREAKFAST = 6
"""From this hour on the night before is over for whoever looks at tonight."""


@router.get("/", **VIEW)
def first(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return the first screen."""
    found = morning_of(farm)
    return render(
        request, farm, "first.html", caller=caller, morning=found, tonight=_coming(farm), events="/now/events",
        state=state_of(farm),
    )  # fmt: skip


@router.get("/nights", **VIEW)
def nights(request: Request, caller: TheCaller, farm: TheFarm, before: Day | None = None) -> HTMLResponse:
    """Return the list of nights, the newest first."""
    newest = night_of(farm.clock.stamp().utc, farm.zone) if before is None else before - _DAY
    listed = [(night, _told(farm, night)) for night in (newest - n * _DAY for n in range(_LISTED))]
    return render(request, farm, "nights.html", caller=caller, listed=listed, before=newest - (_LISTED - 1) * _DAY)


@router.get("/nights/{night}", **VIEW)
def one_night(night: Day, request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return one night with all that is known of it."""
    words = words_of(request, farm)
    decisions, now = farm.in_force().decisions, farm.clock.stamp().utc
    begins, ends = (instant(datetime.combine(day, time(12)), farm.zone) for day in (night, night + _DAY))
    try:
        facts = read_night(farm.ledger, decisions, farm.zone, night, now)
        reports = runs_between(farm.ledger, round(begins.timestamp() * 1e3), round(ends.timestamp() * 1e3))
    except LedgerMissing:
        raise Refused(404, "not-found", "There is no record yet.") from None
    try:
        chart = night_chart(farm.history, farm.plant.site, reports, words)
    except sqlite3.Error:
        chart = None
    return render(
        request, farm, "night.html", caller=caller, night=night, told=tell_night(facts, When.THEN), facts=facts,
        reports=reports, chart=chart, earlier=night - _DAY, later=night + _DAY,
    )  # fmt: skip


def state_of(farm: Farm) -> str:
    """Return what a page stands and falls with: once it is another, the page is asked for anew."""
    if farm.link.is_silent() or farm.link.heard is None:
        return "silent"
    snapshot = farm.link.heard.snapshot
    alarms = ",".join(sorted(alarm["code"] for alarm in snapshot.alarms))
    return f"{snapshot.run} {snapshot.procedure} {snapshot.phase} {alarms}"


def plan_of(farm: Farm, night: date) -> dict[str, Any] | None:
    """Return the newest recorded plan of a night."""
    try:
        found = newest_plan(farm.ledger, str(night))
    except LedgerMissing:
        return None
    return None if found is None else json.loads(found.row.plan)


def night_ahead(farm: Farm) -> date:
    """Return the night that is planned: that of the next start; without one, from breakfast on, this evening's."""
    heard, now = farm.link.heard, farm.clock.stamp().utc
    tonight = night_of(now, farm.zone)
    found = None if heard is None else heard.snapshot.tonight.get("next")
    if found is None:
        return now.astimezone(farm.zone).date() if now.astimezone(farm.zone).hour >= _BREAKFAST else tonight
    return min(night_of(datetime.fromisoformat(found["at"]), farm.zone), tonight + _DAY)


def _coming(farm: Farm) -> dict[str, Any] | None:
    night = night_ahead(farm)
    plan = plan_of(farm, night)
    return None if plan is None else {"night": night, "plan": plan}


def _told(farm: Farm, night: date) -> Told | None:
    try:
        facts = read_night(farm.ledger, farm.in_force().decisions, farm.zone, night, farm.clock.stamp().utc)
    except LedgerMissing:
        return None
    return tell_night(facts, When.THEN)
