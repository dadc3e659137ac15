"""Where the fertiliser is: parcels of water moved cell by cell from the injection point to the emitters.

All flows of one block keep their proportions, so every pipe section is a row of cells that each hold its share of the
block's inflow, and one parcel of inflow moves every row on by exactly one cell. Nothing is smeared by the method, and
what goes in is in a cell or out of an emitter. What a parcel carries is litres of stock, by batch.
"""

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from sim.site import Block

CELL_S = 1.0
"""A parcel is what the block takes in this many seconds at its nominal flow."""
_SUBMAIN_GROUPS = 9
_LATERAL_GROUPS = 11


class Parcel:
    """The stock in one cell of inflow, and which share of it has left the emitters."""

    __slots__ = ("out", "stock_l")

    def __init__(self, stock_l: dict[int, float]) -> None:
        self.stock_l = stock_l
        self.out = 0.0


_Cells = deque[Parcel | None]
_Put = Callable[[Parcel | None], None]
_Take = Callable[[], Parcel | None]


class BlockLine:
    """The pipes of one block from the injection point on, lumped into groups that are finer toward the ends."""

    def __init__(self, block: Block, pipe_volume: float = 1.0) -> None:
        self.cell_l = block.nominal_l_s * CELL_S
        self._rows: list[tuple[_Cells, float]] = []
        """Every row of cells and the share of the block's inflow that passes through it."""
        self.longest_cells = 0
        """Cells from the injection point to the outermost emitter."""
        self._build(block, pipe_volume)
        self._filling: dict[int, float] = {}
        self._filling_l = 0.0
        self._loaded: deque[Parcel] = deque()
        self._gone_l: dict[int, float] = {}

    def push(self, displaced_l: float, stock: Iterable[tuple[int, float]], share: float) -> None:
        """Take in `share` of each (batch, litres) of stock, and `displaced_l` that push as much out of the emitters."""
        filling = self._filling
        for batch, litres in stock:
            filling[batch] = filling.get(batch, 0.0) + litres * share
        self._filling_l += displaced_l
        while self._filling_l >= self.cell_l:
            self._filling_l -= self.cell_l
            self._shift()

    def delivered_l(self) -> dict[int, float]:
        """Return the litres of stock that have left the emitters, by batch."""
        total = dict(self._gone_l)
        for parcel in self._loaded:
            _add(total, parcel.stock_l, parcel.out)
        return total

    def in_pipes_l(self) -> dict[int, float]:
        """Return the litres of stock in the pipes, by batch, counted cell by cell."""
        total = dict(self._filling)
        for cells, share in self._rows:
            for parcel in cells:
                if parcel is not None:
                    _add(total, parcel.stock_l, share)
        return total

    def volume_l(self) -> float:
        """Return the water that the cells hold, in litres."""
        return sum(len(cells) * share for cells, share in self._rows) * self.cell_l

    def _build(self, block: Block, pipe_volume: float) -> None:
        """Lay the rows: the main, the submain from takeoff to takeoff, and at each takeoff its laterals."""
        per_cell = pipe_volume / self.cell_l
        main_cells = round(block.main_l * per_cell)
        self._main = self._row(main_cells, 1.0)
        takeoffs = _groups(block.submain_l * per_cell, block.laterals, _SUBMAIN_GROUPS)
        emitters = _groups(block.laterals * block.lateral_l * per_cell, block.emitters, _LATERAL_GROUPS)
        self._tree: list[tuple[_Put, _Take, list[tuple[_Put, _Take, float]]]] = []
        passing, at = 1.0, 0
        for share, cells in takeoffs:
            put, take = self._row(cells - at, passing)
            self._tree.append((put, take, self._lateral(emitters, share)))
            passing, at = passing - share, cells
        self.longest_cells = main_cells + at + emitters[-1][1]

    def _lateral(self, emitters: Sequence[tuple[float, int]], of: float) -> list[tuple[_Put, _Take, float]]:
        """Lay the laterals of one takeoff, which take the share `of` of the inflow, emitter group by emitter group."""
        rows = []
        passing, at = of, 0
        for share, cells in emitters:
            rows.append((*self._row(cells - at, passing), share * of))
            passing, at = passing - share * of, cells
        return rows

    def _row(self, cells: int, share: float) -> tuple[_Put, _Take]:
        """Lay one row of clean cells; return what puts a parcel in at its head and what takes one out at its end."""
        row: _Cells = deque([None] * cells)
        self._rows.append((row, share))
        return row.appendleft, row.pop

    def _shift(self) -> None:
        """Move every row on by one cell."""
        fresh = None
        if self._filling:
            fresh = Parcel(self._filling)
            self._filling = {}
            self._loaded.append(fresh)
        elif not self._loaded:
            return
        put, take = self._main
        put(fresh)
        parcel = outermost = take()
        for put, take, lateral in self._tree:
            put(parcel)
            parcel = outermost = take()
            for put_in, take_out, share in lateral:
                put_in(outermost)
                outermost = take_out()
                if outermost is not None:
                    outermost.out += share
        if outermost is not None:
            _add(self._gone_l, self._loaded.popleft().stock_l, 1.0)


def _groups(cells: float, outlets: int, count: int) -> list[tuple[float, int]]:
    """Lump the equal outlets of a pipe of `cells` cells of its inflow.

    Returns (share of the pipe's inflow, whole cells of inflow from its head) for each group, nearest first. A group
    sits where its outlets' mean parcel leaves; the outermost outlet is a group by itself, so that the tail is kept.
    """
    reached, passed = [], 0.0
    for behind in range(outlets, 0, -1):
        passed += (cells / outlets) / (behind / outlets)  # one spacing's volume at the share that passes through it
        reached.append(passed)
    groups, start = [], 0
    for size in _sizes(outlets, count):
        mean = sum(reached[start : start + size]) / size
        groups.append((size / outlets, round(mean)))
        start += size
    return groups


def _sizes(outlets: int, count: int) -> list[int]:
    """Split `outlets` in up to `count` groups, growing by a constant ratio from one outlet at the far end."""
    ends = [0]
    for i in range(count):
        ends.append(max(ends[-1] + 1, round(outlets ** (i / (count - 1)))))
    ends = [end for end in ends if end < outlets] + [outlets]
    return [far - near for near, far in pairwise(ends)][::-1]


def _add(total: dict[int, float], stock_l: dict[int, float], share: float) -> None:
    for batch, litres in stock_l.items():
        total[batch] = total.get(batch, 0.0) + litres * share
