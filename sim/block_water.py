"""One block's valve, pipes and emitters as the water meets them.

Pressures in kPa, flows in L/s. A conductance is L/s for each root of a kPa: flow = conductance x sqrt(pressure).
"""

import math

from sim.parts import Block

_EMITTER_SHARE = 220.0 / 300.0
"""Pressure that the block's regulating valve holds at its laterals, as a share of what the block needs at the shed."""
_VALVE_SHARE = 20.0 / 300.0
"""Loss in an open block valve at nominal flow, as a share of the same; it rises with the square of 1 / opening."""
_VOID_SHARE = 0.08
"""Share of the pipe volume that is empty when a block that holds its water has stood."""
_SAG_S, _DRAIN_S = 1800.0, 600.0
"""Time constants of running empty: to that share, and through low emitters."""
_THIRSTY = 3.0
"""A fully open void takes this many times the flow of the emitters."""
_LAST_L = 0.05
"""What is left of a void below this fills in one step."""


class BlockWater:
    """A block takes its emitters' flow when the pressure suffices, else what the root of the pressure gives it."""

    __slots__ = (
        "_drains",
        "_emitters",
        "_losses",
        "_regulated_root",
        "_rest_s",
        "_throttle",
        "_travel_s",
        "_void_l",
        "conductance",
        "demand_l_s",
        "emitting_l_s",
        "inflow_l_s",
        "kept",
        "opening",
        "slowness",
        "valve_on",
        "void_max_l",
    )

    def __init__(self, block: Block, need_kpa: float, pipe_volume: float, emitter_flow: float) -> None:
        """Lay the block out to flow its nominal flow from `need_kpa` at the shed on; the factors are hidden ones."""
        nominal_l_s = block.nominal_l_s
        emitter_kpa = _EMITTER_SHARE * need_kpa
        self._travel_s = block.travel_s
        self.slowness = 1.0
        """How many times its travel the valve takes."""
        self._regulated_root = math.sqrt(emitter_kpa)
        self._emitters = nominal_l_s * emitter_flow / self._regulated_root
        self._losses = (need_kpa - emitter_kpa) / nominal_l_s**2
        self._throttle = _VALVE_SHARE * need_kpa / nominal_l_s**2
        self.valve_on = False
        self.opening = 0.0
        """0 closed, 1 open."""
        self._drains = block.drains
        behind_valve_l = (block.submain_l + block.laterals * block.lateral_l) * pipe_volume
        self.void_max_l = behind_valve_l if block.drains else block.volume_l * pipe_volume * _VOID_SHARE
        self._void_l = self.void_max_l
        self._rest_s: float | None = 0.0
        """Since when it has run empty unaccounted for; None while water flows in."""
        self.kept = 1.0
        """Share of their content that rests have left in the pipes; whoever takes the rest out of them sets it to 1."""
        self.conductance = 0.0
        """From the shed to the soil, were nothing regulated."""
        self.demand_l_s = 0.0
        """The most that it takes."""
        self.inflow_l_s = 0.0
        self.emitting_l_s = 0.0
        """What leaves the emitters, which is what the inflow displaces. The rest of the inflow fills the void."""

    def void_l(self, now_s: float) -> float:
        """Return how much of the pipes is empty."""
        return self.void_max_l - (self.void_max_l - self._void_l) * self._left(now_s)

    def kept_by(self, now_s: float) -> float:
        """Return `kept` as it would be after resting until `now_s`."""
        return self.kept * self._left(now_s) if self._drains else self.kept

    def travel(self, dt_s: float) -> bool:
        """Move the valve for `dt_s`; return whether it still moves."""
        goal = 1.0 if self.valve_on else 0.0
        if self.opening == goal:
            return False
        step = dt_s / (self._travel_s * self.slowness)
        self.opening = min(goal, self.opening + step) if self.valve_on else max(goal, self.opening - step)
        return self.opening != goal

    def set_conductance(self, now_s: float) -> None:
        """Work out what it would take as valve and void stand."""
        if self.opening == 0.0:
            self.conductance = 0.0
            return
        if self._rest_s is not None:
            self.kept, self._void_l = self.kept_by(now_s), self.void_l(now_s)
            self._rest_s = now_s
        outlet = self._emitters * (self._wet() + self._thirst())
        valve = self._throttle * (1.0 / self.opening**2 - 1.0)
        self.demand_l_s = outlet * self._regulated_root
        self.conductance = 1.0 / math.sqrt(1.0 / outlet**2 + self._losses + valve)

    def take(self, root_kpa: float, dt_s: float, now_s: float) -> bool:
        """Take the flow at the shed's pressure (its root) for `dt_s`; return whether the void still fills."""
        self.inflow_l_s = inflow_l_s = min(self.demand_l_s, self.conductance * root_kpa)
        if inflow_l_s == 0.0:
            self.emitting_l_s = 0.0
            if self._rest_s is None:
                self._rest_s = now_s
            return False
        self._rest_s = None
        wet = self._wet()
        self.emitting_l_s = inflow_l_s * wet / (wet + self._thirst())
        if self._void_l == 0.0:
            return False
        if self._void_l < _LAST_L and self._void_l < inflow_l_s * dt_s:
            self.emitting_l_s = inflow_l_s - self._void_l / dt_s
            self._void_l = 0.0
        else:
            self._void_l -= (inflow_l_s - self.emitting_l_s) * dt_s
        return True

    def _left(self, now_s: float) -> float:
        """Return the share of the water able to run out that has not since the rest began."""
        if self._rest_s is None:
            return 1.0
        return math.exp((self._rest_s - now_s) / (_DRAIN_S if self._drains else _SAG_S))

    def _wet(self) -> float:
        """Share of the emitters that have water."""
        return 1.0 - self._void_l / self.void_max_l

    def _thirst(self) -> float:
        """How readily the void takes water, in times of the emitters: it closes softly over its last fifth."""
        return _THIRSTY * min(1.0, 5.0 * self._void_l / self.void_max_l)
