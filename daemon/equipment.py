"""The parts of a site as frozen models: buses and devices, supply, filter, injectors, tanks, pipes and blocks.

Keys carry their unit, and a key that the plant needs has no default. `daemon.site` puts the parts together.
"""

import itertools
import zoneinfo
from enum import Enum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

Positive = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=24)]


class Way(Enum):
    """Which way a point goes, seen from the controller."""

    IN = "an input"
    OUT = "an output"


_Point = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*$")]
InputRef = Annotated[_Point, Way.IN]
OutputRef = Annotated[_Point, Way.OUT]
MaybeInputRef = Annotated[_Point | None, Way.IN]
MaybeOutputRef = Annotated[_Point | None, Way.OUT]


class Part(BaseModel):
    """Base of every part of the site file: frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, use_attribute_docstrings=True)


class About(Part):
    """Who and where, and the pace of the scan."""

    name: str = Field(min_length=1, max_length=80)
    zone: str
    """A time zone of the IANA list."""
    scan_s: Annotated[float, Field(ge=0.1, le=5.0)] = 1.0
    checkpoint_s: Annotated[float, Field(ge=1.0, le=10.0)] = 10.0
    history_s: Annotated[float, Field(ge=1.0, le=600.0)] = 10.0

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in zoneinfo.available_timezones():
            raise ValueError("a time zone of the IANA list, such as Australia/Adelaide")
        return value


class Api(Part):
    """Where software and pages reach the farm: on this computer alone, unless it says otherwise."""

    host: str = Field(default="127.0.0.1", min_length=1, max_length=80)
    """Address to listen at; 0.0.0.0 is every network that the computer is in."""
    port: Annotated[int, Field(ge=1, le=65535)] = 8080
    names: tuple[Annotated[str, Field(pattern=r"^[a-z0-9.-]+$", max_length=80)], ...] = Field(default=(), strict=False)
    """Names that it is called by, in the farm's network or by a proxy: a request under another is refused."""
    certificate: str | None = None
    """File of a certificate with its chain, in PEM; with `key` it is served by TLS."""
    key: str | None = None
    locale: Annotated[str, Field(pattern=r"^(en|es)(_[A-Z]{2})?$")] = "en"
    """How days and numbers are written, and the language where a reader asks for none: en_AU, es_MX and so on."""
    units: Literal["metric", "us"] = "metric"
    """What people read figures in; inside, in the API and in what is exported they stay metric."""

    @model_validator(mode="after")
    def _both_or_none(self) -> Self:
        if (self.certificate is None) != (self.key is None):
            raise ValueError("got one of certificate and key; expected both or neither")
        return self


_Timeout = Annotated[float, Field(gt=0.0, le=5.0)]
_Port = Annotated[int, Field(ge=1, le=65535)]


class TcpBus(Part):
    """A Modbus TCP address: one request in flight at a time."""

    kind: Literal["tcp"]
    host: str = Field(min_length=1)
    port: _Port
    timeout_s: _Timeout

    @property
    def endpoint(self) -> str:
        """Where it is reached."""
        return f"{self.host}:{self.port}"


class RtuBus(Part):
    """A serial line (RS-485) of this computer, many devices on it."""

    kind: Literal["rtu"]
    line: str = Field(pattern=r"^/.+")
    """The serial port's path, such as /dev/serial/by-id/..."""
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200]
    parity: Literal["N", "E", "O"] = "E"
    stop_bits: Literal[1, 2] = 1
    timeout_s: _Timeout
    quiet_s: _Timeout = 0.4
    """How long the line is left quiet after a time-out: the longest that a late answer may take."""

    @property
    def endpoint(self) -> str:
        """Where it is reached."""
        return self.line


class RtuOverTcpBus(Part):
    """A serial line behind a converter that passes its bytes on over TCP."""

    kind: Literal["rtu_over_tcp"]
    host: str = Field(min_length=1)
    port: _Port
    timeout_s: _Timeout
    quiet_s: _Timeout = 0.4

    @property
    def endpoint(self) -> str:
        """Where it is reached."""
        return f"{self.host}:{self.port}"


