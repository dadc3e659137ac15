"""What went wrong, in one form (RFC 9457, application/problem+json) with codes that stay as they are."""

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from http import HTTPStatus
from typing import Any, Final

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException

from daemon.ledger.errors import LedgerError

MEDIA_TYPE = "application/problem+json"


class Fault(BaseModel):
    """One thing that is wrong with a request."""

    model_config = ConfigDict(use_attribute_docstrings=True)

    where: str
    """Where in the request: body, query, path or header, and the way to the value."""
    expected: str
    """What was expected there."""


class Problem(BaseModel):
    """What went wrong."""

    model_config = ConfigDict(
        use_attribute_docstrings=True,
        json_schema_extra={
            "examples": [
                {
                    "type": "about:blank",
                    "title": "Conflict",
                    "status": 409,
                    "detail": "The controller has not been heard from for 95 s; nothing was asked of it.",
                    "code": "daemon.silent",
                    "faults": [],
                }
            ]
        },
    )

    type: str = "about:blank"
    title: str
    """The status in words."""
    status: int
    detail: str
    """What is the matter here, and what to do."""
    code: str
    """Stays as it is from release to release."""
    faults: list[Fault] = Field(default_factory=list)


class Refused(Exception):  # noqa: N818 - what its name says
    """A request that is not done. Becomes a problem."""

    def __init__(self, status: int, code: str, detail: str, *, headers: Mapping[str, str] | None = None) -> None:
        super().__init__(detail)
        self.status = status
        self.code = code
        self.headers = headers


CODES: Final[Mapping[int, str]] = {
    400: "request.unreadable",
    401: "access.log-in",
    403: "access.forbidden",
    404: "not-found",
    405: "method.not-allowed",
    406: "not-acceptable",
    409: "conflict",
    412: "version.changed",
    413: "request.too-large",
    415: "request.media-type",
    421: "host.unknown",
    422: "request.invalid",
    429: "request.too-many",
}
"""Of a status, where nothing closer is said."""


def answers(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the documentation of the problems that a route may answer with, besides those of every route."""
    return {
        status: {
            "description": HTTPStatus(status).phrase,
            "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for status in sorted(statuses)
    }


def as_problem(
    status: int, code: str, detail: str, faults: Sequence[Fault] = (), headers: Mapping[str, str] | None = None
) -> JSONResponse:
    """Return the answer that tells of a problem."""
    problem = Problem(
        title=HTTPStatus(status).phrase, status=status, detail=detail, code=code, faults=[*faults]
    ).model_dump()
    return JSONResponse(problem, status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


AsPage = Callable[[Request, int, str], Response | None]
"""Makes a page of a status and its detail for somebody who looks at pages; None for software."""


def add_handlers(app: FastAPI, as_page: AsPage) -> None:
    """Have every error answered in that form. What was sent is never echoed, nor a path of this computer told."""

    def problem_response(
        request: Request,
        status: int,
        code: str,
        detail: str,
        faults: Sequence[Fault] = (),
        headers: Mapping[str, str] | None = None,
    ) -> Response:
        return as_page(request, status, detail) or as_problem(status, code, detail, faults, headers)

    @app.exception_handler(Refused)
    async def refused(request: Request, error: Refused) -> Response:
        return problem_response(request, error.status, error.code, str(error), headers=error.headers)

    @app.exception_handler(HTTPException)
    async def http(request: Request, error: HTTPException) -> Response:
        headers = dict(error.headers or {})
        if error.status_code == 405:
            headers["Allow"] = ", ".join(_methods_at(app, request)) or headers.get("Allow", "")
        code = CODES.get(error.status_code, "refused")
        return problem_response(request, error.status_code, code, str(error.detail), headers=headers)

    @app.exception_handler(RequestValidationError)
    async def invalid(request: Request, error: RequestValidationError) -> Response:
        found = error.errors()
        if any(item["type"] == "json_invalid" for item in found):
            return problem_response(request, 400, CODES[400], "The body is not JSON. Send one JSON object in UTF-8.")
        # A schema cannot say what has to go together: such a request is in form, and in conflict with itself.
        status = 409 if all(item["type"] == "value_error" for item in found) else 422
        faults = [Fault(where=".".join(map(str, item["loc"])), expected=str(item["msg"])) for item in found]
        told = "; ".join(f"{fault.where}: {fault.expected}" for fault in faults[:5])
        return problem_response(request, status, "request.inconsistent" if status == 409 else CODES[422], told, faults)

    @app.exception_handler(sqlite3.Error)
    async def storage(request: Request, error: sqlite3.Error) -> Response:
        detail = "The controller's disk takes nothing or cannot be read now. See to it; what was asked is not done."
        return problem_response(request, 409, "storage.failed", detail)

    @app.exception_handler(Exception)
    async def fault(request: Request, error: Exception) -> Response:
        return problem_response(request, 500, "fault", "A fault of this program. The controller's journal says more.")

    @app.exception_handler(LedgerError)
    async def ledger(request: Request, error: LedgerError) -> Response:
        return problem_response(
            request,
            409,
            error.code,
            "The record cannot be read now. On the controller, `shiftwright status` says more.",
        )


def _methods_at(app: FastAPI, request: Request) -> list[str]:
    """Return every method that some route has at this path: a router names those of its first route alone."""
    found: set[str] = set()
    for route in app.routes:
        match = getattr(route, "path_regex", None)
        if match is not None and match.match(request.url.path):
            found |= getattr(route, "methods", None) or set()
    return sorted(found)
