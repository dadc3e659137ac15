"""The tanks: what is in each, and everything that was done to it."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from api.access.guard import VIEW, TheCaller
from api.farm import TheFarm
from api.pages.nights import night_ahead, plan_of
from api.pages.page import render
from api.routes.tanks import found_now

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)


@router.get("/tanks", **VIEW)
def tanks(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return the tanks with their logs."""
    plan = plan_of(farm, night_ahead(farm))
    levels = {}
    heard = farm.link.heard
    for channel, injector in farm.plant.site.injector.items():
        reading = None if heard is None else heard.snapshot.readings.get(f"tank.{channel}.content_l")
        if reading is not None and reading["quality"] == "GOOD" and not farm.link.is_silent():
            levels[injector.tank] = reading["value"]
    return render(
        request, farm, "tanks.html", caller=caller, tanks=[found_now(farm, name) for name in farm.plant.site.tank],
        needs={} if plan is None else {tank["tank"]: tank for tank in plan["tanks"]}, levels=levels,
    )  # fmt: skip
