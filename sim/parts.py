"""The bolted-down parts of a plant as the simulator reads them from the site file. Pipes are given in litres."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

Entry = Mapping[str, Any]
"""One table of the site file as parsed."""

PUMPS = ("fixed_speed", "variable_speed")
INJECTORS = ("metering_pump", "duty_pump", "fixed_rate_pump", "venturi", "displacement_tank")
STAGES = ("meter", "filter", "injection", "probe")


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
class Pump:
    """The irrigation pump: its contactor and, with a drive, its set speed."""

    run: str
    running: str
    capacity_m3_h: float
    speed: str | None
    """Output of the set speed, 0 to 1; None for a pump of one speed."""
    pressure_kpa: float | None
    """What a drive is to hold at the shed."""
    ramp_s: float | None
    """From rest to full speed on a drive."""


@dataclass(frozen=True, slots=True)
class Main:
    """The main line at the shed: what the water meets in which order, and the pipes that all blocks share."""

    order: tuple[str, ...]
    trunk_l: float
    """From the injection point to where the blocks branch off."""
    water: Signal
    pressure: Signal
    flow: Signal | None
    background_ec: Signal | None
    line_ec: Signal | None

    def comes_before(self, first: str, second: str) -> bool:
        """Return whether the water meets `first` before `second`; False where one of them is not in the order."""
        order = self.order
        return first in order and second in order and order.index(first) < order.index(second)


@dataclass(frozen=True, slots=True)
class Filter:
    """The filter and its backwash."""

    backwash: str | None
    """Our output; None where it washes itself."""
    backwashing: str | None
    pressure_difference: Signal | None
    wash_at_kpa: float | None
    wash_every_m3: float | None
    backwash_s: float
    volume_l: float


@dataclass(frozen=True, slots=True)
class Weather:
    """The contacts of rain and wind."""

    rain: str | None
    wind: str | None


@dataclass(frozen=True, slots=True)
class Injector:
    """One injector of any of the five kinds."""

    kind: str
    tank: str
    valve: str
    run: str | None
    """Its contactor's output; None where the valve alone lets it go."""
    drive: str | None
    meter: Signal
    curve: tuple[tuple[float, float], ...]
    """Drive (0 to 1) against L/h, of a metering pump."""
    rate_l_h: float
    """Its one rate, of every other kind."""
    accuracy_pct: float
    """k = 2 of curve or rate."""
    hose_l: float


@dataclass(frozen=True, slots=True)
class Tank:
    """A stock tank."""

    volume_l: float
    content: Signal | None


@dataclass(frozen=True, slots=True)
class Block:
    """One block: its own pipes from the shared main to its emitters. Volumes in litres, flows in L/s."""

    valve: str
    travel_s: float
    pipes_l: float
    submain_l: float
    laterals: int
    lateral_l: float
    """Volume of one lateral."""
    emitters: int
    """Emitters of one lateral."""
    emitter_l_h: float
    volume_accuracy_pct: float
    flow_accuracy_pct: float
    drains: bool
    far_ec: Signal | None
    """The EC probe at its outermost emitter."""

    @property
    def nominal_l_s(self) -> float:
        """Every emitter at its rate, in L/s."""
        return self.laterals * self.emitters * self.emitter_l_h / 3600.0

    @property
    def volume_l(self) -> float:
        """All pipes of the block in litres."""
        return self.pipes_l + self.submain_l + self.laterals * self.lateral_l


def read_pump(entry: Entry) -> Pump:
    """Read [pump]."""
    drive = _kind("pump", entry, PUMPS) == "variable_speed"
    return Pump(
        run=entry["run"],
        running=entry["running"],
        capacity_m3_h=entry["capacity_m3_h"],
        speed=entry["speed"] if drive else None,
        pressure_kpa=entry["pressure_kpa"] if drive else None,
        ramp_s=entry["ramp_s"] if drive else None,
    )


def read_main(entry: Entry) -> Main:
    """Read [main]."""
    order = tuple(entry["order"])
    if unknown := [stage for stage in order if stage not in STAGES]:
        raise ValueError(f"main.order: got {unknown[0]!r}; the simulator knows {', '.join(STAGES)}")
    return Main(
        order=order,
        trunk_l=_pipes_l(entry.get("pipes", ())),
        water=Signal(**entry["water"]),
        pressure=Signal(**entry["pressure"]),
        flow=_signal(entry, "flow"),
        background_ec=_signal(entry, "background_ec"),
        line_ec=_signal(entry, "line_ec"),
    )


def read_filter(entry: Entry) -> Filter:
    """Read [filter]."""
    return Filter(
        backwash=entry.get("backwash"),
        backwashing=entry.get("backwashing"),
        pressure_difference=_signal(entry, "pressure_difference"),
        wash_at_kpa=entry.get("wash_at_kpa"),
        wash_every_m3=entry.get("wash_every_m3"),
        backwash_s=entry["backwash_s"],
        volume_l=entry["volume_l"],
    )


def read_weather(entry: Entry) -> Weather:
    """Read [weather]."""
    return Weather(entry.get("rain"), entry.get("wind"))


def read_injector(name: str, entry: Entry) -> Injector:
    """Read [injector.NAME]."""
    kind = _kind(f"injector.{name}", entry, INJECTORS)
    metering = kind == "metering_pump"
    return Injector(
        kind=kind,
        tank=entry["tank"],
        valve=entry["valve"],
        run=None if kind in ("venturi", "displacement_tank") else entry["run"],
        drive=entry["drive"] if metering else None,
        meter=Signal(**entry["meter"]),
        curve=tuple((float(drive), float(rate)) for drive, rate in entry["curve"]) if metering else (),
        rate_l_h=0.0 if metering else entry["rate_l_h"],
        accuracy_pct=entry["curve_accuracy_pct" if metering else "rate_accuracy_pct"],
        hose_l=_volume_l(entry["hose"]) if "hose" in entry else 0.0,
    )


def read_tank(entry: Entry) -> Tank:
    """Read [tank.NAME]."""
    return Tank(entry["volume_l"], _signal(entry, "content"))


def read_block(entry: Entry) -> Block:
    """Read [block.NAME]."""
    return Block(
        valve=entry["valve"],
        travel_s=entry["travel_s"],
        pipes_l=_pipes_l(entry.get("pipes", ())),
        submain_l=_volume_l(entry["submain"]),
        laterals=entry["submain"]["laterals"],
        lateral_l=_volume_l(entry["lateral"]),
        emitters=entry["lateral"]["emitters"],
        emitter_l_h=entry["lateral"]["emitter_l_h"],
        volume_accuracy_pct=entry["volume_accuracy_pct"],
        flow_accuracy_pct=entry["flow_accuracy_pct"],
        drains=entry["drains"],
        far_ec=_signal(entry, "far_ec"),
    )


def _kind(where: str, entry: Entry, known: tuple[str, ...]) -> str:
    kind = str(entry["kind"])
    if kind not in known:
        raise ValueError(f"{where}.kind: got {kind!r}; the simulator knows {', '.join(known)}")
    return kind


def _signal(entry: Entry, key: str) -> Signal | None:
    return Signal(**entry[key]) if key in entry else None


def _pipes_l(pipes: list[Entry]) -> float:
    return sum(_volume_l(pipe) for pipe in pipes)


def _volume_l(pipe: Entry) -> float:
    """Litres in one pipe: a millimetre of bore squared over a metre of length is a millilitre."""
    return float(math.pi / 4.0 * pipe["bore_mm"] ** 2 * pipe["length_m"] / 1000.0)
