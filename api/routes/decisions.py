"""Everything that people decide, of every kind: one family of routes, with versions and ETags.

The daemon judges and records; here is what keeps two people from overwriting each other unseen (RFC 9110, If-Match).
"""

import hashlib
import json
import re
import uuid
from typing import Annotated, Any

from fastapi import APIRouter, Body, Header, Path, Response

from api.access.guard import VIEW, Caller, TheCaller, allow
from api.access.roles import DRIVERS, KINDS_OF, Role
from api.farm import Farm, TheFarm, moment
from api.link import DaemonSilent
from api.problems import Refused
from api.routes.examples import EXAMPLES
from api.shapes import Moment, Shape
from daemon.decisions.base import Decision
from daemon.decisions.kinds import KINDS
from daemon.ledger.errors import LedgerMissing
from daemon.ledger.reports import Decided, latest_decisions, versions_of

router = APIRouter(prefix="/decisions", tags=["decisions"])
_WRITERS = DRIVERS | {Role.AGRONOMIST}
_Kind = Annotated[str, Path(pattern=rf"^({'|'.join(KINDS)})$", description="One of the kinds.", examples=["program"])]
_Key = Annotated[str, Path(pattern=r"^[A-Za-z_][A-Za-z0-9_]{0,59}$", description="Its name.", examples=["low_night"])]
_Match = Annotated[
    str,
    Header(
        alias="If-Match",
        pattern=r'^("[0-9]{1,9}"|\*)$',
        description='The ETag that was seen, "0" for a decision that is new, or * for whatever is there.',
        examples=['"1"'],
    ),
]
Id = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        pattern=r"^[\x21-\x7e]{1,40}$",
        description="The same key, from the same person and for the same thing, is done once and answered as before.",
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


def _add_put(kind: str, model: type[Decision]) -> None:
    """Have decisions of one kind recorded, by their own schema."""

    async def record(
        key: _Key,
        body: Annotated[model, Body(examples=[EXAMPLES[kind]])],  # type: ignore[valid-type]
        response: Response,
        caller: TheCaller,
        farm: TheFarm,
        if_match: _Match,
        idempotency_key: Id = None,
    ) -> Recorded:
        return await record_decision(farm, caller, kind, key, body, if_match, idempotency_key, response)

    words = " ".join((model.__doc__ or "").split())
    router.add_api_route(
        f"/{kind}/{{key}}",
        record,
        methods=["PUT"],
        operation_id=f"record_{kind}",
        summary=f"Record a decision of the kind {kind} as its next version.",
        description=f"{words} It is done for the version that was seen; what does not go together is refused, 409.",
        **allow({role for role in _WRITERS if kind in KINDS_OF[role]}, statuses=(409, 412)),
    )


for _kind, _model in KINDS.items():
    _add_put(_kind, _model)


@router.delete("/{kind}/{key}", **allow(_WRITERS, statuses=(404, 409, 412)))
async def remove(
    kind: _Kind,
    key: _Key,
    response: Response,
    caller: TheCaller,
    farm: TheFarm,
    if_match: _Match,
    idempotency_key: Id = None,
) -> Recorded:
    """Remove a decision, as its next version. Those before it stay in the record."""
    _may(caller, kind)
    row = _row(farm, kind, key)
    if row is None or row.body == "null":
        raise Refused(404, "not-found", f"There is no {kind} of that name.")
    return await record_decision(farm, caller, kind, key, None, if_match, idempotency_key, response)


async def record_decision(
    farm: Farm,
    caller: Caller,
    kind: str,
    key: str,
    decision: Decision | None,
    if_match: str,
    id_: str | None,
    response: Response,
) -> Recorded:
    """Have a decision recorded, or removed where it is None. Raises Refused."""
    row = _row(farm, kind, key)
    version = 0 if row is None else row.version
    if if_match not in ("*", f'"{version}"'):
        raise Refused(412, "version.changed", f"Version {version} is in force. Read it, then decide again.")
    body = None if decision is None else decision.model_dump(mode="json", exclude_unset=True)
    asked: dict[str, Any] = {"kind": kind, "key": key, "body": body, "expected_version": version}
    answer = await ask(
        farm.link.decision(
            {"id": id_of(caller, f"{kind} {key} {body is None}", id_), "who": caller.name, "decisions": [asked]}
        )
    )
    if not answer.accepted:
        raise Refused(409, "decision.refused", answer.reason)
    row = _row(farm, kind, key)
    newest = version + 1 if row is None else row.version
    response.headers["ETag"] = f'"{newest}"'
    return Recorded(version=newest, said=answer.reason)


def id_of(caller: Caller, what: str, key: str | None) -> str:
    """Return the id of a command: a new one, or that of the same key from the same person for the same thing."""
    if key is None:
        return uuid.uuid4().hex
    return f"{key}-{hashlib.sha256(f'{caller.name} {what}'.encode()).hexdigest()[:16]}"


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
