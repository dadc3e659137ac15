"""The app: every route under its rule, every error in one form, every request within its bounds."""

import socket
from typing import Any

from fastapi import APIRouter, FastAPI

from api.farm import Farm
from api.limits import Bounds, Hosts, Pace, Told
from api.pages import alarms as alarm_pages
from api.pages import blocks as block_pages
from api.pages import commission as commission_pages
from api.pages import nights as night_pages
from api.pages import now as now_pages
from api.pages import plant as plant_pages
from api.pages import season as season_pages
from api.pages import static
from api.pages import tanks as tank_pages
from api.pages import tonight as tonight_pages
from api.pages import you as your_pages
from api.pages.page import is_page, problem_page
from api.problems import Problem, add_handlers
from api.routes import (
    alarms,
    commissioning,
    decisions,
    health,
    live,
    people,
    plan,
    readings,
    records,
    runs,
    season,
    session,
    site,
    tanks,
)

_ABOUT = """
What software can ask of a farm that shiftwright runs. Times are RFC 3339, nutrients elemental, units UCUM's (the
extension `x-ucum-unit`), uncertainties k = 2. Errors are RFC 9457 problems with a `code` that stays as it is. Every
answer says by the headers `Shiftwright-Controller` and `Shiftwright-Age-S` whether the controller is heard and how old
its newest word is. Changes of decisions need the ETag that was seen; commands and changes take an `Idempotency-Key`.
"""
PAGES = (
    night_pages, now_pages, tonight_pages, tank_pages, alarm_pages, block_pages, season_pages, plant_pages,
    commission_pages, your_pages, static,
)  # fmt: skip
_ROUTERS = (
    session,
    people,
    site,
    decisions,
    tanks,
    plan,
    runs,
    readings,
    records,
    season,
    alarms,
    commissioning,
    live,
    health,
)


def make_app(farm: Farm) -> FastAPI:
    """Return the app of a farm, whose link somebody else starts and closes."""
    app = FastAPI(
        title="shiftwright",
        version=farm.version,
        description=_ABOUT,
        openapi_url="/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.farm = farm
    v1 = APIRouter(prefix="/v1")
    for module in _ROUTERS:
        v1.include_router(module.router)
    app.include_router(v1)
    app.include_router(health.metrics_router)
    for pages in PAGES:
        app.include_router(pages.router)
    add_handlers(
        app, lambda request, status, detail: problem_page(request, farm, status, detail) if is_page(request) else None
    )
    app.openapi = lambda: _described(app)  # type: ignore[method-assign]
    # The last one added sees a request first.
    app.add_middleware(Bounds)
    app.add_middleware(Pace, now_s=farm.clock.monotonic_s, free=("/v1/stop", "/now/stop"))
    app.add_middleware(Hosts, names=host_names(farm))
    app.add_middleware(Told, told=farm.told)
    return app


def host_names(farm: Farm) -> tuple[str, ...]:
    """Return what this farm may be called in a request's Host."""
    found = farm.plant.site.api
    own = socket.gethostname().lower()
    local = ("localhost", "127.0.0.1", "[::1]", own, f"{own}.local")
    return (*local, *(() if found.host in ("0.0.0.0", "::") else (found.host,)), *found.names)


def _close(schema: Any) -> None:
    """Have every table of names take no name of another form, as pydantic does not say by itself."""
    if isinstance(schema, dict):
        if "patternProperties" in schema:
            schema.setdefault("additionalProperties", False)
        for part in schema.values():
            _close(part)
    elif isinstance(schema, list):
        for part in schema:
            _close(part)


def _described(app: FastAPI) -> dict[str, Any]:
    """Return the description of the API, with what its routes share."""
    if app.openapi_schema is None:
        made = FastAPI.openapi(app)
        parts = made.setdefault("components", {})
        parts["securitySchemes"] = {
            "session": {"type": "apiKey", "in": "cookie", "name": "shiftwright_session"},
            "token": {"type": "http", "scheme": "bearer"},
        }
        parts.setdefault("schemas", {})["Problem"] = Problem.model_json_schema(
            ref_template="#/components/schemas/{model}"
        )
        nested = parts["schemas"]["Problem"].pop("$defs", {})
        parts["schemas"] |= nested
        for path in made["paths"].values():
            for operation in path.values():
                # FastAPI's own form of a refusal, which no route answers with.
                answer = operation["responses"].get("422")
                if answer is not None:
                    answer["content"].pop("application/json", None)
        _close(made)
        app.openapi_schema = made
    return app.openapi_schema
