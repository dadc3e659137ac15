"""The filter: a loss that grows with the water that passed, and a backwash that sends water to the drain.

kPa and L/s. Figures of dirt are common practice, no source.
"""

import math

from sim.parts import Filter as FilterSheet
from sim.supply import DUTY_KPA

CLEAN_KPA = 15.0
"""Loss at the design flow when clean."""
_DIRT_KPA, _DIRT_S = 50.0, 4.0 * 3600.0
"""The loss at the design flow grows by this much with the water of so long a time at the design flow."""
_DRAIN_SHARE = 0.35
"""What the drain takes while washing, as a share of the design flow at duty pressure."""
_OWN_SWITCH_KPA = 50.0
"""A filter that washes itself and says not when does it at this pressure difference."""
_WASHES = 4.0
"""Time constants of cleaning in one backwash."""
_GRAIN_L = 1000.0
"""Water after which the loss is worked out anew."""


class Filter:
    """One filter and its drain valve."""

    def __init__(self, sheet: FilterSheet, design_l_s: float) -> None:
        self._sheet = sheet
        self._clean = CLEAN_KPA / design_l_s**2
        self._dirt = _DIRT_KPA / (_DIRT_S * design_l_s) / design_l_s**2
        self._drain = _DRAIN_SHARE * design_l_s / math.sqrt(DUTY_KPA)
        self.dirt_l = 0.0
        """Water whose dirt it holds."""
        self.output_on = False
        self.stuck = False
        """The drain valve stays open: a fault."""
        self._own_until_s = 0.0
        self._now_s = 0.0

    @property
    def loss(self) -> float:
        """kPa for each (L/s)² that passes."""
        return self._clean + self._dirt * self.dirt_l

    @property
    def washing(self) -> bool:
        """Whether the drain is open: by our output, by its own switch, or stuck."""
        return self.output_on or self.stuck or self._now_s < self._own_until_s

    @property
    def drain(self) -> float:
        """Conductance of the drain as it stands."""
        return self._drain if self.washing else 0.0

    def move(self, now_s: float, passing_l_s: float, difference_kpa: float) -> bool:
        """Move on to `now_s` with what has passed and stood across it since; return whether it changes quickly."""
        dt_s = now_s - self._now_s
        self._now_s = now_s
        if self.washing:
            if passing_l_s:
                self.dirt_l *= math.exp(-_WASHES * dt_s / self._sheet.backwash_s)
            return True
        self.dirt_l += passing_l_s * dt_s
        if self._sheet.backwash is None and self._is_due(difference_kpa):
            self._own_until_s = now_s + self._sheet.backwash_s
            return True
        return False

    def next_s(self, passing_l_s: float) -> float:
        """Return when it is to be looked at again, with that much passing."""
        return self._now_s + _GRAIN_L / passing_l_s if passing_l_s else math.inf

    def _is_due(self, difference_kpa: float) -> bool:
        at_kpa, every_m3 = self._sheet.wash_at_kpa, self._sheet.wash_every_m3
        if at_kpa is None and every_m3 is None:
            at_kpa = _OWN_SWITCH_KPA
        by_pressure = at_kpa is not None and difference_kpa >= at_kpa
        return by_pressure or (every_m3 is not None and self.dirt_l >= 1000.0 * every_m3)
