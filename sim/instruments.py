"""From the true state of the plant to what the instruments show, and from that to registers."""

import math
import struct
from collections.abc import Callable, Iterator, Sequence

from sim.injectors import Injector
from sim.parts import Signal
from sim.plant import BACKGROUND_EC_MS_CM, Plant
from sim.site import Point
from sim.stock import Tank

_PACK = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "u64": ">Q", "i64": ">q", "f32": ">f", "f64": ">d"}
_WHOLE = {
    f"{sign}{bits}": (low, low + 2**bits - 1, range(bits - 16, -1, -16))
    for bits in (16, 32, 64)
    for sign, low in (("u", 0), ("i", -(2 ** (bits - 1))))
}
"""Whole-number forms: lowest, highest, and the shift of each register, the most significant first."""
_UNDER, _OVER = 0.0125, 0.03125
"""How far beyond its ends a transmitter drives its signal, in spans: 3.8 and 20.5 mA of 4 to 20."""
_L_S_TO_M3_H = 3.6
_NOISE = {"flow": 0.002, "pressure": 0.6, "difference": 0.3, "background_ec": 0.004, "line_ec": 0.004, "level": 0.3}
"""Standard deviations: share of the reading for flow, else kPa, mS/cm and litres."""
_ZERO = 0.5
"""Part of a gauge's class of span that is its zero's; the rest is how it is bent along its span."""
_Read = Callable[[], float]


def encode(point: Point, value: float) -> list[int]:
    """Return the registers that hold `value`, in the point's unit; a whole number that does not fit is clipped."""
    raw = (value - point.offset) / point.scale
    limits = _WHOLE.get(point.type)
    if limits is None:
        packed = struct.pack(_PACK[point.type], raw)
        return _ordered(point, struct.unpack(f">{len(packed) // 2}H", packed))
    low, high, shifts = limits
    whole = max(low, min(high, round(raw)))
    return _ordered(point, [whole >> shift & 0xFFFF for shift in shifts])


def decode(point: Point, registers: Sequence[int]) -> float:
    """Return the value, in the point's unit, that `registers` hold."""
    in_order = _ordered(point, registers)
    (raw,) = struct.unpack(_PACK[point.type], struct.pack(f">{len(in_order)}H", *in_order))
    return float(raw * point.scale + point.offset)


def _ordered(point: Point, registers: Sequence[int]) -> list[int]:
    """Put registers from the network's order into the point's, or back: both swaps undo themselves."""
    ordered = list(registers)
    if point.byte_order == "little":
        ordered = [(register & 0xFF) << 8 | register >> 8 for register in ordered]
    return ordered[::-1] if point.word_order == "little" else ordered


