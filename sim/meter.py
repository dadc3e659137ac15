"""The water meter of the main: what passes where it sits, and what it shows of that."""

from sim.parts import Main
from sim.water import Water


class MainMeter:
    """Counts litres with its hidden error: before the filter the drain's too, behind the injection the stock too."""

    def __init__(self, main: Main, tolerance: float) -> None:
        self._tolerance = tolerance
        self._sees_drain = main.comes_before("meter", "filter")
        self._sees_stock = main.comes_before("injection", "meter")
        self._standing_l = 0.0
        """What passes in a step as the flows stand, were nothing injected behind it."""
        self.factor = tolerance
        """What it shows for one litre now."""
        self.stuck = False
        self.counted_l = 0.0
        """What it has counted, with its error."""
        self.passed_l = 0.0
        """What has really passed it."""
        self.flow_l_s = 0.0
        """What passes it now."""

    def err_by(self, factor: float) -> None:
        """Let it show so many times what a sound one would: a fault."""
        self.factor = self._tolerance * factor

    def take_flows(self, water: Water, step_s: float) -> None:
        """Take the flows as they stand."""
        self._standing_l = (water.flow_l_s + (water.drain_l_s if self._sees_drain else 0.0)) * step_s

    def step(self, injected_l: float, step_s: float) -> None:
        """Count one step in which that much was injected into the water."""
        passing_l = self._standing_l
        if injected_l and not self._sees_stock:
            passing_l = max(0.0, passing_l - injected_l)
        self.flow_l_s = passing_l / step_s
        if passing_l:
            self.passed_l += passing_l
            self._count(passing_l)

    def count_back(self, litres: float, step_s: float) -> None:
        """Count water that runs back through it in a step, which a meter cannot tell from water that comes."""
        self.flow_l_s = litres / step_s
        self._count(litres)

    def _count(self, litres: float) -> None:
        if not self.stuck:
            self.counted_l += litres * self.factor
