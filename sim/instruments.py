"""From the true state of the plant to what the instruments show, and from that to registers."""

import struct
from collections.abc import Callable, Sequence

from sim.plant import BACKGROUND_EC_MS_CM, Plant
from sim.site import Point, Signal

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
_NOISE = {"flow": 0.002, "pressure": 0.6, "background_ec": 0.004, "line_ec": 0.004, "level": 0.3}
"""Standard deviations: share of the reading for flow, else kPa, mS/cm, mS/cm and litres."""


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
        main = self._site.main
        self._offsets = {
            signal.point: plant.tolerances.offset(signal.point, signal.span * signal.accuracy_pct_of_span / 100.0)
            for signal in (*main.values(), *(tank.content for tank in self._site.tank.values()))
        }
        self._ec_factors = {
            name: plant.tolerances.within(name, main[name].accuracy_pct_of_reading)
            for name in ("background_ec", "line_ec")
        }
        self._frozen: dict[str, float] = {}
        """What a stuck instrument goes on showing, in its own unit."""
        self._sampled_at = -1
        self._values: dict[str, float] = {}
        self._reads = self._wire()
        self.wired = frozenset(ref for ref, _ in self._reads)
        """Every input that is wired, by "device.point"."""

    def values(self) -> dict[str, float]:
        """Return what every wired input shows now, by "device.point", in the point's own unit (mA, counts, 0 or 1)."""
        if self._sampled_at != self._plant.revision:
            self._sampled_at = self._plant.revision
            self._values = {ref: read() for ref, read in self._reads}
        return self._values

    def _wire(self) -> list[tuple[str, Callable[[], float]]]:
        site, plant = self._site, self._plant
        main, safety = site.main, site.safety
        wired: list[tuple[str, Callable[[], float]]] = [
            (main["flow"].point, self._sent(main["flow"], self._flow_m3_h)),
            (main["water"].point, lambda: _count(site.point(main["water"].point), main["water"], plant.metered_l)),
            (main["pressure"].point, self._cut_by("pressure_broken_wire", self._sent(main["pressure"], self._kpa))),
            (main["background_ec"].point, self._sent(main["background_ec"], self._background_ms_cm)),
            (main["line_ec"].point, self._sent(main["line_ec"], self._line_ms_cm)),
            (site.pump_running, lambda: float(plant.pump_running())),
            (safety["emergency_stop_healthy"], lambda: float("estop" not in plant.faults.active)),
            (safety["selector_auto"], lambda: float("selector_hand" not in plant.faults.active)),
            (safety["reset_button"], lambda: float("reset_pressed" in plant.faults.active)),
        ]
        wired += [self._wire_meter(name) for name in site.injector]
        wired += [self._wire_level(name) for name in site.tank]
        return wired

    def _wire_meter(self, name: str) -> tuple[str, Callable[[], float]]:
        meter, injector = self._site.injector[name].meter, self._plant.injectors[name]
        point = self._site.point(meter.point)
        return meter.point, lambda: _count(point, meter, injector.metered_l)

    def _wire_level(self, name: str) -> tuple[str, Callable[[], float]]:
        content, tank = self._site.tank[name].content, self._plant.tanks[name]
        return content.point, self._sent(content, lambda: tank.shown_l + self._noisy(_NOISE["level"]))

    def _flow_m3_h(self) -> float:
        if not self._plant.meter_stuck:
            passing = self._plant.main_l_s * self._plant.meter_factor
            self._frozen["flow"] = passing * _L_S_TO_M3_H * (1.0 + self._noisy(_NOISE["flow"]))
        return self._frozen.get("flow", 0.0)

    def _kpa(self) -> float:
        return self._plant.water.pressure_kpa + self._noisy(_NOISE["pressure"])

    def _background_ms_cm(self) -> float:
        return BACKGROUND_EC_MS_CM * self._ec_factors["background_ec"] + self._noisy(_NOISE["background_ec"])

    def _line_ms_cm(self) -> float:
        if "probe_stuck" not in self._plant.faults.active or "line_ec" not in self._frozen:
            true_ms_cm = BACKGROUND_EC_MS_CM + self._plant.probe_rise_ms_cm
            self._frozen["line_ec"] = true_ms_cm * self._ec_factors["line_ec"] + self._noisy(_NOISE["line_ec"])
        return self._frozen["line_ec"]

    def _noisy(self, deviation: float) -> float:
        return 0.0 if self._perfect else self._noise.gauss(0.0, deviation)

    def _sent(self, signal: Signal, read: Callable[[], float]) -> Callable[[], float]:
        """Return what the transmitter of a reading sends: its current, held within what it can drive."""
        ends, offset = self._site.point(signal.point).signal, self._offsets[signal.point]
        if signal.at_low is None or signal.at_high is None or ends is None:
            return lambda: read() + offset
        low, high = ends
        gain = (high - low) / (signal.at_high - signal.at_low)
        zero = low + (offset - signal.at_low) * gain
        least, most = low - _UNDER * (high - low), high + _OVER * (high - low)
        return lambda: max(least, min(most, zero + gain * read()))

    def _cut_by(self, fault: str, read: Callable[[], float]) -> Callable[[], float]:
        """Return no current while the fault is on."""
        active = self._plant.faults.active
        return lambda: 0.0 if fault in active else read()


def _count(point: Point, signal: Signal, total: float) -> float:
    """Return what a counter shows for a total in the signal's unit; it starts again from zero when it is full."""
    return float(int(total / (signal.per_count or 1.0)) % 2 ** (point.counter_bits or 32))
