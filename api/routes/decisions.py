"""Everything that people decide, of every kind: one family of routes, with versions and ETags.

The daemon judges and records; here is what keeps two people from overwriting each other unseen (RFC 9110, If-Match).
"""

import json
import re
import uuid
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Response
from pydantic import Field

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import DRIVERS, KINDS_OF, Role
from api.farm import Farm, TheFarm, moment
from api.link import DaemonSilent
from api.problems import Fault, Refused
from api.shapes import Moment, Shape
from daemon.decisions.kinds import KINDS
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.in_force import DecisionError, parse_decision
from daemon.ledger.reports import Decided, latest_decisions, versions_of

router = APIRouter(prefix="/decisions", tags=["decisions"])
_WRITERS = DRIVERS | {Role.AGRONOMIST}
_Kind = Annotated[str, Path(pattern=rf"^({'|'.join(KINDS)})$", description="One of the kinds.", examples=["program"])]
_Key = Annotated[str, Path(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,59}$", description="Its name.", examples=["low_night"])]
_Match = Annotated[
    str | None,
    Header(
        alias="If-Match",
        pattern=r'^("[0-9]{1,9}"|\*)$',
        description="The ETag that was seen, or * for whatever is there.",
        examples=['"1"'],
    ),
]
_NoneMatch = Annotated[
    str | None, Header(alias="If-None-Match", pattern=r"^\*$", description="* for one that must be new.")
]
Id = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        pattern=r"^[\x21-\x7e]{1,64}$",
        description="The same key is done once and answered as before.",
    ),
]


class OneDecision(Shape):
    """One version of a decision."""

    kind: str
    key: str
    version: int
    """From 1. The ETag is this number in quotes."""
    body: dict[str, Any] | None
    """As the kind's schema has it (`shiftwright schema decisions`); null where it was removed."""
    who: str
    at: Moment
    at_is_trusted: bool
    """Whether the controller's clock was set."""


class Recorded(Shape):
    """What became of a decision."""

    version: int
    said: str
    """What the controller has to say to it: warnings, and what it changes."""


@router.get("", **VIEW)
def all_decisions(farm: TheFarm) -> list[OneDecision]:
    """Return the newest version of every decision in force."""
    return [_shown(row) for row in _newest(farm) if row.body != "null"]


@router.get("/{kind}", **VIEW)
def of_one_kind(kind: _Kind, farm: TheFarm) -> list[OneDecision]:
    """Return the decisions of one kind in force."""
    return [_shown(row) for row in _newest(farm) if row.kind == kind and row.body != "null"]


@router.get("/{kind}/{key}", **{**VIEW, "responses": {**VIEW["responses"], **allow((), statuses=(404,))["responses"]}})
def one_decision(kind: _Kind, key: _Key, response: Response, farm: TheFarm) -> OneDecision:
    """Return a decision in force, with its ETag."""
    row = _row(farm, kind, key)
    if row is None or row.body == "null":
        raise Refused(404, "not-found", f"There is no {kind} of that name.")
    response.headers["ETag"] = f'"{row.version}"'
    return _shown(row)


@router.get("/{kind}/{key}/versions", **VIEW)
def versions(kind: _Kind, key: _Key, farm: TheFarm) -> list[OneDecision]:
    """Return all versions of a decision, removals among them, the newest first; none where there never was one."""
    try:
        return [_shown(row) for row in versions_of(farm.ledger, kind, key)]
    except LedgerMissing:
        return []


@router.put("/{kind}/{key}", **allow(_WRITERS, statuses=(409, 412, 428)))
async def record(
    kind: _Kind,
    key: _Key,
    body: Annotated[dict[str, Any], Field(max_length=200, examples=[{"blocks": ["creek", "ridge"]}])],
    response: Response,
    caller: TheCaller,
    farm: TheFarm,
    if_match: _Match = None,
    if_none_match: _NoneMatch = None,
    idempotency_key: Id = None,
) -> Recorded:
    """Record a decision as its next version, for the version that was seen (If-Match) or as new (If-None-Match: *)."""
    _may(caller, kind)
    try:
        parse_decision(kind, key, body)
    except DecisionError as error:
        faults = [Fault(where=f"body {line.partition(':')[0]}", expected=line) for line in str(error).splitlines()]
        raise Refused(422, "decision.invalid", " ".join(fault.expected for fault in faults)) from None
    return await _record(farm, caller, kind, key, body, if_match, if_none_match, idempotency_key, response)


@router.delete("/{kind}/{key}", **allow(_WRITERS, statuses=(404, 409, 412, 428)))
async def remove(
    kind: _Kind,
    key: _Key,
    response: Response,
    caller: TheCaller,
    farm: TheFarm,
    if_match: _Match = None,
    idempotency_key: Id = None,
) -> Recorded:
    """Remove a decision, as its next version. Those before it stay in the record."""
    _may(caller, kind)
    row = _row(farm, kind, key)
    if row is None or row.body == "null":
        raise Refused(404, "not-found", f"There is no {kind} of that name.")
    return await _record(farm, caller, kind, key, None, if_match, None, idempotency_key, response)


async def _record(
    farm: Farm,
    caller: Caller,
    kind: str,
    key: str,
    body: dict[str, Any] | None,
    if_match: str | None,
    if_none_match: str | None,
    id_: str | None,
    response: Response,
) -> Recorded:
    row = _row(farm, kind, key)
    version = 0 if row is None else row.version
    is_there = row is not None and row.body != "null"
    if if_match is None and if_none_match is None:
        raise Refused(428, "version.needed", "Send If-Match with the ETag you saw, or If-None-Match: *.")
    if (if_none_match is not None and is_there) or (if_match not in (None, "*") and if_match != f'"{version}"'):
        raise Refused(412, "version.changed", f"Version {version} is in force. Read it, then decide again.")
    asked: dict[str, Any] = {"kind": kind, "key": key, "body": body, "expected_version": version}
    answer = await ask(farm.link.decision({"id": id_ or uuid.uuid4().hex, "who": caller.who, "decisions": [asked]}))
    if not answer.accepted:
        raise Refused(409, "decision.refused", answer.reason)
    row = _row(farm, kind, key)
    newest = version + 1 if row is None else row.version
    response.headers["ETag"] = f'"{newest}"'
    return Recorded(version=newest, said=answer.reason)


async def ask(asking: Any) -> Any:
    """Return the daemon's answer. Raises Refused where it cannot be asked."""
    try:
        return await asking
    except DaemonSilent as silent:
        raise Refused(409, silent.code, str(silent)) from None


def _may(caller: Caller, kind: str) -> None:
    if kind not in KINDS_OF[caller.role]:
        may = ", ".join(sorted(KINDS_OF[caller.role]))
        raise Refused(403, "access.forbidden", f"The role {caller.role.value} records these alone: {may}.")


def _newest(farm: Farm) -> tuple[Decided, ...]:
    try:
        return latest_decisions(farm.ledger)
    except LedgerMissing:
        return ()


def _row(farm: Farm, kind: str, key: str) -> Decided | None:
    return next((row for row in _newest(farm) if (row.kind, row.key) == (kind, key)), None)


def _shown(row: Decided) -> OneDecision:
    return OneDecision(
        kind=row.kind,
        key=row.key,
        version=row.version,
        body=json.loads(row.body),
        who=re.sub(r"[\x00-\x1f\x7f]", " ", row.who),
        at=moment(row.at_ms),
        at_is_trusted=row.trusted,
    )
