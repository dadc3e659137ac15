"""The few files that pages ask for: a script for live numbers, the icon, and what installs it on a phone."""

from typing import Final

from fastapi import APIRouter
from fastapi.responses import JSONResponse, Response

from api.access.guard import everybody
from api.farm import TheFarm
from api.pages.page import asset
from api.problems import Refused

router = APIRouter(include_in_schema=False)
_FILES: Final = {"live.js": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml", "icon.png": "image/png"}


@router.get("/static/{name}", **everybody())
def static(name: str) -> Response:
    """Return one of the files."""
    if name not in _FILES:
        raise Refused(404, "not-found", "There is no such file.")
    return Response(asset(name), media_type=_FILES[name], headers={"Cache-Control": "max-age=3600"})


@router.get("/manifest.webmanifest", **everybody())
def manifest(farm: TheFarm) -> Response:
    """Return what a phone needs to keep the farm among its icons (W3C's application manifest)."""
    told = {
        "name": f"{farm.plant.site.site.name}: shiftwright",
        "short_name": farm.plant.site.site.name[:12],
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#f6f4ee",
        "theme_color": "#f6f4ee",
        "icons": [
            {"src": "/static/icon.svg", "sizes": "any", "type": "image/svg+xml"},
            {"src": "/static/icon.png", "sizes": "192x192", "type": "image/png"},
        ],
    }
    return JSONResponse(told, media_type="application/manifest+json", headers={"Cache-Control": "max-age=3600"})
