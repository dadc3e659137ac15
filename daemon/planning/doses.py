"""How many litres of stock each way to prescribe comes to."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.agronomy.contents import Contents
from daemon.agronomy.showing import slope_ms_cm_per_g_l
from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Water
from daemon.decisions.watering import Injection, Program, Shift
from daemon.planning.channels import ChannelDose
from daemon.planning.checks import Check, refused, warning
from daemon.planning.dues import quantity_kg
from daemon.planning.field import Field
from daemon.planning.lookup import find
from daemon.planning.matching import met_kg
from daemon.planning.mismatch import check_mismatch
from daemon.planning.recommended import Litres, Pairs, by_recommendation
from daemon.planning.stocks import Drawn

_AS_STRONG = 1.05
"""Times the concentration that is asked for: what may be made of it (common practice, no source)."""
_TRIES = 5


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
    meet, checks = _followed(decisions, program, field)
    litres: dict[int, float] = {}
    for place, (injection, stock) in enumerate(pairs):
        if injection.recommendation is not None or injection.line_ec_ms_cm is not None:
            continue
        due_kg = quantity_kg(decisions, injection, stock, field)
        if due_kg is None:
            litres[place] = _by_water(injection, stock)
            continue
        whole_kg = met_kg(due_kg, field.shares, meet)
        litres[place] = whole_kg * 1000.0 / stock.contents.nutrients_g_l[injection.nutrient]
        checks += tuple(check_mismatch(decisions, injection, stock, whole_kg, due_kg, field))
    recommended_l, told = by_recommendation(decisions, pairs, litres, field, meet)
    litres |= recommended_l
    checks += told
    by_ec = [place for place, (injection, _) in enumerate(pairs) if injection.line_ec_ms_cm is not None]
    if len(by_ec) > 1 and program.order == "together":
        raise refused("line EC", "two injections go by the EC of one line. Give one of them a quantity")
    litres |= {place: _by_ec(decisions, program, pairs, place, litres) for place in by_ec}
    return Prescribed(tuple(litres[place] for place in range(len(pairs))), checks)


def check_strength(injection: Injection, dose: ChannelDose, factor: float) -> tuple[Check, ...]:
    """Return whether an injector can hold the concentration that is asked for; nothing where a quantity is.

    A dose that caps cut by `factor` goes into as much less water.
    """
    if injection.stock_l_m3 is None and injection.nutrient_g_m3 is None and injection.line_ec_ms_cm is None:
        return ()
    wanted_l_m3, given_l_m3 = dose.stock_l / (factor * _water_m3(injection)), 1000.0 * dose.peak_ratio
    reason = f"injector {dose.channel} makes {given_l_m3:.2f} L of stock to the m3 of water, and the program asks for "
    reason += f"{wanted_l_m3:.2f}"
    can = given_l_m3 <= _AS_STRONG * wanted_l_m3
    return (
        Check("concentration", can, reason if can else f"{reason}: its one rate fits no other. Give it a quantity"),
    )


def _followed(decisions: Decisions, program: Program, field: Field) -> tuple[str, tuple[Check, ...]]:
    """Return which blocks' need is to be met tonight, and what to say of it. Raises PlanError for an unknown block."""
    blocks = find(decisions, Shift, program.shift).blocks
    if program.meet in ("mean", "lowest") or program.meet in field.areas_ha:
        return program.meet, ()
    if program.meet not in blocks:
        reason = f"the dose is to be right on block {program.meet}, and shift {program.shift} has {', '.join(blocks)}. "
        raise refused("block match", f"{reason}Name one of them, or mean or lowest")
    reason = f"block {program.meet}, whose dose is to be met, is closed: no block gets more than its own"
    return "lowest", (warning("block match", reason),)


def _by_water(injection: Injection, stock: Drawn) -> float:
    """Return the litres of stock for a concentration of stock or nutrient."""
    if injection.nutrient_g_m3 is not None:
        return injection.nutrient_g_m3 * _water_m3(injection) / stock.contents.nutrients_g_l[injection.nutrient]
    return (injection.stock_l_m3 or 0.0) * _water_m3(injection)


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
        _rise_ms_cm(drawn.contents, stock_l / _water_m3(other) / 1000.0, water) for other, drawn, stock_l in others
    )
    rise_ms_cm = (injection.line_ec_ms_cm or 0.0) - before_ms_cm
    if rise_ms_cm <= 0.0:
        reason = f"the line is to have {injection.line_ec_ms_cm:g} mS/cm, and without stock {contents.stock} it has "
        raise refused("line EC", f"{reason}{before_ms_cm:.2f} already")
    ratio = rise_ms_cm / contents.ec_ms_cm_per_g_l / contents.product_g_l
    for _ in range(_TRIES):  # a gram shows a little less for each more; it settles at once
        ratio *= rise_ms_cm / _rise_ms_cm(contents, ratio, water)
    return ratio * _water_m3(injection) * 1000.0


def _rise_ms_cm(contents: Contents, ratio: float, water: Water) -> float:
    """Return the line's rise by so many litres of a stock in a litre of it."""
    g_l = ratio * contents.product_g_l
    return g_l * slope_ms_cm_per_g_l(contents, g_l, water)


def _water_m3(injection: Injection) -> float:
    """Return the water of a concentration. Raises PlanError where the plan is to find it and an EC rests on it."""
    if injection.inject_m3 is None:
        reason = f"the EC of the line counts what stock {injection.stock} makes of it, whose water is not said: give "
        raise refused("line EC", f"{reason}its inject_m3")
    return injection.inject_m3
