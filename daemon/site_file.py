"""The site file: read, and every error in it told at once with key path, what was got, expected and perhaps meant."""

import hashlib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, TypeAdapter, ValidationError

from daemon.site import Plant, Site
from daemon.site_checks import Standing, check_site, nearest
from drivers.profile import Problem, Profile

_TOLD = re.compile("Value error, got (.+); expected (.+)")
"""A check over several keys, which says itself what it got."""


class SiteError(Exception):
    """The site file cannot be used. Carries every problem found."""

    code = "site.invalid"

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


@dataclass(frozen=True, slots=True)
class Inspected:
    """What became of a site file."""

    plant: Plant | None
    """None when there are problems."""
    standing: Standing | None
    """What can be gone by all the same; None when the text is not TOML."""
    problems: tuple[Problem, ...]


def parse_site(text: str, profiles: Mapping[str, Profile]) -> Plant:
    """Parse the text of a site file. Raises SiteError with every problem in it."""
    found = inspect_site(text, profiles)
    if found.plant is None:
        raise SiteError(found.problems)
    return found.plant


def inspect_site(text: str, profiles: Mapping[str, Profile]) -> Inspected:
    """Return what the text of a site file says, and all that is wrong with it.

    Parts that are right by themselves are checked against each other even when others are wrong.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return Inspected(None, None, (Problem("site file", "text that is not TOML", "TOML 1.0", str(error)),))
    site: Site | None = None
    problems: list[Problem] = []
    try:
        site = Site.model_validate(raw)
        parts = {key: getattr(site, key) for key in Site.model_fields}
    except ValidationError as error:
        problems += explain(error, Site)
        parts = {key: _right_parts(key, raw.get(key)) for key in Site.model_fields}
    names = {key: () for key in Site.model_fields if _is_table(key)} | {
        key: tuple(value) if isinstance(value, dict) else () for key, value in raw.items()
    }
    kept = {field.name for field in fields(Standing)} & parts.keys()
    standing = Standing(profiles=profiles, names=names, **{key: parts[key] for key in kept})
    problems += check_site(standing)
    if site is None or problems:
        return Inspected(None, standing, tuple(problems))
    points = {
        f"{name}.{point.name}": point
        for name, device in site.device.items()
        for point in profiles[device.profile].points.values()
    }
    beside = {"api", "alerts", "commissioning", "keeping"}
    digest = hashlib.sha256(site.model_dump_json(exclude=beside).encode()).hexdigest()
    return Inspected(Plant(site, points, digest), standing, ())


def _is_table(key: str) -> bool:
    """Return whether a section of the site holds many parts by name."""
    return get_origin(Site.model_fields[key].annotation) is dict


def _right_parts(key: str, raw: Any) -> Any:
    """Return those parts of one section that are right by themselves: a dict of a table, else the part or None."""
    annotation: Any = Site.model_fields[key].annotation
    validate = TypeAdapter[Any](annotation).validate_python
    right: dict[str, Any] = {}
    items = [{name: part} for name, part in raw.items()] if isinstance(raw, dict) else []
    for item in items if _is_table(key) else [raw]:
        try:
            found = validate(item)
        except ValidationError:
            continue
        if not _is_table(key):
            return found
        right |= found
    return right if _is_table(key) else None


def explain(error: ValidationError, model: type[BaseModel], at: str = "") -> Iterator[Problem]:
    """Yield the problems that `model` found in what lies under the key path `at`."""
    for item in error.errors(include_url=False):
        loc, context = item["loc"], item.get("ctx", {})
        path, _ = _follow(model, loc)
        where = ".".join((at, *path) if at else path)
        if item["type"] == "extra_forbidden":
            section = _members(_follow(model, loc[:-1])[1])[0]
            hint = nearest(str(loc[-1]), section.model_fields)
            yield Problem(where, "a key nobody knows", "a key of this section", hint)
        elif item["type"] == "missing":
            yield Problem(where, "nothing", "a value: it is needed and has no default")
        elif item["type"] in ("union_tag_invalid", "union_tag_not_found"):
            kinds = [kind for member in _members(_follow(model, loc)[1]) for kind in _kinds(member)]
            got, hint = repr(context["tag"]) if "tag" in context else "nothing", ""
            if "tag" in context:
                hint = nearest(str(context["tag"]), kinds)
            yield Problem(f"{where}.kind", got, f"one of {', '.join(kinds)}", hint)
        elif item["type"] in ("model_type", "dict_type", "model_attributes_type"):
            yield Problem(where, repr(item["input"]), "a section with keys of its own")
        elif item["type"] == "too_short":
            yield Problem(where, f"{context['actual_length']} that can be used", f"at least {context['min_length']}")
        else:
            given = item["input"]
            got = f"the keys {', '.join(given)}" if isinstance(given, dict) else repr(given)
            told = _TOLD.fullmatch(item["msg"])
            yield Problem(where, *told.groups()) if told else Problem(where, got, _wanted(item["msg"]))


def _wanted(message: str) -> str:
    """Return what pydantic's message says was expected."""
    message = message.removeprefix("Value error, ").removeprefix("Input should be ")
    return message.replace("String should match pattern", "text of the pattern")


def _follow(model: Any, loc: tuple[int | str, ...]) -> tuple[tuple[str, ...], Any]:
    """Return the key path of pydantic's `loc`, which names a part's kind besides, and what is found there."""
    path: list[str] = []
    for step in loc:
        members = _members(model)
        if len(members) > 1:
            model = next((member for member in members if step in _kinds(member)), None)
        elif step != "[key]":
            path.append(str(step))
            model = _inside(members[0], step)
    return tuple(path), model


def _members(annotation: Any) -> tuple[Any, ...]:
    """Return what an annotation allows, without its marks and None."""
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    if get_origin(annotation) in (Union, UnionType):
        return tuple(member for part in get_args(annotation) if part is not NoneType for member in _members(part))
    return (annotation,)


def _kinds(model: Any) -> tuple[str, ...]:
    """Return the `kind` that a part of one kind has."""
    field = getattr(model, "model_fields", {}).get("kind")
    return get_args(field.annotation) if field else ()


def _inside(kind: Any, step: int | str) -> Any:
    """Return what is found at one step inside: a model's field, a dict's value, a tuple's item."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        field = kind.model_fields.get(str(step))
        return field.annotation if field else None
    arguments = [argument for argument in get_args(kind) if argument is not Ellipsis]
    return arguments[-1] if arguments else None
