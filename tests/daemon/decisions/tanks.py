"""Tanks for the tests: a product made for the figures that are wanted, its stock solution, and one filling of it."""

from collections.abc import Mapping
from datetime import datetime, timedelta, timezone

from daemon.decisions.base import Decisions
from daemon.decisions.tanks import Mix, Portion, Product, Stock

MIXED_AT = datetime(2026, 10, 13, 8, 0, tzinfo=timezone(timedelta(hours=10.5)))
NOW = MIXED_AT + timedelta(hours=14)
"""That evening, at Adelaide."""


def tank_of(
    key: str,
    tank: str,
    nutrients_g_l: Mapping[str, float],
    *,
    product_g_l: float,
    ec_ms_cm_per_g_l: float,
    litres: float = 800.0,
    batch: str = "",
    at: datetime = MIXED_AT,
) -> Decisions:
    """Return what people decide for `tank` to hold so many litres of a stock solution of this strength.

    Nitrogen is urea's, which leaves a label room for all the rest.
    """
    items = {"N_urea" if name == "N" else name: g_l for name, g_l in nutrients_g_l.items()}
    product = Product(
        title="made up",
        form="solid",
        basis="w/w",
        figures="elemental",
        analysis_pct={name: 100.0 * g_l / product_g_l for name, g_l in items.items()},
        ec_ms_cm_per_g_l=ec_ms_cm_per_g_l,
    )
    stock = Stock(tank=tank, products_g_l={f"{key}_bag": product_g_l}, coldest_c=10.0, strength_accuracy_pct=2.0)
    mix = Mix(
        tank=tank,
        did="filled",
        at=at,
        by="Mina",
        heel_l=0.0,
        stock=key,
        portions=(Portion(product=f"{key}_bag", kg=product_g_l * litres / 1000.0),),
        filled_to_l=litres,
    )
    return {("product", f"{key}_bag"): product, ("stock", key): stock, ("mix", batch or f"{tank}_1"): mix}
