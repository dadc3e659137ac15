"""Logging in and out, pairing a phone, one's own password, and the language."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import SecretStr, ValidationError

from api.access.guard import VIEW, Caller, TheCaller, allow, everybody
from api.access.roles import ANYBODY
from api.farm import Farm, TheFarm
from api.pages.page import LANGUAGE_COOKIE, form_of, own_path, render, words_of
from api.problems import Refused
from api.routes.session import Claim, LogIn, NewPassword, Pairing, change_password, claim, log_in, log_out_everywhere
from api.routes.session import log_out as end_session
from api.routes.session import pair as make_pairing
from api.words.catalogue import LANGUAGES

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_YEAR_S = 365 * 24 * 3600
_To = Annotated[str, Query(max_length=200)]


@router.get("/log-in", **everybody())
def log_in_page(request: Request, farm: TheFarm, to: _To = "/") -> HTMLResponse:
    """Return where somebody says who they are."""
    return render(request, farm, "log_in.html", to=own_path(to), name="")


@router.post("/log-in", **everybody())
async def log_in_here(request: Request, farm: TheFarm) -> Response:
    """Log in by name and password."""
    given = await form_of(request)
    to, name = own_path(given.get("to", "/")), given.get("name", "")
    answer = RedirectResponse(to, 303)
    try:
        await log_in(LogIn(name=name, password=SecretStr(given.get("password", ""))), request, answer, farm)
    except (Refused, ValidationError) as error:
        words = words_of(request, farm)
        is_locked = isinstance(error, Refused) and error.status == 429
        note = words.say("you.locked" if is_locked else "you.wrong")
        status = error.status if isinstance(error, Refused) else 401
        return render(request, farm, "log_in.html", status=status, note=note, note_is_bad=True, to=to, name=name)
    return answer


@router.get("/pair", **everybody())
def pair_page(request: Request, farm: TheFarm) -> HTMLResponse:
    """Return where a code is given: the script takes it from the address that the picture holds."""
    return render(request, farm, "pair.html")


@router.post("/pair", **everybody())
async def pair_here(request: Request, farm: TheFarm) -> Response:
    """Log in with a code."""
    given = await form_of(request)
    answer = RedirectResponse("/", 303)
    try:
        await run_in_threadpool(claim, Claim(code=given.get("code", "")), request, answer, farm)
    except (Refused, ValidationError):
        note = words_of(request, farm).say("you.code_wrong")
        return render(request, farm, "pair.html", status=401, note=note, note_is_bad=True)
    return answer


@router.post("/log-out", **allow(ANYBODY, tokens=False))
async def log_out(request: Request, caller: TheCaller, farm: TheFarm) -> Response:
    """End this session, or all of one's own."""
    given = await form_of(request)
    answer = RedirectResponse("/log-in", 303)
    end = log_out_everywhere if given.get("what") == "everywhere" else end_session
    await run_in_threadpool(end, caller, answer, farm)
    return answer


@router.post("/language", **everybody())
async def language(request: Request) -> Response:
    """Remember the language that somebody chose."""
    given = await form_of(request)
    answer = RedirectResponse(own_path(given.get("to", "/")), 303)
    if given.get("language") in LANGUAGES:
        answer.set_cookie(LANGUAGE_COOKIE, given["language"], max_age=_YEAR_S, path="/", httponly=True, samesite="lax")
    return answer


@router.get("/you", **VIEW)
def you(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Return what somebody can change about themselves."""
    return _page(request, caller, farm)


@router.post("/you/pair", **allow(ANYBODY, tokens=False))
def pair(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Show a code for one more device."""
    return _page(request, caller, farm, pairing=make_pairing(caller, request, farm))


@router.post("/you/password", **allow(ANYBODY, tokens=False))
async def password(request: Request, caller: TheCaller, farm: TheFarm) -> HTMLResponse:
    """Change one's own password."""
    given = await form_of(request)
    kept = Response()
    words = words_of(request, farm)
    try:
        asked = NewPassword(old=SecretStr(given["old"]) if given.get("old") else None, new=SecretStr(given["new"]))
        await change_password(asked, caller, request, kept, farm)
    except (Refused, ValidationError, KeyError) as error:
        told = str(error) if isinstance(error, Refused) else words.say("you.no_password")
        return await run_in_threadpool(_page, request, caller, farm, told.removeprefix("body.new: "), True)
    answer = await run_in_threadpool(_page, request, caller, farm, words.say("you.changed"))
    answer.headers["set-cookie"] = kept.headers["set-cookie"]
    return answer


def _page(
    request: Request, caller: Caller, farm: Farm, note: str = "", is_bad: bool = False, pairing: Pairing | None = None
) -> HTMLResponse:
    has_password = farm.store.password_of(caller.name) is not None
    return render(
        request, farm, "you.html", caller=caller, note=note, note_is_bad=is_bad, pairing=pairing,
        has_password=has_password,
    )  # fmt: skip
