"""Stages that several steps share: a block's water until it is steady, and the flush at the end."""

from typing import Final

from daemon.commissioning.step import Ask, Figure, Form, Stage, Until
from daemon.site import Site

FILL_S: Final = 1800.0
"""A block that is not steady by then has a leak, an open end or a valve that hunts (engineering judgement)."""
_RINSE_S: Final = 3900.0
"""A flush that has not begun by then is not coming: the pump's rest between starts may take most of an hour."""


def water_to(site: Site, *blocks: str) -> dict[str, float]:
    """Return what is held on for the water of blocks."""
    pump = {"pump": 1.0} if site.pump is not None else {}
    return {**{f"valve.{block}": 1.0 for block in blocks}, **pump}


def flow_of(site: Site) -> tuple[str, ...]:
    """Return the readings that tell of the water: the count, the rate where there is one, and the pressure."""
    rate = ("flow_m3_h",) if site.main.flow is not None else ()
    return ("water_l", *rate, "pressure_kpa")


def flow_width_pct(site: Site, block: str) -> float:
    """Return by how much of itself a block's flow may differ from its emitters' rate, in percent."""
    return site.block[block].flow_accuracy_pct + site.main.flow_band_pct / 2.0


def flow_figure(site: Site, block: str, flow_m3_h: float) -> Figure:
    """Return a block's flow beside what its emitters take."""
    own = site.block[block].flow_m3_h
    width = flow_width_pct(site, block) / 100.0 * own
    source = "its emitters' rate, with flow_accuracy_pct and half of flow_band_pct"
    return Figure("flow", flow_m3_h, "m3/h", least=own - width, most=own + width, source=source)


def block_asked(site: Site) -> Ask:
    """Return the question of which block takes the water."""
    names = tuple(site.block)
    return Ask("block", "Which block takes the water", form=Form.CHOICE, choices=names, default=names[0])


def fill(site: Site, *blocks: str, name: str = "fill", watch: tuple[str, ...] = ()) -> Stage:
    """Return the stage in which blocks fill until flow and pressure are steady."""
    text = f"The daemon opens {' and '.join(blocks)}, starts the pump and waits until flow and pressure are steady."
    hold, watch = water_to(site, *blocks), (*watch, *flow_of(site))
    return Stage(name, text, hold=hold, watch=watch, lasts_s=FILL_S, until=Until.STEADY)


def rinse() -> Stage:
    """Return the stage in which the fertiliser of a test is flushed out of the lines."""
    text = "The daemon flushes the fertiliser of the test out of the lines, and shuts the water."
    return Stage("rinse", text, flushes=True, lasts_s=_RINSE_S, until=Until.RINSED)
