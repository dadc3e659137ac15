"""What is bolted down: the site as frozen models. `daemon.site_file` reads them.

Keys carry their unit, and a key that the plant needs has no default. What people decide (shifts, stock, doses) is in
`daemon.decisions`, not here.
"""

import itertools
import zoneinfo
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from drivers.profile import Point

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=24)]


class Way(Enum):
    """Which way a point goes, seen from the controller."""

    IN = "an input"
    OUT = "an output"


_POINT = Field(pattern=r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$")
InputRef = Annotated[str, _POINT, Way.IN]
OutputRef = Annotated[str, _POINT, Way.OUT]


class Part(BaseModel):
    """Base of every part of the site file: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class About(Part):
    """Who and where, and the pace of the scan."""

    name: str = Field(min_length=1, max_length=80)
    zone: str
    scan_s: Positive = 1.0
    checkpoint_s: Annotated[float, Field(ge=1.0, le=10.0)] = 10.0
    history_s: Annotated[float, Field(ge=1.0, le=600.0)] = 10.0

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in zoneinfo.available_timezones():
            raise ValueError("a time zone of the IANA list, such as Australia/Adelaide")
        return value


class Bus(Part):
    """One line to devices: one request in flight at a time."""

    kind: Literal["tcp"]
    host: str = Field(min_length=1)
    port: Annotated[int, Field(ge=1, le=65535)]
    timeout_s: Annotated[float, Field(gt=0.0, le=5.0)]


class Device(Part):
    """One Modbus device on a bus."""

    bus: Name
    unit: Annotated[int, Field(ge=1, le=247)]
    profile: str


class Signal(Part):
    """An analogue or counted point with its scale and accuracy.

    With `at_low` and `at_high` the point is a transmitter's signal (4 to 20 mA as the profile states it) and these are
    the readings at its two ends; with `per_count` it is a counter; with neither the profile's own unit stands.
    """

    point: InputRef
    at_low: Finite | None = None
    at_high: Finite | None = None
    per_count: Positive | None = None
    accuracy_pct_of_reading: NotNegative = 0.0
    accuracy_pct_of_span: NotNegative = 0.0
    stale_s: Positive = 5.0

    @model_validator(mode="after")
    def _one_scale(self) -> Self:
        if (self.at_low is None) != (self.at_high is None):
            raise ValueError("both at_low and at_high, or neither")
        if self.at_low is not None and self.per_count is not None:
            raise ValueError("a signal's scale (at_low, at_high) or a counter's (per_count), not both")
        if self.at_low is not None and self.at_low == self.at_high:
            raise ValueError("at_low and at_high that differ: else the signal says nothing")
        if not self.accuracy_pct_of_reading and not self.accuracy_pct_of_span:
            raise ValueError("an accuracy: accuracy_pct_of_reading or accuracy_pct_of_span, from the data sheet")
        return self


class Pump(Part):
    """The irrigation pump. Its plate rules how often it may start."""

    run: OutputRef
    running: InputRef
    start_s: Positive
    run_down_s: NotNegative
    min_off_s: NotNegative
    max_starts_per_hour: Annotated[int, Field(ge=1)]


class MainLine(Part):
    """The main line at the shed and what is measured on it."""

    flow: Signal
    water: Signal
    pressure: Signal
    background_ec: Signal
    line_ec: Signal
    min_flow_m3_h: Positive
    """Below this no injection is proven safe."""
    flow_band_pct: Annotated[float, Field(gt=0.0, le=50.0)]
    """A flow further than this from the expected one is not the shift's flow."""
    min_pressure_kpa: Positive
    max_pressure_kpa: Positive


class Safety(Part):
    """The wired safety circuit as the daemon sees it. It only sees it; the circuit acts by itself."""

    emergency_stop_healthy: InputRef
    selector_auto: InputRef
    reset_button: InputRef
    output_watchdog_s: InputRef
    """The register that holds the output module's own time-out in seconds."""
    max_watchdog_s: Annotated[float, Field(gt=0.0, le=30.0)]


class Injector(Part):
    """A metering pump paced by speed, behind its own injection valve."""

    kind: Literal["metering_pump"]
    tank: Name
    valve: OutputRef
    run: OutputRef
    drive: OutputRef
    """An analogue output, 0 to 1 of its range."""
    meter: Signal
    curve: Annotated[
        tuple[Annotated[tuple[Fraction, NotNegative], Field(strict=False)], ...], Field(strict=False, min_length=2)
    ]
    """Drive (0 to 1) against litres an hour, both rising: the calibration."""
    curve_accuracy_pct: Positive
    stroke_window_s: Positive
    """With the injector on, its meter must count within this time."""

    @model_validator(mode="after")
    def _rising(self) -> Self:
        drives = [d for d, _ in self.curve]
        rates = [r for _, r in self.curve]
        if any(b <= a for a, b in itertools.pairwise(drives)) or any(b <= a for a, b in itertools.pairwise(rates)):
            raise ValueError("a curve that rises: each drive and each rate above the one before")
        return self


class Tank(Part):
    """A stock tank."""

    volume_l: Positive
    content: Signal
    """Litres in the tank."""
    low_l: NotNegative
    """Below this the injector would draw air."""


class Pipe(Part):
    """One run of pipe, by its inside diameter."""

    length_m: Positive
    bore_mm: Positive


class Submain(Pipe):
    """A pipe with equal laterals along it, the first one full spacing from the inlet."""

    laterals: Annotated[int, Field(ge=1)]


class Lateral(Pipe):
    """A pipe with equal emitters along it, the first one full spacing from the inlet."""

    emitters: Annotated[int, Field(ge=1)]
    emitter_l_h: Positive


class Block(Part):
    """One block: an area behind one valve, and the water's way to it."""

    area_ha: Positive
    valve: OutputRef
    travel_s: Positive
    """Time the valve takes to open or close."""
    main: Annotated[tuple[Pipe, ...], Field(strict=False)]
    """Pipes from the injection point to the block's valve, with nothing drawn off along them."""
    submain: Submain
    lateral: Lateral
    volume_accuracy_pct: Positive
    """k = 2 of the pipe volume computed from this; 10 to 20 until a transit test (common practice, no source)."""

    @property
    def flow_m3_h(self) -> float:
        """The block's flow: every emitter at its rate."""
        return self.submain.laterals * self.lateral.emitters * self.lateral.emitter_l_h / 1000.0


class Limits(Part):
    """Limits that are the site's own. The tightest that the crop and the plant bear."""

    settle_s: Positive
    """Flow and pressure must be steady this long before FILL ends."""
    fill_max_s: Positive
    no_flow_s: Positive
    """Pump on and no flow for this long stops it."""
    low_pressure_s: Positive
    pause_max_s: Positive
    """An injection paused this long in one go is given up: the run goes on water-only."""
    hold_max_s: Positive
    flush_factor: Annotated[float, Field(ge=1.0, le=3.0)]
    over_dose_pct: Annotated[float, Field(ge=101.0, le=150.0)]
    """Stock metered beyond this share of the plan ends the injection."""
    siphon_l_h: Positive
    """Stock flow with the injector off above this is a siphon."""
    commit_age_s: Annotated[float, Field(gt=0.0, le=5.0)]


class Site(Part):
    """The whole site file."""

    site: About
    bus: dict[Name, Bus] = Field(min_length=1)
    device: dict[Name, Device] = Field(min_length=1)
    pump: Pump
    main: MainLine
    safety: Safety
    injector: dict[Name, Injector] = Field(min_length=1)
    tank: dict[Name, Tank] = Field(min_length=1)
    block: dict[Name, Block] = Field(min_length=1)
    limits: Limits


@dataclass(frozen=True, slots=True)
class Plant:
    """A site whose every point was found in its device's profile."""

    site: Site
    points: Mapping[str, Point]
    """Each point of each device, by "device.point"."""
    digest: str
    """SHA-256 of the site as read: a run says which plant it ran on."""

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
            for name, item in value.items():
                yield from point_refs(item, f"{path}.{name}")
        else:
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
