"""What can go wrong: faults by name, the parameters each takes, and those that wait for their time."""

from collections.abc import Mapping
from dataclasses import dataclass, field

PARAMETERS: Mapping[str, Mapping[str, float | str]] = {
    "airlock": {"injector": ""},
    "blocked_filter": {"flow_factor": 0.6},
    "burst": {"flow_share": 0.6},
    "empty_tank": {"tank": ""},
    "estop": {},
    "flow_meter_high": {"factor": 1.15},
    "flow_meter_stuck": {},
    "injector_meter_high": {"injector": "", "factor": 1.15},
    "low_pressure": {"factor": 0.4},
    "pressure_broken_wire": {},
    "probe_stuck": {},
    "pump_no_start": {},
    "pump_trip": {},
    "relay_reboot": {},
    "reset_pressed": {},
    "selector_hand": {},
    "siphon": {"injector": "", "l_h": 20.0},
    "valve_stuck_open": {"block": ""},
    "valve_stuck_shut": {"block": ""},
}
"""Each fault's parameters with their defaults; an empty name of a part means every such part."""

_RANGES = {"flow_factor": (0.05, 1.0), "flow_share": (0.0, 10.0), "factor": (0.0, 10.0), "l_h": (0.0, 10000.0)}


class FaultError(ValueError):
    """A fault that cannot be made; the text says what was got, what was expected, what to do."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault switched on or off."""

    name: str
    on: bool
    parameters: Mapping[str, float | str]

    def hits(self, kind: str, name: str) -> bool:
        """Return whether it concerns the part of this kind and name."""
        return self.parameters.get(kind, "") in ("", name)

    def number(self, parameter: str) -> float:
        """Return a parameter that is a number."""
        return float(self.parameters[parameter])


@dataclass(slots=True)
class Faults:
    """The faults that are on, and those still to come."""

    parts: Mapping[str, tuple[str, ...]]
    """Names of the parts that a fault may concern, by kind: block, injector, tank."""
    active: dict[str, Fault] = field(default_factory=dict)
    _due: list[tuple[float, int, Fault]] = field(default_factory=list)
    _asked: int = 0

    def check(self, name: str, on: bool, given: Mapping[str, object]) -> Fault:
        """Return the fault asked for with its defaults filled in; raises FaultError."""
        if name not in PARAMETERS:
            raise FaultError(f"got the fault {name!r}; known are {', '.join(PARAMETERS)}")
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

    def _value(self, key: str, value: object) -> float | str:
        if key in self.parts:
            if not isinstance(value, str) or value not in ("", *self.parts[key]):
                raise FaultError(f"got {key} {value!r}; known are {', '.join(self.parts[key])}")
            return value
        low, high = _RANGES[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
            raise FaultError(f"got {key} = {value!r}; expected a number from {low:g} to {high:g}")
        return float(value)
