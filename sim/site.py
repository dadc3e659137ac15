"""The simulator's own reader of the site file and of the device profiles.

It shares nothing with the controller's reader on purpose: a key that the two read differently shows up as a wrong dose.
"""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

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
class Signal:
    """A measured value as wired: its point and its scale."""

    point: str
    at_low: float | None = None
    at_high: float | None = None
    per_count: float | None = None
    accuracy_pct_of_reading: float = 0.0
    accuracy_pct_of_span: float = 0.0
    stale_s: float = 5.0

    @property
    def span(self) -> float:
        """The reading's span in its own unit; 0 for a counter."""
        return abs(self.at_high - self.at_low) if self.at_low is not None and self.at_high is not None else 0.0


@dataclass(frozen=True, slots=True)
class Bus:
    """Where one bus listens."""

    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Device:
    """One Modbus device: its bus, its unit number and its points by name."""

    bus: str
    unit: int
    points: Mapping[str, Point]


@dataclass(frozen=True, slots=True)
class Injector:
    """A metering pump paced by speed, behind an injection valve."""

    tank: str
    valve: str
    run: str
    drive: str
    meter: Signal
    curve: tuple[tuple[float, float], ...]
    """Drive (0 to 1) against L/h."""
    curve_accuracy_pct: float


@dataclass(frozen=True, slots=True)
class Tank:
    """A stock tank."""

    volume_l: float
    content: Signal


@dataclass(frozen=True, slots=True)
class Block:
    """One block: the pipes from the injection point to its emitters. Volumes in litres, flows in L/s."""

    valve: str
    travel_s: float
    main_l: float
    submain_l: float
    laterals: int
    lateral_l: float
    """Volume of one lateral."""
    emitters: int
    """Emitters of one lateral."""
    emitter_l_h: float
    volume_accuracy_pct: float

    @property
    def nominal_l_s(self) -> float:
        """Every emitter at its rate, in L/s."""
        return self.laterals * self.emitters * self.emitter_l_h / 3600.0

    @property
    def volume_l(self) -> float:
        """All pipes of the block in litres."""
        return self.main_l + self.submain_l + self.laterals * self.lateral_l


@dataclass(frozen=True, slots=True)
class Site:
    """What the simulator needs to know of the plant."""

    bus: Mapping[str, Bus]
    device: Mapping[str, Device]
    pump_run: str
    pump_running: str
    main: Mapping[str, Signal]
    """flow, water, pressure, background_ec and line_ec."""
    safety: Mapping[str, str]
    """emergency_stop_healthy, selector_auto, reset_button and output_watchdog_s, each a point."""
    injector: Mapping[str, Injector]
    tank: Mapping[str, Tank]
    block: Mapping[str, Block]

    def point(self, ref: str) -> Point:
        """Return the point that "device.point" names."""
        device, _, name = ref.partition(".")
        return self.device[device].points[name]


_SIGNALS = ("flow", "water", "pressure", "background_ec", "line_ec")
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
        pump_run=raw["pump"]["run"],
        pump_running=raw["pump"]["running"],
        main={name: Signal(**raw["main"][name]) for name in _SIGNALS},
        safety={name: raw["safety"][name] for name in _SAFETY},
        injector={name: _injector(name, entry) for name, entry in raw["injector"].items()},
        tank={name: Tank(entry["volume_l"], Signal(**entry["content"])) for name, entry in raw["tank"].items()},
        block={name: _block(entry) for name, entry in raw["block"].items()},
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


def _bus(name: str, entry: Mapping[str, Any]) -> Bus:
    if entry["kind"] != "tcp":
        raise ValueError(f"bus.{name}.kind: got {entry['kind']!r}; the simulator speaks tcp only")
    return Bus(entry["host"], entry["port"])


def _device(entry: Mapping[str, Any], profiles: Path) -> Device:
    return Device(entry["bus"], entry["unit"], read_profile(profiles / f"{entry['profile']}.toml"))


def _injector(name: str, entry: Mapping[str, Any]) -> Injector:
    if entry["kind"] != "metering_pump":
        raise ValueError(f"injector.{name}.kind: got {entry['kind']!r}; the simulator has metering_pump only")
    return Injector(
        tank=entry["tank"],
        valve=entry["valve"],
        run=entry["run"],
        drive=entry["drive"],
        meter=Signal(**entry["meter"]),
        curve=tuple((float(drive), float(rate)) for drive, rate in entry["curve"]),
        curve_accuracy_pct=entry["curve_accuracy_pct"],
    )


def _block(entry: Mapping[str, Any]) -> Block:
    return Block(
        valve=entry["valve"],
        travel_s=entry["travel_s"],
        main_l=sum(_volume_l(pipe) for pipe in entry["main"]),
        submain_l=_volume_l(entry["submain"]),
        laterals=entry["submain"]["laterals"],
        lateral_l=_volume_l(entry["lateral"]),
        emitters=entry["lateral"]["emitters"],
        emitter_l_h=entry["lateral"]["emitter_l_h"],
        volume_accuracy_pct=entry["volume_accuracy_pct"],
    )


def _volume_l(pipe: Mapping[str, Any]) -> float:
    """Litres in one pipe: a millimetre of bore squared over a metre of length is a millilitre."""
    return float(math.pi / 4.0 * pipe["bore_mm"] ** 2 * pipe["length_m"] / 1000.0)


def _check_refs(site: Site) -> None:
    refs = [site.pump_run, site.pump_running, *site.safety.values(), *(signal.point for signal in site.main.values())]
    for injector in site.injector.values():
        refs += [injector.valve, injector.run, injector.drive, injector.meter.point]
        if injector.tank not in site.tank:
            raise ValueError(f"injector tank {injector.tank!r} is not a tank of this file")
    refs += [tank.content.point for tank in site.tank.values()]
    refs += [block.valve for block in site.block.values()]
    for ref in refs:
        device, _, name = ref.partition(".")
        if device not in site.device or name not in site.device[device].points:
            raise ValueError(f"{ref!r} is not a point of a device of this file")
