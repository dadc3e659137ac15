"""The site file: read, and every error in it told at once with key path, what was got, expected and perhaps meant."""

import difflib
import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from daemon.site import Plant, Site, Way, point_refs, signals_of
from drivers.profile import Problem, Profile


class SiteError(Exception):
    """The site file cannot be used. Carries every problem found."""

    code = "site.invalid"

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems


def parse_site(text: str, profiles: Mapping[str, Profile]) -> Plant:
    """Parse the text of a site file.

    Raises SiteError with every problem in it: TOML syntax alone, else keys and values, else cross references.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SiteError((Problem("site file", "text that is not TOML", "TOML 1.0", str(error)),)) from error
    try:
        site = Site.model_validate(raw)
    except ValidationError as error:
        raise SiteError(tuple(_explain(error))) from error
    problems = tuple(_cross_check(site, profiles))
    if problems:
        raise SiteError(problems)
    points = {
        f"{name}.{point.name}": point
        for name, device in site.device.items()
        for point in profiles[device.profile].points.values()
    }
    return Plant(site, points, hashlib.sha256(site.model_dump_json().encode()).hexdigest())


def _cross_check(site: Site, profiles: Mapping[str, Profile]) -> Iterator[Problem]:
    for name, device in site.device.items():
        if device.bus not in site.bus:
            yield Problem(f"device.{name}.bus", repr(device.bus), "a bus of this file", _nearest(device.bus, site.bus))
        if device.profile not in profiles:
            hint = _nearest(device.profile, profiles)
            yield Problem(f"device.{name}.profile", repr(device.profile), "a device profile", hint)
    yield from _check_points(site, profiles)
    yield from _check_signals(site, profiles)
    for name, injector in site.injector.items():
        if injector.tank not in site.tank:
            hint = _nearest(injector.tank, site.tank)
            yield Problem(f"injector.{name}.tank", repr(injector.tank), "a tank of this file", hint)
    for name, tank in site.tank.items():
        if tank.low_l >= tank.volume_l:
            yield Problem(f"tank.{name}.low_l", f"{tank.low_l:g}", f"less than the tank's {tank.volume_l:g} L")
    for name, block in site.block.items():
        if block.flow_m3_h < site.main.min_flow_m3_h:
            got = f"a block flow of {block.flow_m3_h:.2f} m3/h"
            yield Problem(f"block.{name}", got, f"at least main.min_flow_m3_h = {site.main.min_flow_m3_h:g}")
    if site.main.max_pressure_kpa <= site.main.min_pressure_kpa:
        got = f"{site.main.max_pressure_kpa:g}"
        yield Problem("main.max_pressure_kpa", got, f"more than min_pressure_kpa = {site.main.min_pressure_kpa:g}")


def _check_points(site: Site, profiles: Mapping[str, Profile]) -> Iterator[Problem]:
    taken: dict[str, str] = {}
    for where, ref, way in point_refs(site):
        device_name, _, point_name = ref.partition(".")
        device = site.device.get(device_name)
        if device is None:
            yield Problem(where, repr(ref), "a point of a device of this file", _nearest(device_name, site.device))
            continue
        profile = profiles.get(device.profile)
        if profile is None:
            continue
        point = profile.points.get(point_name)
        if point is None:
            hint = _nearest(point_name, profile.points)
            yield Problem(where, repr(ref), f"a point of profile {device.profile}", hint)
            continue
        if way is Way.OUT and not point.writable:
            yield Problem(where, repr(ref), "an output; this point can only be read")
        if way is Way.IN and point.writable:
            yield Problem(where, repr(ref), "an input that no other master can write; this point is writable")
        if ref in taken:
            yield Problem(where, repr(ref), f"a point of its own; {taken[ref]} uses it already")
        taken[ref] = where


def _check_signals(site: Site, profiles: Mapping[str, Profile]) -> Iterator[Problem]:
    """Yield signals whose scale does not fit what their point carries."""
    for where, signal in signals_of(site):
        device_name, _, point_name = signal.point.partition(".")
        device = site.device.get(device_name)
        profile = profiles.get(device.profile) if device else None
        point = profile.points.get(point_name) if profile else None
        if point is None:
            continue
        if point.signal is not None and signal.at_low is None:
            yield Problem(where, "no at_low and at_high", f"them: the point carries {point.unit}, not a quantity")
        if point.signal is None and signal.at_low is not None:
            yield Problem(where, "at_low and at_high", "none: the point is not a transmitter's signal")
        if point.counter_bits is None and signal.per_count is not None:
            yield Problem(where, "per_count", "none: the point does not count")


def _explain(error: ValidationError) -> Iterator[Problem]:
    for item in error.errors(include_url=False):
        where = ".".join(str(part) for part in item["loc"]) or "site file"
        if item["type"] == "extra_forbidden":
            known = _keys_at(item["loc"][:-1])
            yield Problem(where, "a key nobody knows", "a key of this section", _nearest(str(item["loc"][-1]), known))
        elif item["type"] == "missing":
            yield Problem(where, "nothing", "a value: the plant needs it and it has no default")
        else:
            yield Problem(where, repr(item["input"]), item["msg"].removeprefix("Value error, "))


def _keys_at(loc: tuple[int | str, ...]) -> tuple[str, ...]:
    """Return the keys that the section at `loc` knows, by walking the models' own annotations."""
    model: Any = Site
    for step in loc:
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            model = _inner(model)
            continue
        field = model.model_fields.get(str(step))
        model = field.annotation if field else None
    model = model if isinstance(model, type) else None
    return tuple(model.model_fields) if model and issubclass(model, BaseModel) else ()


def _inner(annotation: Any) -> Any:
    """Return what a dict's values or a tuple's items are."""
    arguments = [argument for argument in get_args(annotation) if argument is not Ellipsis]
    return arguments[-1] if arguments else None


def _nearest(word: str, known: Mapping[str, object] | tuple[str, ...]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.5)
    if close:
        return f"Nearest known: {close[0]}"
    return f"Known: {', '.join(sorted(known))}" if known else ""
