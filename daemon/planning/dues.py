"""What an injection makes due on each block, where it is prescribed to the hectare."""

from daemon.agronomy.products import substance_of
from daemon.agronomy.recommend import due_dose
from daemon.agronomy.stages import followed
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Product
from daemon.decisions.watering import Injection, Shift
from daemon.planning.checks import refused
from daemon.planning.field import Field
from daemon.planning.lookup import cycle_on
from daemon.planning.matching import Masses
from daemon.planning.stocks import Drawn


def quantity_kg(decisions: Decisions, injection: Injection, stock: Drawn, field: Field) -> Masses | None:
    """Return the kg of its nutrient that are due on each watered block by an amount to the hectare; None without one.

    Raises PlanError where the amount rests on plants or a liquid that nobody entered.
    """
    if injection.dose_g_plant is not None:
        return {
            block: injection.dose_g_plant / 1000.0 * area_ha * _plants_per_ha(decisions, block, field)
            for block, area_ha in field.areas_ha.items()
        }
    kg_ha = _kg_ha(decisions, injection, stock)
    return None if kg_ha is None else {block: kg_ha * area_ha for block, area_ha in field.areas_ha.items()}


def farm_kg(decisions: Decisions, injection: Injection, stock: Drawn, field: Field) -> Masses:
    """Return the same for each block of the farm's shifts to which the prescription could go as well.

    A recommendation is for the blocks of its cycle; an amount for those of the same crop today.
    """
    names = {name for shift in decisions.values() if isinstance(shift, Shift) for name in shift.blocks}
    areas_ha = {name: field.farm_ha[name] for name in sorted(names & field.farm_ha.keys())}
    if injection.recommendation is not None:
        blocks = followed(decisions, injection.recommendation, injection.nutrient).cycle.blocks
        areas_ha = {name: area_ha for name, area_ha in areas_ha.items() if name in blocks}
        due = due_dose(decisions, injection.recommendation, injection.nutrient, areas_ha, field.past, field.now)
        return {name: due.blocks[name].kg_ha * area_ha for name, area_ha in areas_ha.items()}
    cycles = {name: cycle_on(decisions, name, field.today) for name in areas_ha}
    crops = {name: cycle.crop if cycle is not None else "" for name, cycle in cycles.items()}
    own = {crops.get(name, "") for name in field.areas_ha}
    areas_ha = {name: area_ha for name, area_ha in areas_ha.items() if crops[name] in own}
    if injection.dose_g_plant is not None:
        g_plant = injection.dose_g_plant
        return {
            name: g_plant / 1000.0 * area_ha * cycle.plants_per_ha
            for name, area_ha in areas_ha.items()
            if (cycle := cycles[name]) is not None and cycle.plants_per_ha is not None
        }
    kg_ha = _kg_ha(decisions, injection, stock) or 0.0
    return {name: kg_ha * area_ha for name, area_ha in areas_ha.items()}


def _kg_ha(decisions: Decisions, injection: Injection, stock: Drawn) -> float | None:
    """Return an amount that is the same on every hectare; None where it is not."""
    if injection.product_l_ha is not None:
        nutrient_g_l = stock.contents.nutrients_g_l[injection.nutrient]
        return injection.product_l_ha / _liquid_l_l(decisions, stock) * nutrient_g_l / 1000.0
    return injection.dose_kg_ha


def _plants_per_ha(decisions: Decisions, block: str, field: Field) -> float:
    cycle = cycle_on(decisions, block, field.today)
    if cycle is None or cycle.plants_per_ha is None:
        lacks = "no crop cycle" if cycle is None else "a crop cycle without plants_per_ha"
        reason = f"a dose by the plant needs the plants to the hectare, and block {block} has {lacks} today"
        raise refused("plants", reason)
    return cycle.plants_per_ha


def _liquid_l_l(decisions: Decisions, stock: Drawn) -> float:
    """Return the litres of the one liquid product in a litre of stock."""
    products = {key: found for (_, key), found in decisions.items() if isinstance(found, Product)}
    substances = {name: substance_of(name, products) for name in stock.contents.products_g_l}
    liquids = {name: one.density_kg_l for name, one in substances.items() if one.is_liquid and one.density_kg_l}
    if len(liquids) != 1:
        holds = ", ".join(liquids) or "none"
        reason = f"a dose in litres of product needs a stock with one liquid, and {stock.contents.stock} holds {holds}"
        raise refused("product", f"{reason}. Prescribe kg of a nutrient to the hectare")
    ((name, density_kg_l),) = liquids.items()
    return stock.contents.products_g_l[name] / 1000.0 / density_kg_l
