"""What every request is held to before a route sees it: its host, its size, its pace, and where it comes from.

Pure ASGI, so that a refusal costs next to nothing and no body is read for it.
"""

import asyncio
import math
from collections import OrderedDict
from collections.abc import Callable, Collection, Mapping, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.problems import as_problem

COOKIE = "shiftwright_session"
MAX_BODY_BYTES: Final = 128 * 1024
_BODY_S: Final = 15.0
"""In which a whole body has to be there."""
_SEND_S: Final = 30.0
"""In which a client has to take a part of an answer."""
_SAFE: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_HEADERS: Final[Mapping[bytes, bytes]] = {
    b"x-content-type-options": b"nosniff",
    b"x-frame-options": b"DENY",
    b"referrer-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"content-security-policy": b"default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'",
    b"cache-control": b"no-store",
}
_A_SECOND: Final = 500.0
_BURST: Final = 1000.0
"""Requests from one address, behind which a whole office may be."""
_MOST_CLIENTS: Final = 2000


class Hosts:
    """Refuses a Host that is none of ours: else a page elsewhere could have a browser ask for it (rebinding)."""

    def __init__(self, app: ASGIApp, names: Collection[str]) -> None:
        self._app = app
        self._names = frozenset(name.lower() for name in names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "http":
            hosts = Headers(scope=scope).getlist("host")
            if len(hosts) != 1 or _without_port(hosts[0]) not in self._names:
                detail = "This farm is not called that. Use a name of api.names in the site file, or the address."
                await as_problem(421, "host.unknown", detail)(scope, receive, send)
                return
            if not _is_own_page(scope, hosts[0]):
                detail = "The request came from another site's page. Log in on this farm's own page."
                await as_problem(403, "access.cross-site", detail)(scope, receive, send)
                return
        await self._app(scope, receive, send)


class Told:
    """Adds the headers of every answer, refusals among them, and has a client take each part of it in time."""

    def __init__(self, app: ASGIApp, told: Callable[[], Mapping[str, str]]) -> None:
        """`told` returns headers that change from answer to answer."""
        self._app = app
        self._told = told

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on."""

        async def answer(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name for name, _ in message["headers"]}
                added = [(name, value) for name, value in _HEADERS.items() if name not in given]
                added += [(name.lower().encode(), value.encode()) for name, value in self._told().items()]
                message["headers"] = [*message["headers"], *added]
            async with asyncio.timeout(_SEND_S):
                await send(message)

        await self._app(scope, receive, answer if scope["type"] == "http" else send)


class Bounds:
    """Bounds a body in size and in time: it is there as a whole before a route is asked."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on with its body, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        if headers.get("content-encoding", "identity") != "identity":
            detail = "The body is compressed. Send it as it is."
            await as_problem(415, "request.media-type", detail)(scope, receive, send)
            return
        length = headers.get("content-length", "0")
        is_long = not length.isascii() or not length.isdigit() or int(length) > MAX_BODY_BYTES
        body = 413 if is_long else await _whole_body(receive)
        if isinstance(body, int):
            code = "request.too-large" if body == 413 else "request.too-slow"
            detail = f"A body has at most {MAX_BODY_BYTES} bytes, and is there within {_BODY_S:g} s."
            await as_problem(body, code, detail, headers={"connection": "close"})(scope, receive, send)
            return
        is_given = False

        async def again() -> Message:
            nonlocal is_given
            if is_given:
                return await receive()
            is_given = True
            return {"type": "http.request", "body": body, "more_body": False}

        await self._app(scope, again, send)


class Pace:
    """Lets each address ask so often: a bucket that fills by the second. Stops pass, whatever else was asked."""

    def __init__(self, app: ASGIApp, now_s: Callable[[], float], free: Collection[str] = ()) -> None:
        self._app = app
        self._now_s = now_s
        self._free = frozenset(free)
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or have its client wait."""
        if scope["type"] == "http" and scope["path"] not in self._free:
            wait_s = self._wait_s(str((scope.get("client") or ("",))[0]))
            if wait_s > 0.0:
                after = {"Retry-After": str(max(1, math.ceil(wait_s)))}
                detail = f"You ask more than {_A_SECOND:g} times a second. Wait, then ask less often."
                await as_problem(429, "request.too-many", detail, headers=after)(scope, receive, send)
                return
        await self._app(scope, receive, send)

    def _wait_s(self, client: str) -> float:
        now_s = self._now_s()
        left, at_s = self._buckets.pop(client, (_BURST, now_s))
        left = min(_BURST, left + (now_s - at_s) * _A_SECOND)
        self._buckets[client] = (left - 1.0 if left >= 1.0 else left, now_s)
        if len(self._buckets) > _MOST_CLIENTS:
            self._buckets.popitem(last=False)
        return 0.0 if left >= 1.0 else (1.0 - left) / _A_SECOND


def cookie_of(headers: Headers) -> str | None:
    """Return the session's secret out of a request's cookies; None without one, or with cookies that are none."""
    found: SimpleCookie = SimpleCookie()
    try:
        found.load(headers.get("cookie", ""))
    except CookieError:
        return None
    return found[COOKIE].value if COOKIE in found else None


def _without_port(host: str) -> str:
    name, bracket, _ = host.lower().partition("]") if host.startswith("[") else (host.lower(), "", "")
    return f"{name}]" if bracket else name.rsplit(":", 1)[0]


def _is_own_page(scope: Scope, host: str) -> bool:
    """Whether a change is asked for by our own page, or by software that sends no cookie along by itself."""
    if scope["method"] in _SAFE:
        return True
    headers = Headers(scope=scope)
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    if origin is not None:
        return origin in (f"http://{host}", f"https://{host}")
    # A browser says where a change comes from. Whoever does not say it, and brings a cookie, is refused.
    return site is not None or cookie_of(headers) is None


async def _whole_body(receive: Receive) -> bytes | int:
    """Return a whole body, or the status of its refusal."""
    parts: list[bytes] = []
    length = 0
    try:
        async with asyncio.timeout(_BODY_S):
            while True:
                message: MutableMapping[str, Any] = await receive()
                part = message.get("body", b"")
                length += len(part)
                if length > MAX_BODY_BYTES:
                    return 413
                parts.append(part)
                if message["type"] != "http.request" or not message.get("more_body", False):
                    return b"".join(parts)
    except TimeoutError:
        return 408
