"""The plant now: snapshot, events as they come, commands, and the two stops."""

from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import Field

from api.access.guard import VIEW, Caller, TheCaller, allow, is_still
from api.access.roles import ANYBODY, DRIVERS, Role
from api.farm import Farm, TheFarm, moment
from api.problems import Refused
from api.routes.decisions import Id, ask, id_of
from api.shapes import Asked, Moment, Seconds, Shape
from daemon.local_socket.frames import fields_of
from daemon.messages import Command, Verb

router = APIRouter(tags=["now"])
STOPS = {"fertiliser": Verb.STOP_FERTILISER, "everything": Verb.STOP_EVERYTHING}
_MOST_STREAMS = 150


class Live(Shape):
    """The plant and the run as the newest scan saw them."""

    at: Moment | None
    """When the scan was; null where the controller was never heard."""
    age_s: Seconds | None
    """How long ago that came, by the api's own clock."""
    silent: bool
    """The controller has not been heard from for too long: nobody knows what the plant does now."""
    snapshot: dict[str, Any] | None
    """Every reading, output, alarm, lease and debt; the run's progress and its estimates."""


class NewCommand(Asked):
    """Something that is asked of the controller."""

    verb: Annotated[str, Field(pattern=rf"^({'|'.join(verb.value for verb in Verb)})$", examples=["hold"])]
    arguments: Annotated[dict[str, Any], Field(max_length=20, examples=[{}])] = {}  # noqa: RUF012 - pydantic copies it


class NewStop(Asked):
    """What is to stop: fertiliser alone (water and flush go on), or everything."""

    what: Annotated[str, Field(pattern="^(fertiliser|everything)$", examples=["fertiliser"])]


class Answered(Shape):
    """What became of a command, after the scan that decided it."""

    id: str
    accepted: bool
    reason: str


@router.get("/live", **VIEW)
def live(farm: TheFarm) -> Live:
    """Return the newest snapshot, and how old it is."""
    heard = farm.link.heard
    return Live(
        at=None if heard is None else moment(heard.snapshot.at_ms),
        age_s=farm.link.age_s(),
        silent=farm.link.is_silent(),
        snapshot=None if heard is None else fields_of(heard.snapshot),
    )


@router.get("/events", response_class=EventSourceResponse, **VIEW)
async def events(caller: TheCaller, farm: TheFarm) -> AsyncIterator[ServerSentEvent]:
    """Stream snapshots as they come, until you log out; while the controller is silent comments alone come."""
    with farm.link.seat(_MOST_STREAMS) as seated:
        if not seated:
            yield ServerSentEvent(event="full", data="too many streams are open; ask /v1/live instead")
            return
        async for heard in farm.link.snapshots():
            if not is_still(farm, caller):
                return
            yield ServerSentEvent(event="snapshot", id=str(heard.snapshot.scan), raw_data=heard.text)


@router.post("/commands", **allow(DRIVERS, statuses=(409,)))
async def command(given: NewCommand, caller: TheCaller, farm: TheFarm, idempotency_key: Id = None) -> Answered:
    """Ask the controller for something. A refusal is an answer as well; its reason says what to do."""
    return await give(farm, caller, Verb(given.verb), given.arguments, idempotency_key)


@router.post("/stop", **allow(ANYBODY, statuses=(409,)))
async def stop(given: NewStop, caller: TheCaller, farm: TheFarm, idempotency_key: Id = None) -> Answered:
    """Stop, in every state. Whoever can log in may; a token that may only view may not.

    No emergency stop: that is the wired one at the plant.
    """
    if not caller.is_session and caller.role is Role.VIEWER:
        raise Refused(403, "access.forbidden", "This token may only view. Somebody who logs in may stop.")
    return await give(farm, caller, STOPS[given.what], {}, idempotency_key)


async def give(farm: Farm, caller: Caller, verb: Verb, arguments: dict[str, Any], id_: str | None) -> Answered:
    """Give a command as somebody, and return what became of it. Raises Refused where the controller is silent."""
    made = Command(id_of(caller, verb.value, id_), caller.name, caller.role.value, verb, arguments)
    answer = await ask(farm.link.command(made))
    return Answered(id=answer.id, accepted=answer.accepted, reason=answer.reason)
