"""The water side: pump, block valves, the filling of pipes that stand part empty, and the flow and pressure of it.

Pressures in kPa, flows in L/s. A conductance is L/s for each root of a kPa: flow = conductance x sqrt(pressure).
"""

import math
from collections.abc import Mapping

from sim.site import Block

DEAD_HEAD_KPA = 390.0
"""Pump pressure against a closed valve at full speed."""
DUTY_KPA = 300.0
"""Pressure at the shed at the design flow."""
EMITTER_KPA = 220.0
"""Pressure at the laterals at which an emitter gives its rate; the rest of the duty is lost on the way to them."""
_VALVE_KPA = 20.0
"""Loss in an open block valve at nominal flow; it rises with the square of 1 / opening."""
_SPIN_S = 3.0
_STOPPED = 0.02
"""Below this share of its speed the pump lifts nothing."""
_VOID_SHARE = 0.08
"""Share of the pipe volume that has drained when a block has stood."""
_DRAIN_S = 1800.0
_THIRSTY = 3.0
"""A fully open void takes this many times the flow of the emitters."""

_LAST_L = 0.05
"""What is left of a void below this fills in one step."""


class BlockWater:
    """One block's valve, pipes and emitters as the water meets them."""

    __slots__ = (
        "_emitters",
        "_losses",
        "_throttle",
        "_travel_s",
        "conductance",
        "emitting_l_s",
        "inflow_l_s",
        "opening",
        "valve_on",
        "void_l",
        "void_max_l",
    )

    def __init__(self, block: Block, pipe_volume: float, emitter_flow: float) -> None:
        nominal_l_s = block.nominal_l_s
        self._travel_s = block.travel_s
        self._emitters = nominal_l_s * emitter_flow / math.sqrt(EMITTER_KPA)
        self._losses = (DUTY_KPA - EMITTER_KPA) / nominal_l_s**2
        self._throttle = _VALVE_KPA / nominal_l_s**2
        self.valve_on = False
        self.opening = 0.0
        """0 closed, 1 open."""
        self.void_max_l = block.volume_l * pipe_volume * _VOID_SHARE
        self.void_l = self.void_max_l
        self.conductance = 0.0
        self.inflow_l_s = 0.0
        self.emitting_l_s = 0.0
        """What leaves the emitters, which is what the inflow displaces. The rest of the inflow fills the void."""

    def travel(self, dt_s: float) -> bool:
        """Move the valve for `dt_s`; return whether it still moves."""
        goal = 1.0 if self.valve_on else 0.0
        if self.opening == goal:
            return False
        step = dt_s / self._travel_s
        self.opening = min(goal, self.opening + step) if self.valve_on else max(goal, self.opening - step)
        return self.opening != goal

    def set_conductance(self) -> None:
        """Work out the conductance from the shed to the soil as valve and void stand."""
        if self.opening == 0.0:
            self.conductance = 0.0
            return
        outlet = self._emitters * (self._wet() + self._thirst())
        valve = self._throttle * (1.0 / self.opening**2 - 1.0)
        self.conductance = 1.0 / math.sqrt(1.0 / outlet**2 + self._losses + valve)

    def take(self, root_kpa: float, dt_s: float) -> bool:
        """Take the flow at the shed's pressure (its root) for `dt_s`; return whether the void still changes."""
        self.inflow_l_s = inflow_l_s = self.conductance * root_kpa
        if inflow_l_s == 0.0:
            self.emitting_l_s = 0.0
            return self._drain(dt_s)
        wet = self._wet()
        self.emitting_l_s = inflow_l_s * wet / (wet + self._thirst())
        if self.void_l == 0.0:
            return False
        if self.void_l < _LAST_L:
            self.emitting_l_s = inflow_l_s - self.void_l / dt_s
            self.void_l = 0.0
        else:
            self.void_l -= (inflow_l_s - self.emitting_l_s) * dt_s
        return True

    def _drain(self, dt_s: float) -> bool:
        missing_l = self.void_max_l - self.void_l
        if missing_l < 0.1:
            return False
        self.void_l += missing_l * dt_s / _DRAIN_S
        return True

    def _wet(self) -> float:
        """Share of the emitters that have water."""
        return 1.0 - self.void_l / self.void_max_l

    def _thirst(self) -> float:
        """How readily the void takes water, in times of the emitters: it closes softly over its last fifth."""
        return _THIRSTY * min(1.0, 5.0 * self.void_l / self.void_max_l)


class Water:
    """The pump, the main at the shed and the blocks behind it."""

    def __init__(self, blocks: Mapping[str, BlockWater], design_l_s: float) -> None:
        self.blocks = blocks
        self._each = tuple(blocks.values())
        self._design_l_s = design_l_s
        self.pump_on = False
        self.speed = 0.0
        """Share of the pump's full speed."""
        self.pressure_kpa = 0.0
        self.flow_l_s = 0.0
        """Through the injection point: all that the blocks and a burst take."""
        self.burst_l_s = 0.0
        self.head_factor = 1.0
        self._resistance = (DEAD_HEAD_KPA - DUTY_KPA) / design_l_s**2
        self._burst = 0.0
        self.moving = True
        """Whether anything still changes; while not, the flows stand."""

    def set_pump(self, on: bool) -> None:
        """Put the pump's motor on or off the mains."""
        self.pump_on = on
        self.moving = True

    def set_valve(self, name: str, on: bool) -> None:
        """Drive a block's valve open or shut."""
        self.blocks[name].valve_on = on
        self.moving = True

    def block_filter(self, flow_factor: float) -> None:
        """Clog the filter so that the design flow falls to `flow_factor` of itself; 1 is clean."""
        system = DUTY_KPA / self._design_l_s**2
        self._resistance = DEAD_HEAD_KPA / (flow_factor * self._design_l_s) ** 2 - system
        self.moving = True

    def burst(self, flow_share: float) -> None:
        """Break the main at the shed so that at duty pressure it loses this share of the design flow; 0 mends it."""
        self._burst = flow_share * self._design_l_s / math.sqrt(DUTY_KPA)
        self.moving = True

    def weaken(self, head_factor: float) -> None:
        """Let the pump give this share of its pressure."""
        self.head_factor = head_factor
        self.moving = True

    def step(self, dt_s: float) -> None:
        """Move pump, valves and voids for `dt_s` and work out the flows."""
        moving = self._spin(dt_s)
        conductance = self._burst
        for block in self._each:
            moving |= block.travel(dt_s)
            block.set_conductance()
            conductance += block.conductance
        head_kpa = DEAD_HEAD_KPA * self.head_factor * self.speed**2
        self.pressure_kpa = head_kpa / (1.0 + self._resistance * conductance**2)
        root_kpa = math.sqrt(self.pressure_kpa)
        self.burst_l_s = self._burst * root_kpa
        self.flow_l_s = self.burst_l_s
        for block in self._each:
            moving |= block.take(root_kpa, dt_s)
            self.flow_l_s += block.inflow_l_s
        self.moving = moving

    def _spin(self, dt_s: float) -> bool:
        goal = 1.0 if self.pump_on else 0.0
        if self.speed == goal:
            return False
        self.speed += (goal - self.speed) * -math.expm1(-dt_s / _SPIN_S)
        if self.speed > 0.9999 and self.pump_on:
            self.speed = 1.0
        elif self.speed < _STOPPED and not self.pump_on:
            self.speed = 0.0
        return True