class Instruments:
    """Every wired input of the plant, with the errors of its instrument."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self._site = plant.site
        self._perfect = plant.tolerances.perfect
        self._noise = plant.tolerances.noise()
        self._frozen: dict[str, float] = {}
        """What a stuck instrument goes on showing, in its own unit."""
        self._sampled_at = -1
        self._values: dict[str, float] = {}
        self._reads = [*self._contacts(), *self._signals(), *self._counters()]
        self.wired = frozenset(ref for ref, _ in self._reads)
        """Every input that is wired, by "device.point"."""

    def values(self) -> dict[str, float]:
        """Return what every wired input shows now, by "device.point", in the point's own unit (mA, counts, 0 or 1)."""
        if self._sampled_at != self._plant.revision:
            self._sampled_at = self._plant.revision
            self._values = {ref: read() for ref, read in self._reads}
        return self._values

    def _contacts(self) -> Iterator[tuple[str, _Read]]:
        site, plant, safety = self._site, self._plant, self._site.safety
        yield safety["emergency_stop_healthy"], lambda: float(not plant.faults.hit("estop"))
        yield safety["selector_auto"], lambda: float(not plant.faults.hit("selector_hand"))
        yield safety["reset_button"], lambda: float(plant.faults.hit("reset_pressed"))
        if site.pump is not None:
            yield site.pump.running, lambda: float(plant.pump_running())
        if site.weather is not None and site.weather.rain is not None:
            yield site.weather.rain, lambda: float(plant.faults.hit("rain"))
        if site.weather is not None and site.weather.wind is not None:
            yield site.weather.wind, lambda: float(plant.faults.hit("wind"))
        strainer = plant.water.filter
        if site.filter is not None and site.filter.backwashing is not None and strainer is not None:
            yield site.filter.backwashing, lambda: float(strainer.washing)

    def _signals(self) -> Iterator[tuple[str, _Read]]:
        main, faults = self._site.main, self._plant.faults
        pressure = self._sent(main.pressure, self._kpa, self._gain(main.pressure))
        yield main.pressure.point, lambda: 0.0 if faults.hit("pressure_broken_wire") else pressure()
        if main.flow is not None:
            yield main.flow.point, self._sent(main.flow, self._flow_m3_h, 1.0)
        for name, signal, read in (
            ("background_ec", main.background_ec, self._background_ms_cm),
            ("line_ec", main.line_ec, self._line_ms_cm),
        ):
            if signal is not None:
                factor = self._plant.tolerances.within(name, signal.accuracy_pct_of_reading)
                yield signal.point, self._sent(signal, read, factor)
        for name, block in self._site.block.items():
            if block.far_ec is not None:
                factor = self._plant.tolerances.within("far_ec", block.far_ec.accuracy_pct_of_reading, name)
                yield block.far_ec.point, self._sent(block.far_ec, self._far_ms_cm(name), factor)
        difference = self._site.filter.pressure_difference if self._site.filter is not None else None
        if difference is not None:
            yield difference.point, self._sent(difference, self._difference_kpa, self._gain(difference))
        for name, sheet in self._site.tank.items():
            if sheet.content is not None:
                read_l = self._level(self._plant.tanks[name], sheet.content)
                yield sheet.content.point, self._sent(sheet.content, read_l, self._gain(sheet.content), _ZERO)

    def _counters(self) -> Iterator[tuple[str, _Read]]:
        plant, water = self._plant, self._site.main.water
        yield water.point, self._count(water, lambda: plant.meter.counted_l)
        for name, sheet in self._site.injector.items():
            yield sheet.meter.point, self._count(sheet.meter, self._injector_count(plant.injectors[name]))

    def _flow_m3_h(self) -> float:
        meter = self._plant.meter
        if not meter.stuck:
            self._frozen["flow"] = meter.flow_l_s * meter.factor * _L_S_TO_M3_H * (1.0 + self._noisy(_NOISE["flow"]))
        return self._frozen.get("flow", 0.0)

    def _kpa(self) -> float:
        return self._plant.water.pressure_kpa + self._noisy(_NOISE["pressure"])

    def _difference_kpa(self) -> float:
        return self._plant.water.difference_kpa + self._noisy(_NOISE["difference"])

    def _background_ms_cm(self) -> float:
        return BACKGROUND_EC_MS_CM + self._noisy(_NOISE["background_ec"])

    def _line_ms_cm(self) -> float:
        plant = self._plant
        if not plant.faults.hit("probe_stuck") or "line_ec" not in self._frozen:
            drift_ms_cm = (
                plant.faults.number("probe_drift", "ms_cm_h", 0.0) * (plant.time_s - plant.drift_began_s) / 3600.0
            )
            in_line_ms_cm = BACKGROUND_EC_MS_CM + plant.probe_rise_ms_cm
            true_ms_cm = in_line_ms_cm if plant.dipped_ms_cm is None else plant.dipped_ms_cm
            self._frozen["line_ec"] = true_ms_cm + drift_ms_cm + self._noisy(_NOISE["line_ec"])
        return self._frozen["line_ec"]

    def _far_ms_cm(self, block: str) -> _Read:
        return lambda: BACKGROUND_EC_MS_CM + self._plant.far_rise_ms_cm(block) + self._noisy(_NOISE["line_ec"])

    def _level(self, tank: Tank, gauge: Signal) -> _Read:
        """Return what a gauge shows that is bent along its span, as far as its class and its zero leave room."""
        most_l = (1.0 - _ZERO) * gauge.span * gauge.accuracy_pct_of_span / 100.0
        draw = self._plant.tolerances.offset
        bend_l, begin = draw(f"{gauge.point}.bend", most_l), draw(f"{gauge.point}.begin", math.pi)
        turns = 2.0 * math.pi / gauge.span if gauge.span else 0.0
        return lambda: tank.shown_l + bend_l * math.sin(begin + turns * tank.shown_l) + self._noisy(_NOISE["level"])

    @staticmethod
    def _injector_count(injector: Injector) -> _Read:
        return lambda: injector.metered_l

    def _noisy(self, deviation: float) -> float:
        return 0.0 if self._perfect else self._noise.gauss(0.0, deviation)

    def _gain(self, signal: Signal) -> float:
        """Return the hidden factor of a transmitter."""
        return self._plant.tolerances.within("signal", signal.accuracy_pct_of_reading, signal.point)

    def _sent(self, signal: Signal, read: _Read, factor: float, of_span: float = 1.0) -> _Read:
        """Return what the transmitter of a reading sends, off by a factor and its zero: `of_span` of its class.

        That is its current, held within what it can drive, or the reading itself where the point has a unit for it.
        """
        ends = self._site.point(signal.point).signal
        offset = self._plant.tolerances.offset(
            signal.point, of_span * signal.span * signal.accuracy_pct_of_span / 100.0
        )
        if signal.at_low is None or signal.at_high is None or ends is None:
            return lambda: read() * factor + offset
        low, high = ends
        gain = (high - low) / (signal.at_high - signal.at_low)
        zero = low + (offset - signal.at_low) * gain
        gain *= factor
        least, most = low - _UNDER * (high - low), high + _OVER * (high - low)
        return lambda: max(least, min(most, zero + gain * read()))

    def _count(self, signal: Signal, read_l: _Read) -> _Read:
        """Return what a counter shows for a total in the signal's unit; it starts again from zero when it is full."""
        point = self._site.point(signal.point)
        each_l = point.scale * (signal.per_count or 1.0)
        most = 2 ** (point.counter_bits or 32)
        return lambda: int(read_l() / each_l) % most * point.scale
