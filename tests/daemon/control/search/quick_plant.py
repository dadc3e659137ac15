"""A plant of two blocks whose times are one or two scans, and shifts whose phases are one or two parts of water."""

from typing import Final

from daemon.recipe import BlockPlan, ChannelPlan, LinePath, Recipe
from daemon.site import Plant
from tests.daemon.control.plant import SMALL, WIDE, make_plant, site_text

PART_L: Final = 100.0
"""Water of one scan."""
STOCK_L: Final = 10.0
"""Stock of one scan."""
MAIN_L = 50.0
FLUSH_L = PART_L
_TIMES = {
    "checkpoint_s = 10.0": "checkpoint_s = 1.0",
    "start_s = 10.0": "start_s = 1.0",
    "run_down_s = 10.0": "run_down_s = 1.0",
    "min_off_s = 20.0": "min_off_s = 1.0",
    "max_starts_per_hour = 6": "max_starts_per_hour = 600",
    "travel_s = 8.0": "travel_s = 1.0",
    "travel_s = 4.0": "travel_s = 1.0",
    "settle_s = 5.0": "settle_s = 1.0",
    "overlap_s = 10.0": "overlap_s = 1.0",
    "hold_max_s = 60.0": "hold_max_s = 0.5",
}


def quick() -> Plant:
    """Return the plant of two blocks with times of one or two scans."""
    text = site_text(SMALL) + WIDE
    for old, new in _TIMES.items():
        text = text.replace(old, new)
    return make_plant(text)


def recipe(plant: Plant, block: str, inject_parts: int) -> Recipe:
    """Return a shift of one block and channel a: a part of pre-wet, some of stock, one of flush, two of water in all.

    So the water is over before the phases are, and a run that gives up its stock early has some left.
    """
    path = LinePath(MAIN_L, 10.0, 40.0, PART_L, 10.0)
    return Recipe(
        run=f"run-{block}",
        shift=block,
        flow_m3_h=plant.site.block[block].flow_m3_h,
        main_l=MAIN_L,
        prewet_l=PART_L,
        inject_l=inject_parts * PART_L,
        flush_l=FLUSH_L,
        water_l=2.0 * PART_L,
        blocks=(BlockPlan(block, 1.0, 1.0, 0.0, False, path, {"a": {"N": 1_000_000}}),),
        channels=(
            ChannelPlan("a", "calcium", "a_1", inject_parts * STOCK_L, 0.007, "", 0.0, 0.0, {"N": 50.0}, 2.0, 0.0),
        ),
    )
