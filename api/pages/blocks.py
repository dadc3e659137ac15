"""The season by block: recommended, given, still allowed, and each night that made it so."""

from collections.abc import Collection
from typing import Annotated

from fastapi import APIRouter, Path, Request
from fastapi.responses import HTMLResponse

from api.access.guard import VIEW, TheCaller
from api.farm import Farm, TheFarm, known
from api.pages.page import render
from daemon.agronomy.budget import Account, accounts
from daemon.agronomy.past import Past
from daemon.agronomy.stages import RecommendationError
from daemon.decisions.base import of_kind
from daemon.decisions.crops import Cycle
from daemon.ledger.errors import LedgerMissing
from daemon.planning.field import areas_in_use
from daemon.planning.look_back import look_back_to

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_Block = Annotated[str, Path(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
_NIGHTS = 40


@router.get("/blocks", **VIEW)
def blocks(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return every block's season."""
    cycles = _shown(farm)
    found, why, _ = _season(farm, cycles)
    return render(request, farm, "blocks.html", caller=caller, accounts=found, why=why, cycles=cycles)


@router.get("/blocks/{block}", **VIEW)
def one_block(block: _Block, request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return one block's season and its nights."""
    known(farm, "block", block, farm.plant.site.block)
    found, why, past = _season(farm, _shown(farm))
    doses = sorted((dose for dose in past.doses if dose.block == block), key=lambda dose: dose.at, reverse=True)
    water = {row.run: row.m3 for row in past.water if row.block == block}
    return render(
        request, farm, "block.html", caller=caller, block=block, doses=doses[:_NIGHTS], water=water, why=why,
        area_ha=areas_in_use(farm.plant.site, farm.in_force().decisions).get(block, 0.0),
        accounts=[one for one in found if one.block == block],
    )  # fmt: skip


def _shown(farm: Farm) -> dict[str, Cycle]:
    """Return the crop cycles that are on today or still to come; without any, those that ended last."""
    cycles, today = of_kind(farm.in_force().decisions, Cycle), farm.clock.stamp().utc.astimezone(farm.zone).date()
    last = max((cycle.ends for cycle in cycles.values()), default=today)
    return {key: cycle for key, cycle in cycles.items() if cycle.ends >= min(today, last)}


def _season(farm: Farm, cycles: Collection[str]) -> tuple[tuple[Account, ...], str, Past]:
    decisions, now = farm.in_force().decisions, farm.clock.stamp().utc
    try:
        past = farm.past.past(look_back_to(decisions, now))
    except LedgerMissing:
        past = Past((), ())
    areas_ha = areas_in_use(farm.plant.site, decisions)
    try:
        found = accounts(decisions, areas_ha, past, now.astimezone(farm.zone), of=cycles)
    except RecommendationError as error:
        return (), str(error), past
    places = list(farm.plant.site.block)
    return tuple(sorted(found, key=lambda one: (places.index(one.block), one.nutrient != "N", one.nutrient))), "", past
