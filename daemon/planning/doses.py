"""How many litres of stock each way to prescribe comes to."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.agronomy.products import substance_of
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Product, Water
from daemon.decisions.watering import Injection, Program
from daemon.planning.channels import ChannelDose
from daemon.planning.checks import Check, refused
from daemon.planning.field import Field
from daemon.planning.lookup import cycle_on, find
from daemon.planning.recommended import Litres, Pairs, by_recommendation
from daemon.planning.stocks import Drawn

_AS_STRONG = 1.05
"""Times the concentration that is asked for: what may be made of it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Prescribed:
    """What a program asks of its stocks."""

    stock_l: tuple[float, ...]
    """Of each injection, in the program's order; 0 where nothing is due."""
    checks: tuple[Check, ...]


def prescribe(decisions: Decisions, program: Program, stocks: Sequence[Drawn], field: Field) -> Prescribed:
    """Return the litres of stock that a program asks for.

    Raises PlanError when a dose cannot be worked out: what it rests on is not decided, or EC cannot see the stock.
    """
    pairs = tuple(zip(program.injections, stocks, strict=True))
    litres = {
        place: _by_quantity(decisions, injection, stock, field)
        for place, (injection, stock) in enumerate(pairs)
        if injection.recommendation is None and injection.line_ec_ms_cm is None
    }
    recommended_l, checks = by_recommendation(decisions, pairs, litres, field)
    litres |= recommended_l
    by_ec = [place for place, (injection, _) in enumerate(pairs) if injection.line_ec_ms_cm is not None]
    if len(by_ec) > 1 and program.order == "together":
        raise refused("line EC", "two injections go by the EC of one line. Give one of them a quantity")
    litres |= {place: _by_ec(decisions, program, pairs, place, litres) for place in by_ec}
    return Prescribed(tuple(litres[place] for place in range(len(pairs))), checks)


def check_strength(injection: Injection, dose: ChannelDose) -> tuple[Check, ...]:
    """Return whether an injector can hold the concentration that is asked for; nothing where a quantity is."""
    if injection.stock_l_m3 is None and injection.nutrient_g_m3 is None and injection.line_ec_ms_cm is None:
        return ()
    wanted_l_m3, given_l_m3 = dose.stock_l / injection.inject_m3, 1000.0 * dose.peak_ratio
    reason = f"injector {dose.channel} makes {given_l_m3:.2f} L of stock to the m3 of water, and the program asks for "
    reason += f"{wanted_l_m3:.2f}"
    can = given_l_m3 <= _AS_STRONG * wanted_l_m3
    return (
        Check("concentration", can, reason if can else f"{reason}: its one rate fits no other. Give it a quantity"),
    )


def _by_quantity(decisions: Decisions, injection: Injection, stock: Drawn, field: Field) -> float:
    """Return the litres of stock for an amount of nutrient, product or stock."""
    contents = stock.contents
    nutrient_g_l = contents.nutrients_g_l[injection.nutrient]
    if injection.dose_kg_ha is not None:
        return injection.dose_kg_ha * 1000.0 * field.area_ha / nutrient_g_l
    if injection.dose_g_plant is not None:
        return injection.dose_g_plant * _plants(decisions, field) / nutrient_g_l
    if injection.nutrient_g_m3 is not None:
        return injection.nutrient_g_m3 * injection.inject_m3 / nutrient_g_l
    if injection.stock_l_m3 is not None:
        return injection.stock_l_m3 * injection.inject_m3
    return (injection.product_l_ha or 0.0) * field.area_ha / _liquid_l_l(decisions, stock)


def _plants(decisions: Decisions, field: Field) -> float:
    """Return the plants on the hectares in use."""
    total = 0.0
    for block, area_ha in field.areas_ha.items():
        cycle = cycle_on(decisions, block, field.today)
        if cycle is None or cycle.plants_per_ha is None:
            lacks = "no crop cycle" if cycle is None else "a crop cycle without plants_per_ha"
            reason = f"a dose by the plant needs the plants to the hectare, and block {block} has {lacks} today"
            raise refused("plants", reason)
        total += area_ha * cycle.plants_per_ha
    return total


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


def _by_ec(decisions: Decisions, program: Program, pairs: Pairs, place: int, litres: Litres) -> float:
    """Return the litres of stock that bring the line to its EC over what the water and the other stocks make."""
    injection, stock = pairs[place]
    contents = stock.contents
    if not contents.ec_ms_cm_per_g_l:
        reason = (
            f"EC cannot see stock {contents.stock}, or no bucket was tested of an acid. Prescribe a quantity, or g "
        )
        reason += "of nutrient to the m3"
        raise refused("line EC", reason)
    recommended = {other.nutrient for other, _ in pairs if other.recommendation is not None}
    if recommended & contents.nutrients_g_l.keys():
        both = ", ".join(sorted(recommended & contents.nutrients_g_l.keys()))
        reason = f"stock {contents.stock} brings {both} as well, whose dose is recommended. Give it a quantity"
        raise refused("line EC", reason)
    if program.source is None:
        raise refused("line EC", "the EC of the line is the water's and the stock's: name the program's source")
    water = find(decisions, Water, program.source)
    others = [pairs[other] + (stock_l,) for other, stock_l in litres.items() if program.order == "together"]
    before_ms_cm = water.ec_ms_cm + sum(
        stock_l / other.inject_m3 / 1000.0 * drawn.contents.product_g_l * drawn.contents.ec_ms_cm_per_g_l
        for other, drawn, stock_l in others
    )
    rise_ms_cm = (injection.line_ec_ms_cm or 0.0) - before_ms_cm
    if rise_ms_cm <= 0.0:
        reason = f"the line is to have {injection.line_ec_ms_cm:g} mS/cm, and without stock {contents.stock} it has "
        raise refused("line EC", f"{reason}{before_ms_cm:.2f} already")
    return rise_ms_cm / contents.ec_ms_cm_per_g_l / contents.product_g_l * injection.inject_m3 * 1000.0
