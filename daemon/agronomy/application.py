"""The application record that an auditor asks for: what was given where, of which products and lots, in which water."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from daemon.agronomy.nutrients import FACTORS
from daemon.agronomy.tank import Entry
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.crops import Cycle
from daemon.evidence import Dose
from daemon.recipe import BlockPlan, Recipe
from daemon.units import stock_l

METHOD = "fertigation"
OXIDES = {"P": 1.0 / FACTORS["P2O5"][1], "K": 1.0 / FACTORS["K2O"][1]}
"""Grams of P2O5 and K2O for one of P and K."""


@dataclass(frozen=True, slots=True)
class Given:
    """What one product brought to one block in one run."""

    at: datetime
    """When the run began, in the site's zone."""
    run: str
    block: str
    area_ha: float
    crop: str
    product: str
    product_kg: float
    lots: tuple[str, ...]
    """As the tank's filling has them; empty where nobody entered one."""
    nutrients_kg: Mapping[str, float]
    """Elemental, of the whole stock that it was in: told with the stock's first product."""
    u_nutrients_kg: Mapping[str, float]
    """k = 2."""
    water_m3: float
    """Of the block in this run: told with the first product."""
    method: str
    person: str
    """Who made up the tank."""


def applications(
    recipe: Recipe,
    at: datetime,
    water_m3: float,
    doses: Iterable[Dose],
    logs: Mapping[str, Sequence[Entry]],
    decisions: Decisions,
) -> Iterator[Given]:
    """Yield what a run gave, block by block and product by product; of a run without stock its water alone.

    `doses` are the run's as they are stated now; `logs` the tanks' by their names.
    """
    by_batch = {entry.key: entry for log in logs.values() for entry in log}
    found = list(doses)
    for block in recipe.blocks:
        crop, water_left_m3, is_told = _crop(decisions, block.block, at.date()), water_m3 * block.share, False
        for channel in recipe.channels:
            rows = [dose for dose in found if (dose.block, dose.channel) == (block.block, channel.channel)]
            if not any(dose.delivered_mg for dose in rows):
                continue
            share = _share_of_stock(rows, channel.nutrients_g_l)
            entry = by_batch.get(channel.batch)
            contents = entry.contents if entry is not None else None
            products = contents.products_g_l if contents is not None else {channel.stock: 0.0}
            for place, (product, g_l) in enumerate(products.items()):
                yield Given(
                    at=at,
                    run=recipe.run,
                    block=block.block,
                    area_ha=block.area_ha,
                    crop=crop,
                    product=product,
                    product_kg=g_l * share / 1000.0,
                    lots=_lots(entry, product),
                    nutrients_kg={dose.nutrient: dose.delivered_mg / 1e6 for dose in rows} if not place else {},
                    u_nutrients_kg={dose.nutrient: dose.u_delivered_mg / 1e6 for dose in rows} if not place else {},
                    water_m3=0.0 if is_told else water_left_m3,
                    method=METHOD,
                    person=entry.mix.by if entry is not None else "",
                )
                is_told = True
        if not is_told:
            yield _water_alone(recipe, at, block, crop, water_left_m3)


def _water_alone(recipe: Recipe, at: datetime, block: BlockPlan, crop: str, water_m3: float) -> Given:
    return Given(at, recipe.run, block.block, block.area_ha, crop, "", 0.0, (), {}, {}, water_m3, "irrigation", "")


def _share_of_stock(rows: Iterable[Dose], nutrients_g_l: Mapping[str, float]) -> float:
    """Return the litres of stock that came out of a block's emitters."""
    return stock_l(nutrients_g_l, {dose.nutrient: dose.delivered_mg for dose in rows})


def _lots(entry: Entry | None, product: str) -> tuple[str, ...]:
    portions = entry.mix.portions if entry is not None else ()
    return tuple(portion.lot for portion in portions if portion.product == product and portion.lot)


def _crop(decisions: Decisions, block: str, day: date) -> str:
    cycles = of_kind(decisions, Cycle).values()
    return next((c.crop for c in cycles if block in c.blocks and c.starts <= day <= c.ends), "")
