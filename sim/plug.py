"""A full pipe that water moves through as a plug: cells of fixed volume, moved on one by one. Litres."""

from collections import deque
from collections.abc import Iterable

Stock = dict[int, float]
"""Litres of stock by batch."""


def add(total: Stock, stock: Iterable[tuple[int, float]], share: float) -> None:
    """Add `share` of each (batch, litres) to a total."""
    for batch, litres in stock:
        total[batch] = total.get(batch, 0.0) + litres * share


class Plug:
    """What is pushed in comes out after the pipe's volume; a cell mixes what enters it, and no more."""

    __slots__ = ("_cell_l", "_cells", "_filling", "_filling_l")

    def __init__(self, volume_l: float, cell_l: float) -> None:
        """Lay a pipe of `volume_l`, at least half a cell, in cells of about `cell_l`."""
        volume_l = max(volume_l, cell_l / 2.0)
        cells = max(0, round(volume_l / cell_l - 0.5))
        self._cell_l = volume_l / (cells + 0.5)  # what enters a cell waits for half of it, on average, to be full
        self._cells: deque[Stock | None] = deque([None] * cells)
        self._filling: Stock = {}
        self._filling_l = 0.0

    def push(self, flow_l: float, stock: Iterable[tuple[int, float]], share: float) -> Stock | None:
        """Take in `flow_l` with `share` of each (batch, litres) in it; return the stock that comes out, if any."""
        filling = self._filling
        for batch, litres in stock:
            filling[batch] = filling.get(batch, 0.0) + litres * share
        self._filling_l += flow_l
        if self._filling_l < self._cell_l:
            return None
        out: Stock | None = None
        while self._filling_l >= self._cell_l:
            self._filling_l -= self._cell_l
            self._cells.append(self._filling or None)
            if self._filling:
                self._filling = {}
            leaving = self._cells.popleft()
            if leaving is None:
                continue
            if out is None:
                out = leaving
            else:
                add(out, leaving.items(), 1.0)
        return out

    def back(self, flow_l: float) -> Stock:
        """Let `flow_l` run back out of the inlet, clean water following at the outlet; return the stock that leaves."""
        out, self._filling = self._filling, {}
        self._filling_l -= flow_l
        while self._filling_l < 0.0:
            self._filling_l += self._cell_l
            self._cells.appendleft(None)
            leaving = self._cells.pop()
            if leaving is not None:
                add(out, leaving.items(), 1.0)
        return out

    def held_l(self) -> Stock:
        """Return the stock in it."""
        total = dict(self._filling)
        for cell in self._cells:
            if cell is not None:
                add(total, cell.items(), 1.0)
        return total

    def volume_l(self) -> float:
        """Return the water that it holds on the way of a drop, on average."""
        return (len(self._cells) + 0.5) * self._cell_l
