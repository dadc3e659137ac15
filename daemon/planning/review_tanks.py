"""What does not fit together in the decisions about products, stock solutions and tanks."""

from collections.abc import Iterator

from daemon.agronomy.products import ProductError, known_names, substance_of
from daemon.agronomy.tank import log_of
from daemon.decisions.shed import Delivery, ShedCount
from daemon.decisions.tanks import BucketTest, JarTest, Mix, Product, Stock, Water
from daemon.planning.decided import Decided, unknown
from daemon.site_checks import Standing
from drivers.profile import Problem

_HEEL_SLACK = 1.05
"""A gauge or a dip may show so much more than the log has (common practice, no source)."""


def check_tanks(standing: Standing | None, decided: Decided) -> Iterator[Problem]:
    """Yield what does not fit together in them, and in them and what stands of the site."""
    for key in decided.of(Product):
        yield from _check_product(decided, key)
    if standing is not None:
        yield from _check_places(standing, decided)
    known = [*known_names(decided.of(Product)), *decided.names(Product)]
    for key, stock in decided.of(Stock).items():
        for name in stock.products_g_l:
            yield from unknown(f"stock.{key}.products_g_l", name, known, "a product of this file or a built-in salt")
        if stock.source is not None:
            yield from unknown(f"stock.{key}.source", stock.source, decided.names(Water), "a water of this file")
    in_shed = {f"delivery.{key}": one.product for key, one in decided.of(Delivery).items()}
    in_shed |= {f"shed_count.{key}": one.product for key, one in decided.of(ShedCount).items()}
    for where, product in in_shed.items():
        yield from unknown(f"{where}.product", product, known, "a product of this file or a built-in salt")
    for key, mix in decided.of(Mix).items():
        yield from _check_mix(decided, known, key, mix)
    for key, test in decided.of(BucketTest).items():
        where, mixes = f"bucket_test.{key}.mix", decided.of(Mix)
        yield from unknown(where, test.mix, decided.names(Mix), "a mix of this file")
        if test.mix in mixes and mixes[test.mix].did != "filled":
            yield Problem(where, f"{test.mix!r}, a draining", "a filling")
        elif test.mix in mixes and mixes[test.mix].at > test.at:
            yield Problem(f"bucket_test.{key}.at", test.at.isoformat(), f"a time after its mix, {test.mix}")
    for key, jar in decided.of(JarTest).items():
        for name in jar.products_g_l:
            yield from unknown(f"jar_test.{key}.products_g_l", name, known, "a product of this file or a built-in salt")


def _check_product(decided: Decided, key: str) -> Iterator[Problem]:
    try:
        substance_of(key, decided.of(Product))
    except ProductError as error:
        yield Problem(f"product.{key}", "a label that cannot be so", "one that adds up", str(error))


def _check_places(standing: Standing, decided: Decided) -> Iterator[Problem]:
    drawn = {injector.tank for injector in standing.injector.values()}
    all_stand = len(standing.injector) == len(standing.names["injector"])
    tanks = list(standing.names["tank"])
    for key, stock in decided.of(Stock).items():
        where = f"stock.{key}.tank"
        yield from unknown(where, stock.tank, tanks, "a tank of the site")
        if stock.tank in tanks and all_stand and stock.tank not in drawn:
            yield Problem(where, repr(stock.tank), "a tank that an injector draws from")
    for key, mix in decided.of(Mix).items():
        yield from unknown(f"mix.{key}.tank", mix.tank, tanks, "a tank of the site")
        made, tank = decided.of(Stock).get(mix.stock or ""), standing.tank.get(mix.tank)
        if made is not None and made.tank in tanks and mix.tank in tanks and made.tank != mix.tank:
            yield Problem(f"mix.{key}.tank", repr(mix.tank), f"{made.tank!r}, the tank of stock {mix.stock}")
        for name, litres in (("heel_l", mix.heel_l), ("filled_to_l", mix.filled_to_l), ("water_l", mix.water_l)):
            if tank is not None and litres is not None and litres > tank.volume_l:
                yield Problem(f"mix.{key}.{name}", f"{litres:g}", f"at most the tank's {tank.volume_l:g} L")
    for name in tanks:
        yield from _check_log(decided, name)


def _check_mix(decided: Decided, known: list[str], key: str, mix: Mix) -> Iterator[Problem]:
    for number, portion in enumerate(mix.portions):
        where = f"mix.{key}.portions.{number}.product"
        yield from unknown(where, portion.product, known, "a product of this file or a built-in salt")
    if mix.stock is not None:
        yield from unknown(f"mix.{key}.stock", mix.stock, decided.names(Stock), "a stock of this file")


def _check_log(decided: Decided, tank: str) -> Iterator[Problem]:
    """Yield the heels that a tank's log cannot have left."""
    held_l = 0.0
    for entry in log_of(tank, decided.right):
        where, heel_l = f"mix.{entry.key}.heel_l", entry.mix.heel_l
        if heel_l and not held_l:
            hint = f"Enter what it is left of, or a draining to 0 L before {entry.key}"
            yield Problem(where, f"{heel_l:g}", f"0: by its log tank {tank} was empty", hint)
        elif heel_l > _HEEL_SLACK * held_l:
            yield Problem(where, f"{heel_l:g}", f"at most the {held_l:.0f} L that tank {tank} held by its log")
        held_l = entry.contents.litres if entry.contents is not None else entry.mix.filled_to_l or heel_l
