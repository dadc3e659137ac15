"""The water side as a whole: supply, filter, the main at the shed and the blocks behind it.

Pressures in kPa, flows in L/s. A conductance is L/s for each root of a kPa: flow = conductance x sqrt(pressure).
"""

import math
from collections.abc import Mapping

from sim.block_water import BlockWater
from sim.filter import Filter
from sim.supply import DUTY_KPA, Supply


class Water:
    """Flows and pressures. While nothing changes they stand, and nobody need call `step`."""

    def __init__(
        self, supply: Supply, strainer: Filter | None, blocks: Mapping[str, BlockWater], design_l_s: float
    ) -> None:
        """Take the parts, and the flow of the largest block, by which a burst is sized."""
        self.supply = supply
        self.filter = strainer
        self.blocks = blocks
        self._each = tuple(blocks.values())
        self._design_l_s = design_l_s
        self.pressure_kpa = 0.0
        """At the shed, behind the filter."""
        self.difference_kpa = 0.0
        """Across the filter."""
        self.flow_l_s = 0.0
        """All that the blocks and a burst take."""
        self.burst_l_s = 0.0
        self.drain_l_s = 0.0
        """What a backwash takes."""
        self.backwash_l = 0.0
        """What backwashes have taken."""
        self._burst = 0.0
        self._clog = 1.0
        self.moving = True
        self.due_s = 0.0
        """When to step next although nothing moves."""

    def set_pump(self, on: bool) -> None:
        """Put the pump's motor on or off the mains."""
        self.supply.motor_on = on
        self.moving = True

    def set_speed(self, speed: float) -> None:
        """Give a pump on a drive its set speed, 0 to 1."""
        self.supply.set_speed = max(0.0, min(1.0, speed))
        self.moving = True

    def set_valve(self, name: str, on: bool) -> None:
        """Drive a block's valve open or shut."""
        self.blocks[name].valve_on = on
        self.moving = True

    def set_backwash(self, on: bool, stuck: bool) -> None:
        """Drive the filter's drain valve, or let it stick open."""
        if self.filter is not None:
            self.filter.output_on, self.filter.stuck = on, stuck
            self.moving = True

    def block_filter(self, flow_factor: float) -> None:
        """Clog the filter so that the flow, whatever is open, falls to `flow_factor` of itself; 1 clears it."""
        self._clog = flow_factor
        self.moving = True

    def burst(self, flow_share: float) -> None:
        """Break the main at the shed so that at duty pressure it loses this share of a block's flow; 0 mends it."""
        self._burst = flow_share * self._design_l_s / math.sqrt(DUTY_KPA)
        self.moving = True

    def weaken(self, factor: float) -> None:
        """Let the supply give this share of its pressure."""
        self.supply.factor = factor
        self.moving = True

    def step(self, dt_s: float, now_s: float) -> None:
        """Move everything for `dt_s`, to `now_s`, and work out the flows."""
        moving = self.supply.spin(dt_s)
        strainer = self.filter
        if strainer is not None:
            moving |= strainer.move(now_s, self.flow_l_s + self.drain_l_s, self.difference_kpa)
        awake = [block for block in self._each if block.valve_on or block.opening or block.inflow_l_s]
        for block in awake:
            moving |= block.travel(dt_s)
            block.set_conductance(now_s)
        root_kpa = self._solve(strainer.drain if strainer is not None else 0.0)
        self.backwash_l += self.drain_l_s * dt_s
        self.flow_l_s = self.burst_l_s
        for block in awake:
            moving |= block.take(root_kpa, dt_s, now_s)
            self.flow_l_s += block.inflow_l_s
        passing_l_s = self.flow_l_s + self.drain_l_s
        self.pressure_kpa = root_kpa**2
        self.difference_kpa = self.supply.head_kpa - self.supply.curve * passing_l_s**2 - self.pressure_kpa
        self.due_s = strainer.next_s(passing_l_s) if strainer is not None else math.inf
        self.moving = moving

    def _solve(self, drain: float) -> float:
        """Return the root of the pressure at the shed at which the supply gives what is taken."""
        resistance = self.supply.curve + (self.filter.loss if self.filter is not None else 0.0)
        loose = self._burst + drain
        root_kpa, taken_l_s = self._balance(loose, self.supply.head_kpa, resistance, None)
        if self._clog < 1.0 and taken_l_s:
            root_kpa, _ = self._balance(loose, 0.0, 0.0, self._clog * taken_l_s)
        self.burst_l_s = self._burst * root_kpa
        self.drain_l_s = drain * root_kpa
        return root_kpa

    def _balance(self, loose: float, head_kpa: float, resistance: float, flow_l_s: float | None) -> tuple[float, float]:
        """Return the root of the pressure and the flow where supply meets demand, or where the demand is `flow_l_s`.

        No block is taken as regulated at first, which asks for the most and so gives the least pressure. A block that
        has enough at that pressure has enough at any higher one, so each round only ever sets more blocks aside.
        """
        held_l_s = root_kpa = 0.0
        waiting = [block for block in self._each if block.conductance]
        while True:
            free = loose + sum(block.conductance for block in waiting)
            if flow_l_s is None:
                root_kpa = _root(head_kpa, resistance, free, held_l_s)
            elif free:
                root_kpa = (flow_l_s - held_l_s) / free
            short = [block for block in waiting if block.conductance * root_kpa < block.demand_l_s]
            if len(short) == len(waiting):
                return root_kpa, held_l_s + free * root_kpa
            held_l_s += sum(block.demand_l_s for block in waiting if block.conductance * root_kpa >= block.demand_l_s)
            waiting = short


def _root(head_kpa: float, resistance: float, free: float, held_l_s: float) -> float:
    """Solve head - resistance x (held + free x root)² = root² for the root of the pressure."""
    system = 1.0 + resistance * free**2
    inner = head_kpa * system - resistance * held_l_s**2
    return (math.sqrt(max(0.0, inner)) - resistance * held_l_s * free) / system
