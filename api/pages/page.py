"""How a page is made: its template, its reader's words, and headers that let nothing foreign in."""

import base64
import gzip
import hashlib
import uuid
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any, Final
from urllib.parse import parse_qsl, quote

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, PackageLoader, StrictUndefined

from api.access.guard import Caller
from api.access.roles import DRIVERS, Role
from api.farm import Farm, moment
from api.morning.telling import topic
from api.words.amounts import Amount
from api.words.catalogue import LANGUAGES
from api.words.words import Words, language_of, said, words_for
from daemon.planning.timetable import night_of

LANGUAGE_COOKIE: Final = "shiftwright_language"
_GZIP_FROM: Final = 1400
"""Bytes: what fits into one packet gains nothing."""
NAV: Final = (
    ("morning", "/"),
    ("now", "/now"),
    ("tonight", "/tonight"),
    ("tanks", "/tanks"),
    ("alarms", "/alarms"),
    ("blocks", "/blocks"),
    ("nights", "/nights"),
    ("plant", "/plant"),
    ("you", "/you"),
)


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("api.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def asset(name: str) -> bytes:
    """Return a file that pages are made of."""
    return files("api.pages").joinpath("assets", name).read_bytes()


@cache
def _policy() -> str:
    style = base64.b64encode(hashlib.sha256(asset("style.css")).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{style}'; script-src 'self'; connect-src 'self'; img-src 'self'; "
        "manifest-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    )


def words_of(request: Request, farm: Farm) -> Words:
    """Return the words of whoever reads: as chosen, else as their browser asks, else the site's."""
    settings = farm.plant.site.api
    chosen = request.cookies.get(LANGUAGE_COOKIE, "")
    if chosen not in LANGUAGES:
        chosen = language_of(settings.locale, request.headers.get("accept-language", ""))
    return words_for(chosen, settings.locale, settings.units, farm.zone)


def _here(request: Request) -> str:
    """Return the address under which a page is read again: what a form was sent to is no page itself."""
    path = request.url.path
    if request.method == "POST":
        return path.rpartition("/")[0] or "/"
    return f"{path}?{request.url.query}" if request.url.query else path


def render(
    request: Request,
    farm: Farm,
    template: str,
    *,
    caller: Caller | None = None,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    **context: Any,
) -> HTMLResponse:
    """Return a page."""
    words = words_of(request, farm)
    told: dict[str, Any] = {"note": "", "note_is_bad": False, "events": ""}
    text = (
        _environment()
        .get_template(template)
        .render(
            **(told | context),
            words=words,
            t=words.say,
            tell=words.tell,
            amount=lambda value, unit: words.amount(Amount(value, unit)),
            bare=lambda value, unit: words.amount(Amount(value, unit, is_bare=True)),
            Amount=Amount,
            caller=caller,
            may_drive=caller is not None and caller.role in DRIVERS,
            is_technician=caller is not None and caller.role is Role.TECHNICIAN,
            is_silent=farm.link.is_silent(),
            is_simulated=farm.link.heard is not None and farm.link.heard.snapshot.simulated,
            site=farm.plant.site.site.name,
            now=farm.clock.stamp().utc,
            nav=NAV,
            path=request.url.path,
            here=_here(request),
            languages=LANGUAGES,
            style=asset("style.css").decode(),
            new_id=lambda: uuid.uuid4().hex,
            moment=moment,
            tonight_at=datetime.fromisoformat,
            night_of_run=lambda at: night_of(at, farm.zone),
            planned_kg_ha=_planned_kg_ha,
            about=lambda check: words.capital(words.say(topic(check["what"]))),
            happened=lambda code, at_ms: _happened(words, code, moment(at_ms)),
            target_name=lambda target: _target_name(words, target),
        )
    )
    body = text.encode()
    sent = {"Content-Security-Policy": _policy(), "Vary": "Accept-Language, Cookie, Accept-Encoding", **(headers or {})}
    if "gzip" in request.headers.get("accept-encoding", "") and len(body) >= _GZIP_FROM:
        # Nothing secret stands in a page, and a session's cookie goes to no request of another site.
        body, sent["Content-Encoding"] = gzip.compress(body, 6), "gzip"
    return HTMLResponse(body, status, headers=sent)


def _planned_kg_ha(block: Mapping[str, Any]) -> list[tuple[str, float]]:
    """Return what a planned block is to have, by nutrient in kg/ha, as the record keeps its recipe."""
    totals: dict[str, float] = {}
    for masses in block["planned_mg"].values():
        for nutrient, mass_mg in masses.items():
            totals[nutrient] = totals.get(nutrient, 0.0) + mass_mg / 1e6 / block["area_ha"]
    return sorted(totals.items(), key=lambda item: (item[0] != "N", -item[1]))


def _happened(words: Words, code: str, at: datetime) -> str:
    """Return what a cause was, in the past; one that an older release knew is only named."""
    key = f"cause.{code}.happened"
    return words.say(key, at=words.tell(said("at.time", at=at))) if words.has(key) else words.name(code)


def _target_name(words: Words, target: str) -> str:
    """Return what a lease is about: an output, or an interlock by what it means."""
    kind, _, name = target.partition(".")
    match kind:
        case "pump":
            return words.say("plant.pump")
        case "valve":
            return words.say("plant.valve", block=words.name(name))
        case "injector":
            return words.say("plant.injector", channel=words.name(name))
        case _:
            key = f"cause.{target}.meaning"
            return words.say(key) if words.has(key) else words.name(target)


def is_page(request: Request) -> bool:
    """Whether somebody looks at a page, and no software asks."""
    path = request.url.path
    is_of_software = path.startswith("/v1/") or path == "/metrics"
    return not is_of_software and "text/html" in request.headers.get("accept", "")


def problem_page(request: Request, farm: Farm, status: int, detail: str) -> Response:
    """Return what somebody sees who may not, asks for what is not there, or meets a fault."""
    if status == 401:
        to = request.url.path if request.method == "GET" else "/"
        return RedirectResponse(f"/log-in?to={quote(to)}", 303)
    return render(request, farm, "problem.html", status=status, problem=status, detail=detail)


async def form_of(request: Request) -> dict[str, str]:
    """Return what a form sends; of a field that comes twice the last."""
    body = (await request.body()).decode("utf-8", "replace")
    return {name: value.strip() for name, value in parse_qsl(body, keep_blank_values=True, max_num_fields=60)}


def own_path(to: str) -> str:
    """Return where somebody is sent after logging in: a page of this farm, whatever is asked for."""
    is_own = to.startswith("/") and not to.startswith("//") and "\\" not in to and ":" not in to
    return to if is_own and to.isprintable() else "/"
