"""Log in and out, pair a phone, and change one's own password."""

import io
from typing import Annotated

import segno
from fastapi import APIRouter, Request, Response
from pydantic import Field, SecretStr

from api.access.guard import TheCaller, allow, everybody
from api.access.passwords import MOST, weakness
from api.access.roles import ANYBODY
from api.access.store import PAIRING_MS, SESSION_MS
from api.farm import Farm, TheFarm
from api.limits import COOKIE
from api.problems import Refused
from api.shapes import Asked, Name, Seconds, Shape

router = APIRouter(tags=["log-in"])
_Password = Annotated[SecretStr, Field(min_length=1, max_length=MOST, strict=False)]


class LogIn(Asked):
    """Who somebody is."""

    name: Name
    password: _Password


class Claim(Asked):
    """The code of a pairing, as shown on a screen that is logged in."""

    code: Annotated[str, Field(min_length=8, max_length=80, pattern=r"^[A-Za-z0-9_-]+$")]


class NewPassword(Asked):
    """A new password. With the old one, unless there is none yet."""

    old: _Password | None = None
    new: _Password


class Me(Shape):
    """Who is logged in."""

    name: str
    role: str
    has_password: bool


class Pairing(Shape):
    """How a phone logs in, once and soon."""

    code: str
    url: str
    """What the picture holds."""
    lasts_s: Seconds
    svg: str
    """The same as a QR code."""


@router.post("/session", **everybody(statuses=(401,)))
async def log_in(given: LogIn, request: Request, response: Response, farm: TheFarm) -> Me:
    """Log in by name and password. The session is in a cookie that no script can read, and ends after 30 days."""
    address = request.client.host if request.client is not None else ""
    now_s = farm.clock.monotonic_s()
    wait_s = farm.lockout.wait_s(given.name, address, now_s)
    if wait_s > 0.0:
        after = {"Retry-After": str(int(wait_s) + 1)}
        raise Refused(429, "access.locked", f"Too many tries: wait {wait_s:.0f} s, then try again.", headers=after)
    right = await farm.passwords.matches(given.password.get_secret_value(), farm.store.password_of(given.name))
    if not right:
        farm.lockout.failed(given.name, address, now_s, farm.now_ms())
        raise Refused(401, "access.wrong", "Name or password is wrong.")
    farm.lockout.succeeded(given.name, address)
    return _begin(farm, request, response, given.name)


@router.get("/session", **allow(ANYBODY))
def who_am_i(caller: TheCaller, farm: TheFarm) -> Me:
    """Return who is logged in."""
    return _me(farm, caller.name, caller.role.value)


@router.delete("/session", status_code=204, **allow(ANYBODY, tokens=False))
def log_out(caller: TheCaller, response: Response, farm: TheFarm) -> None:
    """End this session."""
    farm.store.end_session(caller.secret)
    response.delete_cookie(COOKIE, path="/")


@router.delete("/sessions", status_code=204, **allow(ANYBODY, tokens=False))
def log_out_everywhere(caller: TheCaller, response: Response, farm: TheFarm) -> None:
    """End all of one's own sessions."""
    farm.store.end_sessions(caller.name)
    response.delete_cookie(COOKIE, path="/")


@router.put("/session/password", **allow(ANYBODY, statuses=(409,), tokens=False))
async def change_password(
    given: NewPassword, caller: TheCaller, request: Request, response: Response, farm: TheFarm
) -> Me:
    """Change one's own password. Ends all sessions but this one, which goes on under another secret."""
    address = request.client.host if request.client is not None else ""
    stored = farm.store.password_of(caller.name)
    if stored is not None:
        now_s = farm.clock.monotonic_s()
        wait_s = farm.lockout.wait_s(caller.name, address, now_s)
        if wait_s > 0.0:
            raise Refused(429, "access.locked", f"Too many tries: wait {wait_s:.0f} s, then try again.")
        old = given.old.get_secret_value() if given.old is not None else ""
        if not await farm.passwords.matches(old, stored):
            farm.lockout.failed(caller.name, address, now_s, farm.now_ms())
            raise Refused(403, "access.wrong", "The old password is wrong.")
        farm.lockout.succeeded(caller.name, address)
    new = given.new.get_secret_value()
    weak = weakness(caller.name, new)
    if weak:
        raise Refused(409, "access.weak", f"body.new: {weak}")
    farm.store.change(caller.name, password=await farm.passwords.hashed(new))
    return _begin(farm, request, response, caller.name)


@router.post("/pairings", status_code=201, **allow(ANYBODY, tokens=False))
def pair(caller: TheCaller, request: Request, farm: TheFarm) -> Pairing:
    """Make a code with which one more device logs in as oneself, once and within two minutes."""
    code = farm.store.add_pairing(caller.name, farm.now_ms())
    url = f"{str(request.base_url).rstrip('/')}/pair#{code}"
    return Pairing(code=code, url=url, lasts_s=PAIRING_MS / 1000.0, svg=qr_svg(url))


@router.post("/pairings/claim", **everybody(statuses=(401,)))
def claim(given: Claim, request: Request, response: Response, farm: TheFarm) -> Me:
    """Log in with the code of a pairing."""
    name = farm.store.claim(given.code, farm.now_ms())
    if name is None:
        raise Refused(401, "access.wrong", "This code was used, or its time is over. Show another one.")
    return _begin(farm, request, response, name)


def qr_svg(text: str) -> str:
    """Return a QR code as a picture."""
    picture = io.BytesIO()
    segno.make(text, error="m").save(picture, kind="svg", scale=4, xmldecl=False)
    return picture.getvalue().decode()


def _begin(farm: Farm, request: Request, response: Response, name: str) -> Me:
    """Begin a session under a new secret, whatever the browser brought."""
    secret = farm.store.begin_session(name, farm.now_ms())
    response.set_cookie(
        COOKIE,
        secret,
        max_age=SESSION_MS // 1000,
        path="/",
        httponly=True,
        samesite="strict",
        secure="https" in (request.url.scheme, request.headers.get("origin", "").partition(":")[0]),
    )
    person = farm.store.person(name)
    return _me(farm, name, person.role.value if person is not None else "")


def _me(farm: Farm, name: str, role: str) -> Me:
    return Me(name=name, role=role, has_password=farm.store.password_of(name) is not None)
