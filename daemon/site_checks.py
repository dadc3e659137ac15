"""Whether the parts of a site file fit together: buses, points and signals first, then what makes them a plant."""

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from pydantic import BaseModel

from daemon.equipment import (
    Block,
    Bus,
    Device,
    DisplacementTank,
    DutyPump,
    Filter,
    Injector,
    Limits,
    MainLine,
    Pump,
    RtuBus,
    Safety,
    Signal,
    Tank,
    VariableSpeedPump,
    Way,
    Weather,
)
from daemon.site import point_refs, signals_of
from drivers.profile import BIT_TABLES, Form, Point, Problem, Profile

_SWITCHES = frozenset(
    {
        "run",
        "running",
        "valve",
        "backwash",
        "backwashing",
        "rain",
        "wind",
        "emergency_stop_healthy",
        "selector_auto",
        "reset_button",
        "watchdog_self_clears",
        "reverse_flow",
    }
)
_UNITS = {
    "flow": "m3/h",
    "water": "L",
    "meter": "L",
    "content": "L",
    "pressure": "kPa",
    "pressure_difference": "kPa",
    "background_ec": "mS/cm",
    "line_ec": "mS/cm",
    "far_ec": "mS/cm",
    "drive": "fraction",
    "speed": "fraction",
    "output_watchdog_s": "s",
    "output_uptime_s": "s",
}
"""What a value must come in, by the key that names its point or signal."""
_COUNTED = frozenset({"water", "meter"})
_LONGEST_PULSE_S = 5.0
"""Pulses further apart prove no flow in time (control rules, invariant 1)."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands of a site file: the parts that are right by themselves, whatever is wrong with the others."""

    profiles: Mapping[str, Profile]
    names: Mapping[str, tuple[str, ...]]
    """Each section of the file with the names in it, those of wrong parts among them."""
    bus: Mapping[str, Bus]
    device: Mapping[str, Device]
    pump: Pump | None
    main: MainLine | None
    filter: Filter | None
    weather: Weather | None
    safety: Safety | None
    injector: Mapping[str, Injector]
    tank: Mapping[str, Tank]
    block: Mapping[str, Block]
    limits: Limits | None

    def parts(self) -> Iterator[tuple[str, BaseModel]]:
        """Yield (key path, part) for each part that may name points."""
        singles = {
            "pump": self.pump,
            "main": self.main,
            "filter": self.filter,
            "weather": self.weather,
            "safety": self.safety,
        }
        yield from ((key, part) for key, part in singles.items() if part is not None)
        tables: Mapping[str, Mapping[str, BaseModel]] = {
            "injector": self.injector,
            "tank": self.tank,
            "block": self.block,
        }
        yield from ((f"{key}.{name}", part) for key, table in tables.items() for name, part in table.items())

    def point(self, ref: str) -> Point | None:
        """Return the point of "device.point"; None when its device or profile does not stand or lacks it."""
        device_name, _, point_name = ref.partition(".")
        device = self.device.get(device_name)
        profile = self.profiles.get(device.profile) if device else None
        return profile.points.get(point_name) if profile else None


