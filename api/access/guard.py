"""Who asks, by session or token, and whether their role may. No route is without a rule (tests see to it)."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request

from api.access.roles import ANYBODY, Role
from api.farm import Farm, TheFarm
from api.limits import cookie_of
from api.problems import Refused, answers

_SCHEMES: list[dict[str, list[str]]] = [{"session": []}, {"token": []}]


@dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who has logged in."""

    name: str
    """The record has it for what they do."""
    role: Role
    secret: str
    is_session: bool
    """Somebody with a page; else other software with a token."""


def is_still(farm: Farm, caller: Caller) -> bool:
    """Whether somebody may go on: a stream outlives many scans, and no log-out."""
    look = farm.store.session if caller.is_session else farm.store.token
    return look(caller.secret, farm.now_ms()) is not None


def caller_of(request: Request, farm: TheFarm) -> Caller:
    """Return who asks. Raises Refused, 401."""
    given = request.headers.get("authorization", "")
    if given:
        scheme, _, secret = given.partition(" ")
        token = farm.store.token(secret.strip(), farm.now_ms()) if scheme.lower() == "bearer" else None
        if token is not None:
            return Caller(token.person, token.role, secret.strip(), False)
        raise _log_in("This token is not known, or its time is over. Have a technician make another.")
    secret = cookie_of(request.headers) or ""
    person = farm.store.session(secret, farm.now_ms()) if secret else None
    if person is None:
        raise _log_in("Log in first: POST /v1/session, or send a token as `Authorization: Bearer`.")
    return Caller(person.name, person.role, secret, True)


TheCaller = Annotated[Caller, Depends(caller_of)]


def allow(roles: Collection[Role], *, statuses: Collection[int] = (), tokens: bool = True) -> dict[str, Any]:
    """Return the arguments of a route that these roles may use; `statuses` are problems that it answers with besides.

    Without `tokens` it takes people alone, by their session.
    """

    def check(caller: TheCaller) -> None:
        if caller.role not in roles:
            may = ", ".join(sorted(role.value for role in roles))
            raise Refused(403, "access.forbidden", f"The role {caller.role.value} may not do this; these may: {may}.")
        if not caller.is_session and not tokens:
            raise Refused(403, "access.people-only", "A token may not do this: log in yourself.")

    return {
        "dependencies": [Depends(check)],
        "openapi_extra": {
            "x-roles": sorted(role.value for role in roles),
            "security": _SCHEMES if tokens else _SCHEMES[:1],
        },
        "responses": answers(401, 403, 429, *_usual(statuses)),
    }


def everybody(*, statuses: Collection[int] = ()) -> dict[str, Any]:
    """Return the arguments of a route that needs no log-in."""
    return {
        "openapi_extra": {"x-roles": ["everybody"], "security": []},
        "responses": answers(429, *_usual(statuses)),
    }


def _usual(statuses: Collection[int]) -> set[int]:
    """Any request may be unreadable, too slow, invalid, too large, under a wrong name, or meet a disk that fails."""
    return {400, 408, 409, 413, 415, 421, 422, *statuses}


def _log_in(detail: str) -> Refused:
    return Refused(401, "access.log-in", detail, headers={"WWW-Authenticate": 'Bearer realm="shiftwright"'})


VIEW = allow(ANYBODY)
"""Whoever can log in may read."""
