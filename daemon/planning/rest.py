"""What a run that was cut off still owes: the same stock and water, never given twice."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.recipe import Recipe

_LEAST = 0.05
"""Of the plan: less than this is not worth a run of its own (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left of a run."""

    stock_l: Mapping[str, float]
    """By stock; those that are in are not in it."""
    water_m3: float


def rest_of(recipe: Recipe, injected_l: Mapping[str, float], water_l: float) -> Rest:
    """Return what is left of a run when `injected_l` (by channel) and `water_l` have passed.

    Stock that was injected counts whole, wherever in the pipes it was when the water stopped.
    """
    left_l = {plan.stock: plan.stock_l - injected_l.get(plan.channel, 0.0) for plan in recipe.channels}
    least_l = {plan.stock: _LEAST * plan.stock_l for plan in recipe.channels}
    stock_l = {stock: litres for stock, litres in left_l.items() if litres > least_l[stock]}
    return Rest(stock_l, max(0.0, recipe.water_l - water_l) / 1000.0)
