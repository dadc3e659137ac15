"""Everything from the injection point on, and the stock in it: filter body, shared main, blocks, and what is lost."""

import math
from collections.abc import Iterable, Mapping

from sim.parts import Main
from sim.plug import Plug, Stock, add
from sim.transport import CELL_S, BlockLine
from sim.water import Water

Stream = Iterable[tuple[int, float]]
"""(batch, litres of stock) that one step carries."""


class Pipes:
    """Shares each step's stock among the blocks, a burst and a backwash. Flows stand until `take_flows`."""

    def __init__(
        self, main: Main, trunk_factor: float, body_l: float, lines: Mapping[str, BlockLine], design_l_s: float
    ) -> None:
        """Take the main with its hidden factor, the filter's body (0: no stock passes it) and the largest flow."""
        self.trunk = Plug(main.trunk_l * trunk_factor, design_l_s * CELL_S)
        self.lines = lines
        self.injected_l: Stock = {}
        """Stock that has entered the main, by batch."""
        self.held_l: Stock = {}
        """Stock that has entered the main while nothing flowed."""
        self.lost_l: Stock = {}
        """Gone through a burst, a backwash or back into the source."""
        self.backflow_l = 0.0
        """Water that has run back into the source."""
        self.body_l: Stock = {}
        """In the filter's body, where the stock passes it."""
        self.through_l = 0.0
        """Litres past the injection point in a step."""
        self._body_volume_l = body_l
        self._body_share = 0.0
        self._probe_is_behind = main.comes_before("filter", "probe")
        self._trunk_l = 0.0
        self._trunk_share = self._lost_share = 0.0
        self._taps: tuple[tuple[BlockLine, float, float, float], ...] = ()
        """Each block that takes water: its line, litres in and litres out in a step, and its share of the trunk."""

    def take_flows(self, water: Water, step_s: float, drain_l_s: float) -> None:
        """Take new flows, `drain_l_s` of a backwash coming from behind the injection point."""
        trunk_l_s = water.flow_l_s - water.burst_l_s
        through_l_s = water.flow_l_s + drain_l_s
        self.through_l = through_l_s * step_s
        self._trunk_l = trunk_l_s * step_s
        taps = []
        for name, block in water.blocks.items():
            if block.inflow_l_s:
                line = self.lines[name]
                if block.kept < 1.0:
                    line.drain(block.kept)
                    block.kept = 1.0
                inflow_l = block.inflow_l_s * step_s
                taps.append((line, inflow_l, block.emitting_l_s * step_s, inflow_l / self._trunk_l))
        self._taps = tuple(taps)
        if through_l_s:
            self._trunk_share = trunk_l_s / through_l_s
            self._lost_share = (water.burst_l_s + drain_l_s) / through_l_s
        if self._body_volume_l:
            self._body_share = -math.expm1(-self.through_l / self._body_volume_l)

    def carry(self, stock: Stream) -> Stream:
        """Move everything on by one step with this stock in it; return the stock that passes the probe."""
        if self.held_l:
            stock = [*stock, *self.held_l.items()]
            self.held_l = {}
        seen = stock
        if self._body_volume_l:
            stock = self._through_body(stock)
            if self._probe_is_behind:
                seen = stock
        if self._lost_share:
            add(self.lost_l, stock, self._lost_share)
        if self._trunk_l:
            arrived = self.trunk.push(self._trunk_l, stock, self._trunk_share)
            parcel = arrived.items() if arrived is not None else ()
            for line, inflow_l, displaced_l, share in self._taps:
                line.push(inflow_l, displaced_l, parcel, share)
        return seen

    def hold(self, stock: Stream) -> None:
        """Keep what enters a main that stands."""
        add(self.held_l, stock, 1.0)

    def run_back(self, litres: float) -> None:
        """Let water run from the main back into the source, and lose what it takes along."""
        self.backflow_l += litres
        add(self.lost_l, self.held_l.items(), 1.0)
        self.held_l = {}
        add(self.lost_l, self.trunk.back(litres).items(), 1.0)

    def _through_body(self, stock: Stream) -> Stream:
        """Mix the stock into the filter's body; return what leaves it."""
        add(self.body_l, stock, 1.0)
        leaving = [(batch, litres * self._body_share) for batch, litres in self.body_l.items()]
        add(self.body_l, leaving, -1.0)
        return leaving
