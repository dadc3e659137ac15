"""One channel's stock in one block's pipes. Water and stock wait at the inlet until they are worth moving it for."""

import math
from typing import NamedTuple

from daemon.dosing.estimates import Way, reading_pct
from daemon.hydraulics.transport import clean_line, displace
from daemon.recipe import BlockPlan, Recipe
from daemon.site import Site

_STEP = 0.01
"""Part of a block's pipe volume in which its water moves on: finer costs time and tells no more."""


class BlockLine(NamedTuple):
    """One channel's stock in one block's pipes."""

    share: float
    """Part of the shift's flow that goes down them."""
    way: Way
    water_l: float = 0.0
    """Waiting at the inlet, with `stock_l` evenly in it."""
    stock_l: float = 0.0
    frozen_l: float = 0.0
    """Metered and perhaps gone to a drain or a leak: none of it counts as displaced, and some of it may have been."""


def clean(site: Site, recipe: Recipe, block: BlockPlan) -> BlockLine:
    """Return a block's pipes full of clean water, with both ends of what is not known of them."""
    # Errors of the main meter and of the block's share shift every displaced litre as a wrong pipe volume would.
    meter_pct = reading_pct(recipe.calibrated_pct, "main.water", site.main.water)
    band = math.hypot(block.path.accuracy_pct, meter_pct, block.share_accuracy_pct) / 100.0
    path = block.path
    return BlockLine(block.share, Way(clean_line(path), clean_line(path, 1.0 - band), clean_line(path, 1.0 + band)))


def let_in(pipe: BlockLine, water_l: float, stock_l: float, frozen_l: float) -> BlockLine:
    """Let water and stock wait at the inlet until they are worth moving the pipes' content for."""
    line = pipe.way.line
    waiting = BlockLine(pipe.share, pipe.way, pipe.water_l + water_l, pipe.stock_l + stock_l, pipe.frozen_l + frozen_l)
    least_l = _STEP * (line.main_l + line.submain_l + line.lateral_l)
    return moved_on(waiting) if waiting.water_l + waiting.frozen_l >= least_l else waiting


def moved_on(pipe: BlockLine) -> BlockLine:
    """Return the pipes with nothing waiting at the inlet."""
    water_l, stock_l = pipe.water_l, pipe.stock_l
    line, short, long = pipe.way
    return BlockLine(
        pipe.share,
        Way(
            displace(line, water_l, stock_l),
            displace(short, water_l + pipe.frozen_l, stock_l),
            displace(long, water_l, stock_l),
        ),
    )