Bus = Annotated[TcpBus | RtuBus | RtuOverTcpBus, Field(discriminator="kind")]


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

    @property
    def span(self) -> float:
        """Readings from end to end, in the signal's unit; 0 where they are the profile's own."""
        return abs(self.at_high - self.at_low) if self.at_low is not None and self.at_high is not None else 0.0

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


class _Pump(Part):
    """An irrigation pump. Its plate rules how often it may start."""

    run: OutputRef
    running: InputRef
    capacity_m3_h: Positive
    """The most that it gives at the pressure the blocks need; a shift that takes more is refused."""
    start_s: Positive
    run_down_s: NotNegative
    min_off_s: NotNegative
    max_starts_per_hour: Annotated[int, Field(ge=1)]
    at_changeover: Literal["keep", "restart"] = "keep"
    """Between two shifts: keep it on while the next valve opens before the last closes, or stop it and start again."""


class FixedSpeedPump(_Pump):
    """A pump on a contactor."""

    kind: Literal["fixed_speed"]


class VariableSpeedPump(_Pump):
    """A pump on a drive that holds a pressure."""

    kind: Literal["variable_speed"]
    speed: OutputRef
    """Its set speed, 0 to 1 of the full one."""
    lowest_speed: Fraction
    pressure_kpa: Positive
    """The pressure to hold at the shed."""
    ramp_s: Positive
    """Time from rest to full speed: slow enough to fill the pipes at 0.6 m/s or less."""


Pump = Annotated[FixedSpeedPump | VariableSpeedPump, Field(discriminator="kind")]


class Pipe(Part):
    """One run of pipe, by its inside diameter."""

    length_m: Positive
    bore_mm: Positive


Stage = Literal["meter", "filter", "injection", "probe"]


class MainLine(Part):
    """The main line at the shed and what is measured on it."""

    order: Annotated[tuple[Stage, ...], Field(strict=False, min_length=2)]
    """In what order the water meets meter, filter, injection point and probe."""
    pipes: Annotated[tuple[Pipe, ...], Field(strict=False)] = ()
    """From the injection point to where the blocks branch off: all blocks share them."""
    flow: Signal | None = None
    """A rate; without it the totaliser's pulses alone prove the flow."""
    water: Signal
    pressure: Signal
    background_ec: Signal | None = None
    line_ec: Signal | None = None
    reverse_flow: MaybeInputRef = None
    """A contact that is on while water flows back to the source."""
    min_flow_m3_h: Positive
    """Below this no injection is proven safe."""
    flow_band_pct: Annotated[float, Field(gt=0.0, le=50.0)]
    """A flow further than this from the expected one is not the shift's flow."""
    min_pressure_kpa: Positive
    max_pressure_kpa: Positive
    working_kpa: Positive | None = None
    """Pressure at the injection point while a shift runs: what the last emitter has is computed from it."""

    def comes_before(self, first: Stage, second: Stage) -> bool:
        """Return whether the water meets `first` before `second`; False where the site lacks one of them."""
        return first in self.order and second in self.order and self.order.index(first) < self.order.index(second)


class Filter(Part):
    """The filter, and how it is washed: by our valve, or by itself and seen by a contact."""

    backwash: MaybeOutputRef = None
    """The output that begins and holds a backwash; without it the filter washes itself."""
    backwashing: MaybeInputRef = None
    """A contact that says that a backwash is under way."""
    pressure_difference: Signal | None = None
    wash_at_kpa: Positive | None = None
    """Pressure difference at which to wash."""
    wash_every_m3: Positive | None = None
    """Water after which to wash, whatever the pressure difference."""
    backwash_s: Positive
    """How long a backwash takes."""
    recover_s: Positive
    """Time after it until flow and pressure are steady again; until then no litre counts as displaced."""
    volume_l: NotNegative
    """Water that its body holds."""

    @model_validator(mode="after")
    def _is_seen(self) -> Self:
        if self.backwash is None and self.backwashing is None:
            raise ValueError("backwash (our output) or backwashing (its contact): else nobody knows when it washes")
        if self.wash_at_kpa is not None and self.pressure_difference is None:
            raise ValueError("pressure_difference for wash_at_kpa")
        if self.backwash is not None and self.wash_at_kpa is None and self.wash_every_m3 is None:
            raise ValueError("wash_at_kpa or wash_every_m3: else our backwash never begins")
        return self


