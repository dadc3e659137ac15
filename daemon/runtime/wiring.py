"""How a site is wired: which point is which output, in which unit each reading comes, and what each bus is."""

from collections.abc import Callable, Mapping
from dataclasses import replace

from daemon.equipment import (
    Bus,
    DisplacementTank,
    MeteringPump,
    RtuBus,
    RtuOverTcpBus,
    Signal,
    TcpBus,
    VariableSpeedPump,
    Venturi,
    Way,
)
from daemon.site import Plant, Site, point_refs, wired
from drivers.line import RtuTcpLine, SerialLine, TcpLine
from drivers.link import Link
from drivers.profile import Profile


def as_wired(profile: Profile, device: str, signals: Mapping[str, Signal]) -> Profile:
    """Return a device's profile as the site wires it: points by "device.point", scaled to what the site says."""
    points = {
        name: replace(
            wired(point, signals.get(f"{device}.{name}")),
            name=f"{device}.{name}",
            read_back=f"{device}.{point.read_back}" if point.read_back else None,
        )
        for name, point in profile.points.items()
    }
    return replace(profile, points=points)


def output_points(plant: Plant) -> dict[str, str]:
    """Return each output's point by role: pump, speed, backwash, valve.<block>, injector.<channel> and so on."""
    site = plant.site
    points = {f"valve.{name}": block.valve for name, block in site.block.items()}
    if site.pump is not None:
        points["pump"] = site.pump.run
        if isinstance(site.pump, VariableSpeedPump):
            points["speed"] = site.pump.speed
    if site.filter is not None and site.filter.backwash is not None:
        points["backwash"] = site.filter.backwash
    for name, injector in site.injector.items():
        if isinstance(injector, Venturi | DisplacementTank):  # its valve is all that it has
            points[f"injector.{name}"] = injector.valve
            continue
        points[f"injection_valve.{name}"] = injector.valve
        points[f"injector.{name}"] = injector.run
        if isinstance(injector, MeteringPump):
            points[f"drive.{name}"] = injector.drive
    return points


def content_point(site: Site, tank: str) -> str | None:
    content = site.tank[tank].content
    return content.point if content is not None else None


def make_link(name: str, bus: Bus, now: Callable[[], float]) -> Link:
    match bus:
        case TcpBus():
            return Link(name, TcpLine(bus.host, bus.port), bus.timeout_s, now)
        case RtuBus():
            line = SerialLine(bus.line, bus.baud, bus.parity, bus.stop_bits)
            return Link(name, line, bus.timeout_s, now, bus.quiet_s)
        case RtuOverTcpBus():
            return Link(name, RtuTcpLine(bus.host, bus.port), bus.timeout_s, now, bus.quiet_s)


def points_of(device: str, plant: Plant) -> tuple[set[str], set[str]]:
    """Return the names of a device's points that the site reads, read-backs of its outputs included, and writes."""
    reads, writes = set(), set()
    for _, ref, way in point_refs(plant.site):
        owner, _, name = ref.partition(".")
        if owner != device:
            continue
        if way is Way.OUT:
            writes.add(name)
            reads.add(plant.points[ref].read_back or name)
        else:
            reads.add(name)
    return reads, writes