def check_site(standing: Standing) -> Iterator[Problem]:
    """Yield all that does not fit together in what stands of a site file."""
    yield from _check_buses(standing)
    yield from _check_devices(standing)
    yield from _check_points(standing)
    yield from _check_signals(standing)
    if standing.main is not None:
        yield from _check_main(standing, standing.main)
        yield from _check_proof(standing, standing.main)
    yield from _check_filter(standing)
    yield from _check_injectors(standing)
    yield from _check_tanks(standing)
    yield from _check_blocks(standing)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return the hint for a word that is none of the `known` ones: the nearest of them, or all."""
    known = sorted(known)
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    if close:
        return f"Nearest known: {close[0]}"
    return f"Known: {', '.join(known)}" if known else ""


def _check_buses(standing: Standing) -> Iterator[Problem]:
    taken: dict[tuple[str, int], str] = {}
    for name, bus in standing.bus.items():
        if isinstance(bus, RtuBus):
            key, address, shown = "line", (bus.line, 0), repr(bus.line)
        else:
            key, address, shown = "port", (bus.host.lower(), bus.port), f"{bus.host}:{bus.port}"
        if address in taken:
            yield Problem(f"bus.{name}.{key}", shown, f"an address of its own; bus.{taken[address]} uses it already")
        taken.setdefault(address, name)


def _check_devices(standing: Standing) -> Iterator[Problem]:
    taken: dict[tuple[str, int], str] = {}
    for name, device in standing.device.items():
        if device.bus not in standing.names["bus"]:
            hint = nearest(device.bus, standing.names["bus"])
            yield Problem(f"device.{name}.bus", repr(device.bus), "a bus of this file", hint)
        if device.profile not in standing.profiles:
            hint = nearest(device.profile, standing.profiles)
            yield Problem(f"device.{name}.profile", repr(device.profile), "a device profile", hint)
        first = taken.setdefault((device.bus, device.unit), name)
        if first != name:
            expected = f"a unit of its own on bus {device.bus}; device.{first} has it already"
            yield Problem(f"device.{name}.unit", str(device.unit), expected)


def _check_points(standing: Standing) -> Iterator[Problem]:
    taken: dict[tuple[str, str, int, int], tuple[str, str]] = {}
    for where, ref, way in (found for path, part in standing.parts() for found in point_refs(part, path)):
        device_name, _, point_name = ref.partition(".")
        device = standing.device.get(device_name)
        profile = standing.profiles.get(device.profile) if device else None
        point = standing.point(ref)
        if device_name not in standing.names["device"]:
            hint = nearest(device_name, standing.names["device"])
            yield Problem(where, repr(ref), "a point of a device of this file", hint)
        elif profile is not None and point is None:
            yield Problem(where, repr(ref), f"a point of profile {profile.name}", nearest(point_name, profile.points))
        if profile is None or point is None:
            continue
        yield from _check_way(where, ref, way, point, profile)
        yield from _check_use(where, ref, point)
        cells = [(device_name, *cell) for cell in _cells(point)]
        first = next((taken[cell] for cell in cells if cell in taken), None)
        if first is not None and first[1] == ref:
            yield Problem(where, repr(ref), f"a point of its own; {first[0]} uses it already")
        elif first is not None:
            yield Problem(where, repr(ref), f"a register of its own; {first[0]} uses it already as {first[1]}")
        for cell in cells:
            taken.setdefault(cell, (where, ref))


def _cells(point: Point) -> Iterator[tuple[str, int, int]]:
    """Yield (table, address, bit) of everything that a point takes."""
    bits = (0,) if point.table in BIT_TABLES else range(16) if point.bit is None else (point.bit,)
    yield from ((point.table.value, point.address + i, bit) for i in range(point.width) for bit in bits)


def _check_way(where: str, ref: str, way: Way, point: Point, profile: Profile) -> Iterator[Problem]:
    if way is Way.OUT:
        if not point.writable:
            yield Problem(where, repr(ref), "an output; this point can only be read")
        return
    mirrored = next((other.name for other in profile.points.values() if other.read_back == point.name), None)
    if point.writable:
        yield Problem(where, repr(ref), "an input that no other master can write; this point is writable")
    elif mirrored is not None and point.form is Form.BOOL:
        yield Problem(where, repr(ref), f"an input of the plant; this point only shows what was written to {mirrored}")


def _check_use(where: str, ref: str, point: Point) -> Iterator[Problem]:
    """Yield a switch that is a number, and a set value or setting that is none; signals have their own check."""
    key = where.rpartition(".")[2]
    if key in _SWITCHES and point.form is not Form.BOOL:
        yield Problem(where, f"{ref!r}, a number", "a switch: a point of type bool")
    elif key in _UNITS and (point.form is Form.BOOL or point.unit != _UNITS[key]):
        yield Problem(where, f"{ref!r}, {_kind(point)}", f"a number in {_UNITS[key]}")


def _kind(point: Point) -> str:
    return "a switch" if point.form is Form.BOOL else f"a number in {point.unit or 'no unit'}"


def _check_signals(standing: Standing) -> Iterator[Problem]:
    """Yield signals whose point does not carry what they are for, or whose scale does not fit it."""
    for where, signal in (found for path, part in standing.parts() for found in signals_of(part, path)):
        point, key = standing.point(signal.point), where.rpartition(".")[2]
        if point is None:
            continue
        is_counted = key in _COUNTED
        if point.form is Form.BOOL or is_counted != (point.counter_bits is not None):
            got = "a counter" if point.counter_bits is not None else _kind(point)
            expected = "a counter" if is_counted else "a measured value"
            yield Problem(f"{where}.point", f"{signal.point!r}, {got}", expected)
        elif is_counted:
            yield from _check_counts(where, signal, point, _UNITS[key])
        else:
            yield from _check_scale(where, signal, point, _UNITS[key])


def _check_counts(where: str, signal: Signal, point: Point, unit: str) -> Iterator[Problem]:
    if signal.at_low is not None:
        yield Problem(where, "at_low and at_high", "none: the point is not a transmitter's signal")
    elif signal.per_count is None and point.unit != unit:
        yield Problem(where, "no per_count", f"the {unit} of each: the point carries {point.unit or 'a bare number'}")
    elif signal.per_count is not None and point.unit == unit:
        yield Problem(where, "per_count", f"none: the point counts in {unit} already")


def _check_scale(where: str, signal: Signal, point: Point, unit: str) -> Iterator[Problem]:
    if signal.per_count is not None:
        yield Problem(where, "per_count", "none: the point does not count")
    elif point.signal is not None and signal.at_low is None:
        yield Problem(where, "no at_low and at_high", f"them: the point carries {point.unit}, not a quantity")
    elif point.signal is None and signal.at_low is not None:
        yield Problem(where, "at_low and at_high", "none: the point is not a transmitter's signal")
    elif point.signal is None and point.unit != unit:
        yield Problem(f"{where}.point", f"{signal.point!r}, {_kind(point)}", f"a number in {unit}")


def _check_main(standing: Standing, main: MainLine) -> Iterator[Problem]:
    order = list(main.order)
    if len(set(order)) < len(order):
        yield Problem("main.order", repr(order), "each stage once")
    has_filter, has_probe = "filter" in standing.names, main.line_ec is not None
    needs = {"meter": True, "injection": True, "filter": has_filter, "probe": has_probe}
    why = {"filter": "[filter]", "probe": "main.line_ec"}
    for stage, is_needed in needs.items():
        if is_needed and stage not in order:
            reason = f": the site has {why[stage]}" if stage in why else ""
            yield Problem("main.order", f"no {stage!r}", f"its place in the water's way{reason}")
        if not is_needed and stage in order:
            yield Problem("main.order", repr(stage), f"none: the site has no {why[stage]}")
    if main.comes_before("probe", "injection"):
        yield Problem("main.order", "the probe before the injection", "it after: else it sees nothing of the stock")
    if main.max_pressure_kpa <= main.min_pressure_kpa:
        expected = f"more than min_pressure_kpa = {main.min_pressure_kpa:g}"
        yield Problem("main.max_pressure_kpa", f"{main.max_pressure_kpa:g}", expected)
    pump = standing.pump
    if isinstance(pump, VariableSpeedPump) and not main.min_pressure_kpa < pump.pressure_kpa < main.max_pressure_kpa:
        expected = f"between main.min_pressure_kpa = {main.min_pressure_kpa:g} and {main.max_pressure_kpa:g}"
        yield Problem("pump.pressure_kpa", f"{pump.pressure_kpa:g}", expected)


def _check_proof(standing: Standing, main: MainLine) -> Iterator[Problem]:
    """Yield a totaliser too coarse to prove the flow alone."""
    point = standing.point(main.water.point)
    if main.flow is not None or point is None:
        return
    pulse_s = point.scale * (main.water.per_count or 1.0) * 3.6 / main.min_flow_m3_h
    if pulse_s > _LONGEST_PULSE_S:
        got = f"a pulse every {pulse_s:.1f} s at min_flow_m3_h = {main.min_flow_m3_h:g}"
        expected = f"at most {_LONGEST_PULSE_S:g} s: without main.flow its pulses alone prove the flow"
        yield Problem("main.water", got, expected)


def _check_filter(standing: Standing) -> Iterator[Problem]:
    washer, limits = standing.filter, standing.limits
    if washer is not None and limits is not None and washer.backwash_s + washer.recover_s >= limits.pause_max_s:
        expected = f"with recover_s less than limits.pause_max_s = {limits.pause_max_s:g}"
        hint = "Otherwise every backwash would end the injection for good"
        yield Problem("filter.backwash_s", f"{washer.backwash_s:g} and {washer.recover_s:g}", expected, hint)
    signal = washer.pressure_difference if washer is not None else None
    if washer is None or washer.wash_at_kpa is None or signal is None:
        return
    if signal.at_low is None or signal.at_high is None:
        return
    low, high = sorted((signal.at_low, signal.at_high))
    if not low < washer.wash_at_kpa < high:
        expected = f"within pressure_difference's {low:g} to {high:g}"
        yield Problem("filter.wash_at_kpa", f"{washer.wash_at_kpa:g}", expected)


def _check_injectors(standing: Standing) -> Iterator[Problem]:
    taken: dict[str, str] = {}
    for name, injector in standing.injector.items():
        where = f"injector.{name}"
        if injector.tank not in standing.names["tank"]:
            hint = nearest(injector.tank, standing.names["tank"])
            yield Problem(f"{where}.tank", repr(injector.tank), "a tank of this file", hint)
        first = taken.setdefault(injector.tank, name)
        if first != name:
            expected = f"a tank of its own; injector.{first} draws from it already"
            yield Problem(f"{where}.tank", repr(injector.tank), expected)
        if standing.main is not None and injector.pressure_kpa <= standing.main.max_pressure_kpa:
            expected = f"more than main.max_pressure_kpa = {standing.main.max_pressure_kpa:g}"
            yield Problem(f"{where}.pressure_kpa", f"{injector.pressure_kpa:g}", expected)
        if isinstance(injector, DutyPump) and injector.min_on_s >= injector.window_s:
            expected = f"less than window_s = {injector.window_s:g}"
            yield Problem(f"{where}.min_on_s", f"{injector.min_on_s:g}", expected)


def _check_tanks(standing: Standing) -> Iterator[Problem]:
    users = {injector.tank: injector for injector in standing.injector.values()}
    all_stand = len(standing.injector) == len(standing.names["injector"])
    for name, tank in standing.tank.items():
        if tank.low_l >= tank.volume_l:
            yield Problem(f"tank.{name}.low_l", f"{tank.low_l:g}", f"less than the tank's {tank.volume_l:g} L")
        is_washed_out = isinstance(users.get(name), DisplacementTank)
        if is_washed_out and tank.content is not None:
            yield Problem(f"tank.{name}.content", "a signal", "none: a displacement tank is always full")
        elif not is_washed_out and tank.content is None and (name in users or all_stand):
            yield Problem(f"tank.{name}.content", "nothing", "the signal that says how much is in it")


def _check_blocks(standing: Standing) -> Iterator[Problem]:
    main, pump = standing.main, standing.pump
    for name, block in standing.block.items():
        got = f"a block flow of {block.flow_m3_h:.2f} m3/h"
        if main is not None and block.flow_m3_h < main.min_flow_m3_h:
            yield Problem(f"block.{name}", got, f"at least main.min_flow_m3_h = {main.min_flow_m3_h:g}")
        if pump is not None and block.flow_m3_h > pump.capacity_m3_h:
            yield Problem(f"block.{name}", got, f"at most pump.capacity_m3_h = {pump.capacity_m3_h:g}")