class Weather(Part):
    """Contacts that keep a shift from beginning where its timetable says so."""

    rain: MaybeInputRef = None
    """On while it rains, or the soil has had enough."""
    wind: MaybeInputRef = None
    """On while the wind is too strong for sprinklers."""


class Safety(Part):
    """The wired safety circuit as the daemon sees it. It only sees it; the circuit acts by itself."""

    emergency_stop_healthy: InputRef
    selector_auto: InputRef
    reset_button: InputRef
    output_watchdog_s: InputRef
    """The register that holds the output module's own time-out in seconds."""
    output_uptime_s: MaybeInputRef = None
    """The register that counts the seconds since the output module started: a restart or a frozen module shows."""
    watchdog_self_clears: MaybeInputRef = None
    """On where the output module's time-out clears itself: then its outputs may come back by themselves."""
    max_watchdog_s: Annotated[float, Field(gt=0.0, le=30.0)]


class _Injector(Part):
    """What all injectors have."""

    tank: Name
    meter: Signal
    """Counts what goes from it into the main."""
    stroke_window_s: Positive
    """With the injector on, its meter must count within this time."""
    pressure_kpa: Positive
    """The highest line pressure that it injects against."""
    hose: Pipe | None = None
    """From the tank to the main: what it holds enters first."""


class _RatedInjector(_Injector):
    """An injector with one rate."""

    rate_l_h: Positive
    rate_accuracy_pct: Positive

    @property
    def highest_l_h(self) -> float:
        """The highest rate it gives."""
        return self.rate_l_h

    @property
    def accuracy_pct(self) -> float:
        """k = 2 of its rate."""
        return self.rate_accuracy_pct


class MeteringPump(_Injector):
    """A metering pump paced by speed, behind its own injection valve."""

    kind: Literal["metering_pump"]
    valve: OutputRef
    run: OutputRef
    drive: OutputRef
    """An analogue output, 0 to 1 of its range."""
    curve: Annotated[
        tuple[Annotated[tuple[Fraction, NotNegative], Field(strict=False)], ...], Field(strict=False, min_length=2)
    ]
    """Drive (0 to 1) against litres an hour, both rising: the calibration."""
    curve_accuracy_pct: Positive

    @model_validator(mode="after")
    def _rising(self) -> Self:
        drives = [d for d, _ in self.curve]
        rates = [r for _, r in self.curve]
        if any(b <= a for a, b in itertools.pairwise(drives)) or any(b <= a for a, b in itertools.pairwise(rates)):
            raise ValueError("a curve that rises: each drive and each rate above the one before")
        return self

    @property
    def lowest_l_h(self) -> float:
        """The lowest rate it can be paced to."""
        return self.curve[0][1]

    @property
    def highest_l_h(self) -> float:
        """The highest rate it gives."""
        return self.curve[-1][1]

    @property
    def accuracy_pct(self) -> float:
        """k = 2 of its rate."""
        return self.curve_accuracy_pct


class DutyPump(_RatedInjector):
    """An on/off pump paced by the share of the time that it is on, behind its own injection valve."""

    kind: Literal["duty_pump"]
    valve: OutputRef
    run: OutputRef
    window_s: Positive
    """One on and one off together: shorter than the line mixes over."""
    min_on_s: Positive

    @property
    def lowest_l_h(self) -> float:
        """The lowest mean rate: the shortest on-time in a window."""
        return self.rate_l_h * self.min_on_s / self.window_s


