"""What can go wrong: faults by name, the parameters each takes, and those that wait for their time."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

PARAMETERS: Mapping[str, Mapping[str, float | str]] = {
    # water
    "backflow": {"l_h": 300.0, "metered": 1.0},  # through the check valve while nothing drives the water
    "backwash_stuck": {},  # the drain valve stays open
    "blocked_filter": {"flow_factor": 0.6},  # the flow falls to this share of itself
    "burst": {"flow_share": 0.6},  # at the shed, as a share of the largest block's flow at duty pressure
    "low_pressure": {"factor": 0.3},  # what the supply still gives
    "pump_no_start": {},
    "pump_trip": {},
    "slow_valve": {"block": "", "travel_factor": 5.0},
    "valve_stuck_open": {"block": ""},
    "valve_stuck_shut": {"block": ""},
    # injection
    "airlock": {"injector": "", "share": 1.0},  # of each stroke that the air takes
    "empty_tank": {"tank": ""},  # nothing comes out and the level shows none
    "tank_leak": {"tank": "", "l_h": 10.0},  # out of the tank and away
    "siphon": {"injector": "", "l_h": 20.0},  # flows with the injector off
    # instruments
    "flow_meter_high": {"factor": 1.15},
    "flow_meter_low": {"factor": 0.85},
    "flow_meter_stuck": {},
    "injector_meter_high": {"injector": "", "factor": 1.15},
    "injector_meter_low": {"injector": "", "factor": 0.85},
    "pressure_broken_wire": {},
    "probe_drift": {"ms_cm_h": 0.2},  # of the line's probe, from the moment it begins
    "probe_stuck": {},
    # weather
    "rain": {},
    "wind": {},
    # circuit
    "estop": {},
    "other_master": {},  # keeps asking the output modules for something, so that none of them sees silence
    "relay_reboot": {},  # over at once
    "reset_pressed": {},
    "selector_hand": {},
}
"""Each fault's parameters with their defaults; an empty name of a part means every such part."""

_RANGES = {
    "factor": (0.0, 10.0),
    "flow_factor": (0.05, 1.0),
    "flow_share": (0.0, 10.0),
    "l_h": (0.0, 10000.0),
    "metered": (0.0, 1.0),
    "share": (0.0, 1.0),
    "ms_cm_h": (-5.0, 5.0),
    "travel_factor": (0.1, 100.0),
}
"""Each number's lowest and highest value."""


class FaultError(ValueError):
    """A fault that cannot be made; the text says what was got, what was expected, what to do."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault switched on or off."""

    name: str
    on: bool
    parameters: Mapping[str, float | str]


@dataclass(slots=True)
class Faults:
    """The faults that are on, and those still to come."""

    parts: Mapping[str, tuple[str, ...]]
    """Names of the parts that a fault may concern, by kind: block, injector, tank."""
    lacking: Collection[str] = ()
    """Faults of parts that this plant has not."""
    active: dict[str, Fault] = field(default_factory=dict)
    _due: list[tuple[float, int, Fault]] = field(default_factory=list)
    _asked: int = 0

    def check(self, name: str, on: bool, given: Mapping[str, object]) -> Fault:
        """Return the fault asked for with its defaults filled in; raises FaultError."""
        if name not in PARAMETERS:
            raise FaultError(f"got the fault {name!r}; known are {', '.join(sorted(PARAMETERS))}")
        if name in self.lacking:
            raise FaultError(f"got the fault {name}; this plant has no such part, see its site file")
        defaults = PARAMETERS[name]
        if unknown := sorted(given.keys() - defaults.keys()):
            takes = ", ".join(defaults) or "none"
            raise FaultError(f"got {unknown[0]!r} for the fault {name}; it takes {takes} besides on, at_s and for_s")
        return Fault(name, on, {key: self._value(key, given.get(key, usual)) for key, usual in defaults.items()})

    def switch(self, fault: Fault) -> None:
        """Put a checked fault on or off at once."""
        if fault.on:
            self.active[fault.name] = fault
        else:
            self.active.pop(fault.name, None)

    def hit(self, name: str, part: str = "") -> bool:
        """Return whether a fault is on and concerns the part of this name."""
        fault = self.active.get(name)
        return fault is not None and (not part or self._part(fault) in ("", part))

    def number(self, name: str, parameter: str, sound: float, part: str = "") -> float:
        """Return a number of a fault that is on and concerns the part; `sound` when it does not."""
        return float(self.active[name].parameters[parameter]) if self.hit(name, part) else sound

    def schedule(self, at_s: float, fault: Fault) -> None:
        """Keep a checked fault for its plant time."""
        self._asked += 1
        self._due.append((at_s, self._asked, fault))
        self._due.sort(key=lambda entry: entry[:2])

    def next_s(self) -> float:
        """Return the plant time of the next fault to come; infinity when there is none."""
        return self._due[0][0] if self._due else float("inf")

    def take_due(self) -> Fault:
        """Take the next fault off the list."""
        return self._due.pop(0)[2]

    def _part(self, fault: Fault) -> float | str:
        return next((value for key, value in fault.parameters.items() if key in self.parts), "")

    def _value(self, key: str, value: object) -> float | str:
        if key in self.parts:
            if not isinstance(value, str) or value not in ("", *self.parts[key]):
                raise FaultError(f"got {key} {value!r}; known are {', '.join(self.parts[key])}")
            return value
        low, high = _RANGES[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise FaultError(f"got {key} = {value!r}; expected a number from {low:g} to {high:g}")
        return float(value)
