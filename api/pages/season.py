"""A season's account, what the shed and the rain gauge add to it, and blocks and seasons beside each other."""

import hashlib
import uuid
from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse
from pydantic import ValidationError

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import ANYBODY, DRIVERS
from api.farm import Farm, TheFarm
from api.pages.page import form_of, render, words_of
from api.problems import Refused
from api.routes.decisions import record_decision
from api.season import season_now, seasons_compared
from api.words.amounts import UNITS
from api.words.words import Words
from daemon.agronomy.products import known_names
from daemon.agronomy.stages import RecommendationError
from daemon.decisions.base import NUTRIENTS, Decision, Decisions, of_kind
from daemon.decisions.shed import Delivery, Rainfall, ShedCount
from daemon.decisions.tanks import Product, Stock
from daemon.site_file import explain

router = APIRouter(prefix="/seasons", include_in_schema=False, default_response_class=HTMLResponse)
_Cycle = Annotated[str, Path(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
_NOTED: dict[str, type[Decision]] = {"came": Delivery, "counted": ShedCount, "rain": Rainfall}


@router.get("", **VIEW)
def seasons(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return every block in every crop cycle."""
    found = seasons_compared(farm)
    given = {nutrient for one in found for nutrient in one.delivered_kg_ha}
    nutrients = [nutrient for nutrient in NUTRIENTS if nutrient in given]
    return render(request, farm, "seasons.html", caller=caller, found=found, nutrients=nutrients)


@router.get("/{cycle}", **allow(ANYBODY, statuses=(404,)))
def one_season(cycle: _Cycle, request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return the account of one crop cycle."""
    return _page(request, caller, farm, cycle)


@router.post("/{cycle}/note", **allow(DRIVERS, statuses=(404,), tokens=False))
async def note(cycle: _Cycle, request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Note a delivery, a count in the shed, or a reading of the rain gauge."""
    given, words = await form_of(request), words_of(request, farm)
    model = _NOTED.get(given.get("do", ""))
    if model is None:
        raise Refused(422, "request.invalid", f"do: expected one of {', '.join(_NOTED)}")
    now = farm.clock.stamp().utc.astimezone(farm.zone)
    # By the form's own id: one that is sent again is the same delivery, however much later.
    form = given.get("id") or uuid.uuid4().hex
    key = f"{model.kind}_{hashlib.sha256(form.encode()).hexdigest()[:16]}"
    try:
        decision = model.model_validate(_body(model, given, words, now.isoformat(timespec="seconds"), caller.name))
    except ValidationError as error:
        told = "; ".join(map(str, explain(error, model, model.kind)))
        return await run_in_threadpool(_page, request, caller, farm, cycle, told, True)
    said = await record_decision(farm, caller, model.kind, key, decision, "*", form, Response())
    return await run_in_threadpool(_page, request, caller, farm, cycle, f"{words.say('season.noted')} {said.said}")


def _body(model: type[Decision], given: dict[str, str], words: Words, at: str, by: str) -> dict[str, object]:
    if model is Rainfall:
        return {"on": given.get("on", ""), "mm": _metric(given.get("mm", ""), "mm", words), "by": by}
    body: dict[str, object] = {
        "product": given.get("product", ""),
        "kg": _metric(given.get("kg", ""), "kg", words),
        "at": at,
        "by": by,
    }
    return body | ({"lot": given["lot"]} if model is Delivery and given.get("lot") else {})


def _metric(text: str, unit: str, words: Words) -> float | str:
    """Return a figure that was given in the reader's unit; what is no number as it is, for the model to refuse."""
    try:
        figure = float(text.replace(",", "."))
    except ValueError:
        return text
    return figure / UNITS[unit][1] if words.system == "us" else figure


def _page(
    request: Request, caller: Caller, farm: Farm, cycle: str, told: str = "", is_bad: bool = False
) -> HTMLResponse:
    try:
        season, why = season_now(farm, cycle), ""
    except RecommendationError as error:
        season, why = None, str(error)
    return render(
        request, farm, "season.html", caller=caller, note=told, note_is_bad=is_bad, season=season, why=why, cycle=cycle,
        products=_products(farm.in_force().decisions),
    )  # fmt: skip


def _products(decisions: Decisions) -> list[str]:
    """Return what may arrive: first what the stocks are made of."""
    used = {name: None for stock in of_kind(decisions, Stock).values() for name in stock.products_g_l}
    return [*used, *(name for name in known_names(of_kind(decisions, Product)) if name not in used)]
