"""How to make up a stock solution: what it does to the temperature, and in what order things go in."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.agronomy.substance import Substance

_WATER_J_G_K = 4.18
_PRODUCT_J_G_K = 1.2
"""Specific heat of a product: from 0.9 for potassium nitrate to 1.7 for ammonium nitrate (from memory, not confirmed).
A tenth of the whole at most, so one figure does."""
_COOLS_J_G = 100.0
"""Heat taken up by a gram, from which a product goes in last (common practice, no source)."""
_COOLS_K = 5.0
"""Fall of temperature that is worth a word (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of mixing."""

    what: str
    cautions: tuple[str, ...] = ()


def cooling_k(parts: Sequence[tuple[Substance, float]], added_water_g_l: float) -> float | None:
    """Return by how much all of it, dissolved at once, cools the water: an upper bound, in kelvin; negative warms.

    `parts` are grams in a litre of solution. None where a salt's heat of solution is not known; liquids of unknown heat
    count for nothing, for acids warm.
    """
    if any(substance.heat_j_g is None and not substance.is_liquid for substance, _ in parts):
        return None
    heat_j = math.fsum(g_l * (substance.heat_j_g or 0.0) for substance, g_l in parts)
    products_g = math.fsum(g_l for _, g_l in parts)
    return heat_j / (added_water_g_l * _WATER_J_G_K + products_g * _PRODUCT_J_G_K) if parts else 0.0


def mixing_order(parts: Sequence[tuple[Substance, float]], cools_k: float | None) -> tuple[Step, ...]:
    """Return the steps: water, acids into it, liquids, salts, those that cool it last, and the rest of the water.

    Common practice, no source.
    """
    if not parts:
        return ()
    cold = cools_k is not None and cools_k > _COOLS_K
    warm_water = (f"dissolving cools it by up to {cools_k:.0f} °C: take the warmest water at hand",) if cold else ()
    return (
        Step("fill the tank half to two thirds with water", warm_water),
        *(
            Step(_adding(substance), substance.cautions)
            for substance in sorted((substance for substance, _ in parts), key=_turn)
        ),
        Step(
            "fill up to the mark with water and stir again",
            ("wait until it has warmed and all is dissolved",) if cold else (),
        ),
    )


def _turn(substance: Substance) -> tuple[int, float]:
    heat_j_g = substance.heat_j_g or 0.0
    if substance.nature == "acid":
        return 0, heat_j_g
    if substance.is_liquid:
        return 1, heat_j_g
    return (3 if heat_j_g >= _COOLS_J_G else 2), heat_j_g


def _adding(substance: Substance) -> str:
    if substance.is_liquid:
        return f"pour in {substance.title} slowly, stirring"
    return f"add {substance.title} and stir until it is dissolved"