class FixedRatePump(_RatedInjector):
    """A pump of one rate, on or off, behind its own injection valve. Its dose is by metered litres."""

    kind: Literal["fixed_rate_pump"]
    valve: OutputRef
    run: OutputRef

    @property
    def lowest_l_h(self) -> float:
        """Its one rate."""
        return self.rate_l_h


class Venturi(_RatedInjector):
    """Suction by the water's own pressure, on or off by its valve. Its dose is by metered litres."""

    kind: Literal["venturi"]
    valve: OutputRef

    @property
    def lowest_l_h(self) -> float:
        """Its one rate."""
        return self.rate_l_h


class DisplacementTank(_RatedInjector):
    """A closed tank that part of the water passes through and washes out, on or off by its valve.

    The meter counts the water that passes. What is in it is committed at its start: its rate falls as it is diluted.
    """

    kind: Literal["displacement_tank"]
    valve: OutputRef

    @property
    def lowest_l_h(self) -> float:
        """Its one rate of water."""
        return self.rate_l_h


Injector = Annotated[MeteringPump | DutyPump | FixedRatePump | Venturi | DisplacementTank, Field(discriminator="kind")]


class Tank(Part):
    """A stock tank."""

    volume_l: Positive
    content: Signal | None = None
    """Litres in the tank; a displacement tank has none, it is always full."""
    low_l: NotNegative
    """Below this the injector would draw air."""


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
    pipes: Annotated[tuple[Pipe, ...], Field(strict=False)] = ()
    """Its own pipes from the shared main to its valve, with nothing drawn off along them."""
    submain: Submain
    lateral: Lateral
    volume_accuracy_pct: Positive
    """k = 2 of the pipe volume computed from this; 10 to 20 until a transit test (common practice, no source)."""
    flow_accuracy_pct: Positive
    """k = 2 of the block's flow computed from its emitters; 5 to 15 until a flow test (common practice, no source)."""
    drains: bool
    """Whether its pipes run empty through the low emitters once the pressure is gone."""
    lift_m: Finite = 0.0
    """How far its highest emitter lies above the injection point."""
    emitter_min_kpa: Positive | None = None
    """The least pressure at which its emitters give their rate."""
    far_ec: Signal | None = None
    """EC probe at its outermost emitter: each night it tells how long the water really takes to it."""

    @property
    def flow_m3_h(self) -> float:
        """The block's flow: every emitter at its rate."""
        return self.submain.laterals * self.lateral.emitters * self.lateral.emitter_l_h / 1000.0


class Limits(Part):
    """Limits that are the site's own. The tightest that the crop and the plant bear."""

    settle_s: Positive
    """Flow and pressure must be steady this long before FILL ends."""
    fill_max_s: Positive
    overlap_s: Annotated[float, Field(ge=0.0, le=120.0)]
    """At a change of shift the last valves stay open this long after the next ones have opened."""
    no_flow_s: Positive
    """Pump on and no flow for this long stops it."""
    low_pressure_s: Positive
    pause_max_s: Positive
    """An injection paused this long in one go is given up: the run goes on water-only."""
    hold_max_s: Positive
    hold_dry_max_s: Annotated[float, Field(gt=0.0, le=1800.0)] = 1800.0
    """A run held dry (the selector not in Auto, the output module restarted) for this long is aborted."""
    flush_factor: Annotated[float, Field(ge=1.0, le=3.0)]
    """Times the computed transit that the flush takes. 1.5 is common practice, no source."""
    measured_flush_factor: Annotated[float, Field(ge=1.0, le=3.0)] = 1.2
    """The same where the transit was measured (common practice, no source)."""
    over_dose_pct: Annotated[float, Field(ge=101.0, le=150.0)]
    """Stock metered beyond this share of the plan ends the injection."""
    flush_by_itself: bool = False
    """Whether flush that is owed may be done at the first safe chance, with nobody asking for it."""
    siphon_l_h: Positive
    """Stock flow with the injector off above this is a siphon."""
    commit_age_s: Annotated[float, Field(gt=0.0, le=5.0)]
