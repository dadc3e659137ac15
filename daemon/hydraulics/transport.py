"""Where the injected stock is: in the pipes or out of the emitters, by the litres of water that followed it.

Water moves stock through a pipe that nothing is drawn from as a plug: what goes in comes out after the pipe's volume.
Along a pipe with equal outlets the water-weighted time that a drop spends in it has the mean volume/inflow, and for
many outlets its distribution is the exponential one (the outflow thins out as the inflow along the pipe does). So a
submain and its laterals are each one first-order lag in displaced litres, solved exactly over a step.
"""

import math
from typing import NamedTuple

from daemon.recipe import LinePath

_PARCELS_PER_MAIN = 60


class Line(NamedTuple):
    """One block's pipes from the injection point on, and the stock in them. Stock is in litres as injected."""

    main_l: float
    submain_l: float
    lateral_l: float
    parcels: tuple[tuple[float, float], ...]
    """(water L, stock L) in the main, the oldest first; their water sums to `main_l`."""
    in_submain_l: float = 0.0
    in_laterals_l: float = 0.0
    delivered_l: float = 0.0

    @property
    def in_lines_l(self) -> float:
        """Stock still in the pipes."""
        return sum(stock for _, stock in self.parcels) + self.in_submain_l + self.in_laterals_l


def clean_line(path: LinePath, size: float = 1.0) -> Line:
    """Return a line of `path` full of clean water, its volumes times `size`."""
    main_l = path.main_l * size
    return Line(main_l, path.submain_l * size, path.lateral_l * size, ((main_l, 0.0),))


def displace(line: Line, water_l: float, stock_l: float) -> Line:
    """Let `water_l` with `stock_l` in it enter the line, and as much water leave at the emitters.

    Both are litres at this block's inlet and not negative. Stock is conserved: what goes in is in the line or out.
    """
    if water_l <= 0.0:
        if stock_l <= 0.0:
            return line
        water, stock = line.parcels[-1]
        return _with_parcels(line, (*line.parcels[:-1], (water, stock + stock_l)))
    if stock_l <= 0.0 and line.in_submain_l == 0.0 and line.in_laterals_l == 0.0 and len(line.parcels) == 1:
        if line.parcels[0][1] == 0.0:
            return line
    parcels, out_l = _push(line.parcels, water_l, stock_l, line.main_l)
    in_submain_l, out_l = _lag(line.in_submain_l, out_l, water_l / line.submain_l)
    in_laterals_l, out_l = _lag(line.in_laterals_l, out_l, water_l / line.lateral_l)
    return Line(
        line.main_l,
        line.submain_l,
        line.lateral_l,
        parcels,
        in_submain_l,
        in_laterals_l,
        line.delivered_l + out_l,
    )


def _with_parcels(line: Line, parcels: tuple[tuple[float, float], ...]) -> Line:
    return Line(
        line.main_l,
        line.submain_l,
        line.lateral_l,
        parcels,
        line.in_submain_l,
        line.in_laterals_l,
        line.delivered_l,
    )


def _push(
    parcels: tuple[tuple[float, float], ...], water_l: float, stock_l: float, main_l: float
) -> tuple[tuple[tuple[float, float], ...], float]:
    """Push water in at the tail and take as much out at the head; return the parcels and the stock that came out."""
    last_water, last_stock = parcels[-1]
    alike = (last_stock > 0.0) == (stock_l > 0.0)
    if alike and (stock_l <= 0.0 or last_water + water_l <= main_l / _PARCELS_PER_MAIN):
        parcels = (*parcels[:-1], (last_water + water_l, last_stock + stock_l))
    else:
        parcels = (*parcels, (water_l, stock_l))
    out_l, left, gone = 0.0, water_l, 0
    for water, stock in parcels:
        if water > left:
            break
        left -= water
        out_l += stock
        gone += 1
    if gone == len(parcels):
        return ((0.0, 0.0),), out_l  # a block that hangs at the injection point has no main to wait in
    water, stock = parcels[gone]
    taken = min(stock * left / water, stock)
    return ((water - left, stock - taken), *parcels[gone + 1 :]), out_l + taken


def _lag(held_l: float, in_l: float, turns: float) -> tuple[float, float]:
    """Pass `in_l` of stock evenly through a lag during `turns` of its volume; return what it holds and what left."""
    if held_l == 0.0 and in_l == 0.0:
        return 0.0, 0.0
    kept = math.exp(-turns)
    held = min(held_l * kept - in_l / turns * math.expm1(-turns), held_l + in_l)  # rounding may not make stock
    return held, held_l + in_l - held
