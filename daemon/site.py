"""What is bolted down: the whole site as one frozen model, and every point it names. `daemon.site_file` reads it.

What people decide (shifts, stock, doses) is in `daemon.decisions`, not here.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from pydantic import BaseModel, Field

from daemon.destinations import Alerts
from daemon.equipment import (
    About,
    Api,
    Block,
    Bus,
    Device,
    Filter,
    Injector,
    Limits,
    MainLine,
    Name,
    Part,
    Pump,
    Safety,
    Signal,
    Tank,
    Way,
    Weather,
)
from daemon.keeping import Keeping
from daemon.required import Commissioning
from drivers.profile import Point


class Site(Part):
    """The whole site file."""

    site: About
    bus: dict[Name, Bus] = Field(min_length=1)
    device: dict[Name, Device] = Field(min_length=1)
    pump: Pump | None = None
    """None where the water comes by its own weight or by a scheme's pressure."""
    main: MainLine
    filter: Filter | None = None
    weather: Weather | None = None
    safety: Safety
    injector: dict[Name, Injector] = Field(min_length=1)
    tank: dict[Name, Tank] = Field(min_length=1)
    block: dict[Name, Block] = Field(min_length=1)
    limits: Limits
    commissioning: Commissioning = Commissioning()
    keeping: Keeping = Keeping()
    api: Api = Api()
    alerts: Alerts = Alerts()


@dataclass(frozen=True, slots=True)
class Plant:
    """A site whose every point was found in its device's profile."""

    site: Site
    points: Mapping[str, Point]
    """Each point of each device, by "device.point"."""
    digest: str
    """SHA-256 of the site as read, apart from how it is served and who is told: a run says which plant it ran on."""

    def counter_wrap(self, signal: Signal) -> float:
        """Return the reading at which a counting `signal` starts again from zero, in the signal's own unit."""
        point = self.points[signal.point]
        return float(2 ** (point.counter_bits or 32)) * point.scale * (signal.per_count or 1.0)


def point_refs(part: BaseModel, where: str = "") -> Iterator[tuple[str, str, Way]]:
    """Yield (key path, "device.point", which way) for every point that `part` of a site names."""
    for key, value in part:
        path = f"{where}.{key}" if where else key
        if isinstance(value, BaseModel):
            yield from point_refs(value, path)
        elif isinstance(value, dict):
            parts = ((name, item) for name, item in value.items() if isinstance(item, BaseModel))
            for name, item in parts:
                yield from point_refs(item, f"{path}.{name}")
        elif value is not None:
            ways = [mark for mark in type(part).model_fields[key].metadata if isinstance(mark, Way)]
            yield from ((path, value, way) for way in ways)


def signals_of(part: BaseModel, where: str = "") -> Iterator[tuple[str, Signal]]:
    """Yield (key path, signal) for every signal of `part` of a site."""
    for key, value in part:
        path = f"{where}.{key}" if where else key
        items = value.items() if isinstance(value, dict) else ((None, value),)
        for name, item in items:
            inner = f"{path}.{name}" if name is not None else path
            if isinstance(item, Signal):
                yield inner, item
            elif isinstance(item, BaseModel):
                yield from signals_of(item, inner)


def wired(point: Point, signal: Signal | None) -> Point:
    """Return `point` so that it decodes to the signal's own unit: one linear scale instead of two."""
    if signal is None:
        return point
    if signal.per_count is not None:
        return replace(point, scale=point.scale * signal.per_count, offset=point.offset * signal.per_count)
    if signal.at_low is None or signal.at_high is None or point.signal is None:
        return point
    low, high = point.signal
    slope = (signal.at_high - signal.at_low) / (high - low)
    start = signal.at_low - low * slope
    outside = point.fault_outside and sorted(end * slope + start for end in point.fault_outside)
    return replace(
        point,
        scale=point.scale * slope,
        offset=point.offset * slope + start,
        fault_outside=(outside[0], outside[1]) if outside else None,
    )


def section_digest(parts: Iterable[Part]) -> str:
    """Return the digest of parts of a site: what was measured of them holds until one of them is written anew."""
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.model_dump_json().encode())
    return digest.hexdigest()[:16]
