"""What drives the water: a pump of one speed, a pump on a drive, or the pressure of a scheme. kPa and L/s."""

import math

from sim.parts import Pump

DUTY_KPA = 300.0
"""At the shed, where a pump gives its capacity; a drive's own set pressure takes its place."""
_DEAD_HEAD = 1.3
"""Pressure against a closed valve at full speed, in times of the duty pressure."""
_SCHEME = 1.1
"""Pressure that a supply without a pump stands at, in times of the duty pressure."""
_IN_HAND = 0.9
"""What the blocks need of the pressure that a drive holds."""
_SPIN_S = 3.0
_STOPPED = 0.02
"""Below this share of its speed a pump lifts nothing."""


class Supply:
    """Pressure by speed and flow: head = n² x dead head - curve x flow², so flow goes with n and head with n²."""

    def __init__(self, pump: Pump | None, filter_kpa: float, most_l_s: float) -> None:
        """Take the pump, the clean filter's loss at the design flow, and the flow of everything open at once."""
        duty_kpa = DUTY_KPA
        self.need_kpa = duty_kpa
        """Pressure at the shed that the blocks are laid out for."""
        self._ramp_s = None
        self.design_l_s = most_l_s
        """Flow that the plant is laid out for."""
        if pump is not None:
            self.design_l_s = pump.capacity_m3_h / 3.6
            self._ramp_s = pump.ramp_s
            if pump.pressure_kpa is not None:
                duty_kpa = pump.pressure_kpa
                self.need_kpa = _IN_HAND * duty_kpa
        self._dead_head_kpa = duty_kpa * (_SCHEME if pump is None else _DEAD_HEAD)
        self.curve = 0.0
        """kPa for each (L/s)² that the pump loses."""
        if pump is not None:
            self.curve = (self._dead_head_kpa - duty_kpa - filter_kpa) / self.design_l_s**2
        self.motor_on = pump is None
        self.speed = 1.0 if pump is None else 0.0
        """Share of the full speed; a supply without a pump is always there."""
        self.set_speed = 0.0
        self.factor = 1.0
        """Share of its pressure that it gives: a fault."""

    @property
    def head_kpa(self) -> float:
        """Pressure against a closed valve as it turns now."""
        return self._dead_head_kpa * self.factor * self.speed**2

    def spin(self, dt_s: float) -> bool:
        """Move the speed on; return whether it still changes."""
        goal = 0.0
        if self.motor_on:
            goal = 1.0 if self._ramp_s is None else self.set_speed
        if self.speed == goal:
            return False
        if self._ramp_s is not None and self.motor_on:
            most = dt_s / self._ramp_s
            self.speed += max(-most, min(most, goal - self.speed))
            return True
        self.speed += (goal - self.speed) * -math.expm1(-dt_s / _SPIN_S)
        if self.speed > 0.9999 and self.motor_on:
            self.speed = 1.0
        elif self.speed < _STOPPED and not self.motor_on:
            self.speed = 0.0
        return True
