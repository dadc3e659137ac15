"""People and tokens: a technician makes both, and whoever has a token may end it."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field, SecretStr

from api.access.guard import TheCaller, allow
from api.access.passwords import MOST, weakness
from api.access.roles import ANYBODY, DRIVERS, TECHNICIANS, Role, may_give
from api.access.store import AccessError, Person, Token
from api.farm import Farm, TheFarm, moment
from api.problems import Refused
from api.shapes import Asked, Moment, Name, Shape
from daemon.decisions.base import WHOLE

router = APIRouter(tags=["people"])
_Label = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]
_ARole = Annotated[Role, Field(strict=False)]


class NewPerson(Asked):
    """Somebody who is to log in. Without a password by the code of a pairing alone, which is answered once."""

    name: Name
    role: _ARole
    password: Annotated[SecretStr, Field(min_length=1, max_length=MOST, strict=False)] | None = None


class NewRole(Asked):
    """Another role. Ends somebody's sessions and tokens."""

    role: _ARole


class OnePerson(Shape):
    """Somebody who may log in."""

    name: str
    role: Role
    has_password: bool
    made: Moment


class AddedPerson(OnePerson):
    """The same, and how they log in for the first time where they have no password."""

    code: str | None


class NewToken(Asked):
    """What a token is for, and for how long."""

    label: _Label
    role: _ARole
    days: Annotated[int, Field(ge=1, le=730), WHOLE] = 365


class OneToken(Shape):
    """What other software logs in with."""

    id: str
    label: str
    role: Role
    person: str
    """Who made it: the record has their name for what it does."""
    made: Moment
    ends: Moment


class AddedToken(OneToken):
    """The same with its secret, which is never shown again."""

    secret: str


@router.get("/people", **allow(TECHNICIANS))
def people(farm: TheFarm) -> list[OnePerson]:
    """Return everybody who may log in."""
    return [OnePerson(**_of(person)) for person in farm.store.people()]


@router.post("/people", status_code=201, **allow(TECHNICIANS, statuses=(409,), tokens=False))
async def add(given: NewPerson, farm: TheFarm) -> AddedPerson:
    """Add somebody."""
    stored = None
    if given.password is not None:
        password = given.password.get_secret_value()
        weak = weakness(given.name, password)
        if weak:
            raise Refused(409, "access.weak", f"body.password: {weak}")
        stored = await farm.passwords.hashed(password)
    try:
        farm.store.add(given.name, given.role, farm.now_ms(), stored)
    except AccessError as error:
        raise Refused(409, "access.taken", str(error)) from None
    code = None if stored is not None else farm.store.add_pairing(given.name, farm.now_ms())
    return AddedPerson(**_of(_person(farm, given.name)), code=code)


@router.put("/people/{name}", **allow(TECHNICIANS, statuses=(404, 409), tokens=False))
def change(name: Name, given: NewRole, farm: TheFarm) -> OnePerson:
    """Give somebody another role. Their sessions and tokens end."""
    _person(farm, name)
    try:
        farm.store.change(name, role=given.role)
    except AccessError as error:
        raise Refused(409, "access.last-technician", str(error)) from None
    return OnePerson(**_of(_person(farm, name)))


@router.delete("/people/{name}", status_code=204, **allow(TECHNICIANS, statuses=(404, 409), tokens=False))
def remove(name: Name, farm: TheFarm) -> None:
    """Remove somebody. Their sessions and tokens end; what they did stays in the record."""
    _person(farm, name)
    try:
        farm.store.remove(name)
    except AccessError as error:
        raise Refused(409, "access.last-technician", str(error)) from None


@router.get("/tokens", **allow(ANYBODY))
def tokens(caller: TheCaller, farm: TheFarm) -> list[OneToken]:
    """Return one's own tokens; all of them to a technician."""
    return [OneToken(**_shown(token)) for token in farm.store.tokens() if _is_theirs(caller, token)]


@router.post("/tokens", status_code=201, **allow(DRIVERS, tokens=False))
def add_token(given: NewToken, caller: TheCaller, farm: TheFarm) -> AddedToken:
    """Make a token of a role that may no more than one's own."""
    if not may_give(caller.role, given.role):
        raise Refused(403, "access.forbidden", f"The role {caller.role.value} may not hand on {given.role.value}.")
    token, secret = farm.store.add_token(caller.name, given.label, given.role, given.days, farm.now_ms())
    return AddedToken(**_shown(token), secret=secret)


@router.delete("/tokens/{id}", status_code=204, **allow(ANYBODY, statuses=(404,), tokens=False))
def remove_token(id: Annotated[str, Field(pattern=r"^[0-9a-f]{12}$")], caller: TheCaller, farm: TheFarm) -> None:
    """End a token for good: one's own, or anybody's for a technician."""
    found = next((token for token in farm.store.tokens() if token.id == id and _is_theirs(caller, token)), None)
    if found is None or not farm.store.remove_token(found.id):
        raise Refused(404, "not-found", "There is no such token.")


def _is_theirs(caller: TheCaller, token: Token) -> bool:
    return caller.role in TECHNICIANS or token.person == caller.name


def _person(farm: Farm, name: str) -> Person:
    person = farm.store.person(name)
    if person is None:
        raise Refused(404, "not-found", "Nobody of that name may log in.")
    return person


def _of(person: Person) -> dict[str, object]:
    return {
        "name": person.name,
        "role": person.role,
        "has_password": person.has_password,
        "made": moment(person.made_ms),
    }


def _shown(token: Token) -> dict[str, object]:
    return {
        "id": token.id,
        "label": token.label,
        "role": token.role,
        "person": token.person,
        "made": moment(token.made_ms),
        "ends": moment(token.ends_ms),
    }
