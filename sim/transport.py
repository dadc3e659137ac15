"""Where a block's fertiliser is: parcels of water pushed on, cell by cell, from its branch of the main to the emitters.

All flows of one block keep their proportions, so each emitter lies a fixed number of cells of the block's inflow from
its valve, however fast or slowly that flows, and a parcel has left at those emitters that it has been pushed past.
Nothing is smeared by the method, and what goes in is in a parcel or out of an emitter, in litres of stock by batch.
"""

from collections import deque
from collections.abc import Iterable
from itertools import accumulate

from sim.parts import Block
from sim.plug import Plug, Stock, add

CELL_S = 1.0
"""A parcel is what the block takes in this many seconds at its nominal flow."""


class BlockLine:
    """The pipes of one block: its own from the shared main as a plug, then submain and laterals to every emitter."""

    def __init__(self, block: Block, pipe_volume: float = 1.0) -> None:
        self.cell_l = block.nominal_l_s * CELL_S
        self._pipe = Plug(block.pipes_l * pipe_volume, self.cell_l) if block.pipes_l else None
        per_cell = pipe_volume / self.cell_l
        takeoffs = _reached(block.submain_l * per_cell, block.laterals)
        emitters = _reached(block.laterals * block.lateral_l * per_cell, block.emitters)
        self.longest_cells = round(takeoffs[-1] + emitters[-1])
        """Cells from the block's valve to the outermost emitter."""
        counts = [0] * (self.longest_cells + 1)
        for takeoff in takeoffs:
            for emitter in emitters:
                counts[round(takeoff + emitter)] += 1
        self._out = [count / (len(takeoffs) * len(emitters)) for count in accumulate(counts)]
        """Which share of a parcel has left the emitters once it has been pushed on by so many cells."""
        self._filling: Stock = {}
        self._filling_l = 0.0
        self._pushed = 0
        """Cells that have entered."""
        self._parcels: deque[tuple[int, Stock]] = deque()
        """Those that held stock and are not all out: which cell, and its stock."""
        self.far_l: Stock = {}
        """Stock by batch in the parcel that the outermost emitter lets out."""
        self._gone_l: Stock = {}
        self._drained_l: Stock = {}

    def push(self, inflow_l: float, displaced_l: float, stock: Iterable[tuple[int, float]], share: float) -> None:
        """Take in `inflow_l` with `share` of each (batch, litres) of stock.

        All of it moves the block's own pipe on, but only `displaced_l` pushes as much out of the emitters.
        """
        if self._pipe is None:
            add(self._filling, stock, share)
        else:
            arrived = self._pipe.push(inflow_l, stock, share)
            if arrived is not None:
                add(self._filling, arrived.items(), 1.0)
        self._filling_l += displaced_l
        while self._filling_l >= self.cell_l:
            self._filling_l -= self.cell_l
            self._pushed += 1
            if self._filling:
                self._parcels.append((self._pushed, self._filling))
                self._filling = {}
            self.far_l = {}
            if self._parcels and self._pushed - self._parcels[0][0] >= self.longest_cells:
                self.far_l = self._parcels.popleft()[1]
                add(self._gone_l, self.far_l.items(), 1.0)

    def drain(self, kept: float) -> None:
        """Let all but the share `kept` run out behind the valve, through the low emitters."""
        self._drained_l = self.drained_l(kept)
        self._gone_l = self.delivered_l()
        self._filling = {batch: litres * kept for batch, litres in self._filling.items()}
        for number, stock_l in self._parcels:
            out = self._out[self._pushed - number]
            for batch, litres in stock_l.items():
                self._gone_l[batch] -= litres * kept * out
                stock_l[batch] = litres * kept

    def delivered_l(self) -> Stock:
        """Return the litres of stock that have left the emitters as irrigation, by batch."""
        total = dict(self._gone_l)
        for number, stock_l in self._parcels:
            add(total, stock_l.items(), self._out[self._pushed - number])
        return total

    def in_pipes_l(self, kept: float = 1.0) -> Stock:
        """Return the litres of stock in the pipes, by batch, had `kept` stayed behind the valve."""
        total = self._pipe.held_l() if self._pipe is not None else {}
        self._add_behind_valve(total, kept)
        return total

    def drained_l(self, kept: float = 1.0) -> Stock:
        """Return the litres of stock that have run out through the low emitters, had `kept` stayed in the pipes."""
        total = dict(self._drained_l)
        if kept < 1.0:
            self._add_behind_valve(total, 1.0 - kept)
        return total

    def volume_l(self) -> float:
        """Return the water that the pipes hold, in litres."""
        behind_valve_cells = sum(1.0 - out for out in self._out)
        return behind_valve_cells * self.cell_l + (self._pipe.volume_l() if self._pipe is not None else 0.0)

    def _add_behind_valve(self, total: Stock, share: float) -> None:
        add(total, self._filling.items(), share)
        for number, stock_l in self._parcels:
            add(total, stock_l.items(), share * (1.0 - self._out[self._pushed - number]))


def _reached(cells: float, outlets: int) -> list[float]:
    """Return when each of the equal outlets of a pipe of `cells` cells is reached, in cells of the pipe's inflow.

    The first outlet is one full spacing from the inlet; each spacing passes at the share of the flow that is left.
    """
    return list(accumulate(cells / behind for behind in range(outlets, 0, -1)))
