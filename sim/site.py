"""The simulator's own reader of the site file and of the device profiles.

It shares nothing with the controller's reader on purpose: a key that the two read differently shows up as a wrong dose.
"""

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from sim.parts import (
    Block,
    Entry,
    Filter,
    Injector,
    Main,
    Pump,
    Tank,
    Weather,
    read_block,
    read_filter,
    read_injector,
    read_main,
    read_pump,
    read_tank,
    read_weather,
)

_WIDTHS = {"u32": 2, "i32": 2, "f32": 2, "u64": 4, "i64": 4, "f64": 4}


class SiteFileError(Exception):
    """The site file or a profile cannot be simulated; the text says where and why."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a device, by its profile. Addresses are zero-based, as on the wire."""

    name: str
    table: str
    """coil, discrete, input or holding."""
    address: int
    type: str
    bit: int | None = None
    word_order: str = "big"
    byte_order: str = "big"
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    signal: tuple[float, float] | None = None
    """The two ends of a transmitter's signal in `unit`."""
    fault_outside: tuple[float, float] | None = None
    sentinels: tuple[int, ...] = ()
    counter_bits: int | None = None
    read_back: str | None = None

    @property
    def width(self) -> int:
        """Registers (or bits, in the bit tables) that it takes."""
        return _WIDTHS.get(self.type, 1)


@dataclass(frozen=True, slots=True)
class Bus:
    """Where one bus answers: an address of TCP, a serial line, or a serial line behind a converter on TCP."""

    kind: str
    host: str = ""
    port: int = 0
    line: str = ""
    """Path of the serial port."""
    baud: int = 9600
    parity: str = "E"
    stop_bits: int = 1


@dataclass(frozen=True, slots=True)
class Device:
    """One Modbus device: its bus, its unit number and its points by name."""

    bus: str
    unit: int
    points: Mapping[str, Point]


@dataclass(frozen=True, slots=True)
class Site:
    """What the simulator needs to know of the plant."""

    bus: Mapping[str, Bus]
    device: Mapping[str, Device]
    pump: Pump | None
    """None where the water comes by its own weight or by a scheme's pressure."""
    main: Main
    filter: Filter | None
    weather: Weather | None
    safety: Mapping[str, str]
    """emergency_stop_healthy, selector_auto, reset_button and output_watchdog_s, each a point."""
    injector: Mapping[str, Injector]
    tank: Mapping[str, Tank]
    block: Mapping[str, Block]

    def point(self, ref: str) -> Point:
        """Return the point that "device.point" names."""
        device, _, name = ref.partition(".")
        return self.device[device].points[name]


_BUSES = ("tcp", "rtu", "rtu_over_tcp")
_BUS_KEYS = ("host", "port", "line", "baud", "parity", "stop_bits")
_SAFETY = ("emergency_stop_healthy", "selector_auto", "reset_button", "output_watchdog_s")


def read_site(path: Path, profiles: Path) -> Site:
    """Read the site file and the profiles that it names; raises SiteFileError."""
    raw = _toml(path)
    try:
        site = _site(raw, profiles)
        _check_refs(site)
    except KeyError as error:
        raise SiteFileError(f"{path}: the key {error} is missing: add it to the site file") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise SiteFileError(f"{path}: {error}") from error
    return site


def _site(raw: Mapping[str, Any], profiles: Path) -> Site:
    return Site(
        bus={name: _bus(name, entry) for name, entry in raw["bus"].items()},
        device={name: _device(entry, profiles) for name, entry in raw["device"].items()},
        pump=read_pump(raw["pump"]) if "pump" in raw else None,
        main=read_main(raw["main"]),
        filter=read_filter(raw["filter"]) if "filter" in raw else None,
        weather=read_weather(raw["weather"]) if "weather" in raw else None,
        safety={name: raw["safety"][name] for name in _SAFETY},
        injector={name: read_injector(name, entry) for name, entry in raw["injector"].items()},
        tank={name: read_tank(entry) for name, entry in raw["tank"].items()},
        block={name: read_block(entry) for name, entry in raw["block"].items()},
    )


def read_profile(path: Path) -> dict[str, Point]:
    """Read the points of one device profile, by name; raises SiteFileError."""
    known = {field.name for field in fields(Point)}
    points = {}
    for name, entry in _toml(path)["point"].items():
        if unknown := entry.keys() - known:
            raise SiteFileError(f"{path}: point {name} has a key that the simulator does not know: {sorted(unknown)}")
        lists = {key: tuple(value) for key, value in entry.items() if isinstance(value, list)}
        points[name] = Point(name=name, **{**entry, **lists})
    return points


def _toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SiteFileError(f"{path}: cannot be read: {error}") from error


def _bus(name: str, entry: Entry) -> Bus:
    kind = entry["kind"]
    if kind not in _BUSES:
        raise ValueError(f"bus.{name}.kind: got {kind!r}; the simulator knows {', '.join(_BUSES)}")
    needed = ("line", "baud") if kind == "rtu" else ("host", "port")
    if missing := [key for key in needed if key not in entry]:
        raise KeyError(f"bus.{name}.{missing[0]}")
    return Bus(kind, **{key: entry[key] for key in _BUS_KEYS if key in entry})


def _device(entry: Entry, profiles: Path) -> Device:
    return Device(entry["bus"], entry["unit"], read_profile(profiles / f"{entry['profile']}.toml"))


def _check_refs(site: Site) -> None:
    for name, injector in site.injector.items():
        if injector.tank not in site.tank:
            raise ValueError(f"injector.{name}.tank: {injector.tank!r} is not a tank of this file")
    for ref in _refs(site):
        device, _, name = ref.partition(".")
        if device not in site.device or name not in site.device[device].points:
            raise ValueError(f"{ref!r} is not a point of a device of this file")


def _refs(site: Site) -> Iterator[str]:
    """Yield every "device.point" that the site names."""
    main, pump, washed = site.main, site.pump, site.filter
    signals = [main.water, main.pressure, main.flow, main.background_ec, main.line_ec]
    signals += [tank.content for tank in site.tank.values()]
    signals += [block.far_ec for block in site.block.values()]
    refs: list[str | None] = [*site.safety.values(), *(block.valve for block in site.block.values())]
    if pump is not None:
        refs += [pump.run, pump.running, pump.speed]
    if washed is not None:
        refs += [washed.backwash, washed.backwashing]
        signals.append(washed.pressure_difference)
    if site.weather is not None:
        refs += [site.weather.rain, site.weather.wind]
    for injector in site.injector.values():
        refs += [injector.valve, injector.run, injector.drive]
        signals.append(injector.meter)
    yield from (ref for ref in refs if ref is not None)
    yield from (signal.point for signal in signals if signal is not None)
