"""What is in a tank: its log of fillings and drainings, followed from the first entry to the moment that is asked for.

Nothing is kept beside the decisions, so a corrected mix changes all that came after it. A tank is taken as well
stirred: what is drawn from it changes its litres and not its strength.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from daemon.agronomy.contents import Contents
from daemon.agronomy.density import solution_l
from daemon.agronomy.products import ProductError, substance_of
from daemon.agronomy.showing import MIX_LOSS, SEEN_MS_CM_PER_G_L
from daemon.agronomy.substance import Substance
from daemon.decisions.base import Decisions, Sorted, of_kind
from daemon.decisions.tanks import BucketTest, Mix, Product, Stock, Water

_AS_MADE_UP = 0.05
"""By so much may the tank differ from the stock's make-up (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a tank's log."""

    key: str
    mix: Mix
    contents: Contents | None
    """What the tank holds after it; None when it is empty, or when nobody can tell."""
    why_unknown: str
    """Why nobody can tell; else empty."""


class _UnknownError(Exception):
    """What is in the tank cannot be told. Says why."""


@dataclass(frozen=True, slots=True)
class _Solution:
    stock: str
    batch: str
    litres: float
    products_g_l: Mapping[str, float]


_EMPTY = _Solution("", "", 0.0, {})


def log_of(tank: str, decisions: Decisions) -> tuple[Entry, ...]:
    """Return what was done to a tank, in order of time, with what it held after each."""
    if isinstance(decisions, Sorted):
        return decisions.once(("log", tank), lambda: _log_of(tank, decisions))
    return _log_of(tank, decisions)


def _log_of(tank: str, decisions: Decisions) -> tuple[Entry, ...]:
    mixes = [(mix.at, key, mix) for key, mix in of_kind(decisions, Mix).items() if mix.tank == tank]
    entries: list[Entry] = []
    solution: _Solution | None = _EMPTY
    for _, key, mix in sorted(mixes, key=lambda item: item[:2]):
        before, solution = solution, None
        contents, why_unknown = None, ""
        try:
            solution = _after(before, key, mix, decisions)
            contents = _contents(tank, solution, mix.at, decisions) if solution.litres else None
        except (_UnknownError, ProductError) as error:
            why_unknown = f"mix {key}: {error}"
        entries.append(Entry(key, mix, contents, why_unknown))
    return tuple(entries)


def entry_at(tank: str, decisions: Decisions, when: datetime) -> Entry | None:
    """Return the newest entry of a tank's log at `when`, with its zone; None before the first."""
    return next((entry for entry in reversed(log_of(tank, decisions)) if entry.mix.at <= when), None)


def contents_at(tank: str, decisions: Decisions, when: datetime) -> Contents | None:
    """Return what a tank held at `when`, with its zone; None when it was empty, or when nobody can tell."""
    entry = entry_at(tank, decisions, when)
    return None if entry is None else entry.contents


def contents_of(tank: str, decisions: Decisions) -> Contents | None:
    """Return what a tank holds after the newest entry of its log; None when it is empty, or when nobody can tell."""
    log = log_of(tank, decisions)
    return log[-1].contents if log else None


def not_as_made_up(contents: Contents, stock: Stock) -> str:
    """Return in what the tank differs from the make-up of its stock solution; empty when it does not."""
    names = sorted({*contents.products_g_l, *stock.products_g_l})
    pairs = {name: (contents.products_g_l.get(name, 0.0), stock.products_g_l.get(name, 0.0)) for name in names}
    least_g_l = _AS_MADE_UP * sum(stock.products_g_l.values())
    wrong = [
        f"{held:.1f} g/L of {name} and not {wanted:.1f}"
        for name, (held, wanted) in pairs.items()
        if abs(held - wanted) > (_AS_MADE_UP * wanted or least_g_l)
    ]
    return f"tank {contents.tank} holds {', '.join(wrong)}" if wrong else ""


def products_slope(parts: Sequence[tuple[Substance, float]], decisions: Decisions) -> float | None:
    """Return the rise of EC in pure water for each gram of the mix in a litre; None where the water decides it.

    That is an acid or an alkali whose label does not say what it makes of the water that is used.
    """
    for substance, _ in parts:
        label = decisions.get((Product.kind, substance.name))
        is_said = isinstance(label, Product) and label.ec_ms_cm_per_g_l is not None
        if substance.nature != "neutral" and not is_said:
            return None
    product_g_l = sum(g_l for _, g_l in parts)
    return sum(substance.ec_ms_cm_per_g_l * g_l for substance, g_l in parts) / product_g_l if product_g_l else 0.0


def _after(before: _Solution | None, key: str, mix: Mix, decisions: Decisions) -> _Solution:
    """Return the solution after one entry; `before` is None when nobody can tell what it was."""
    if not mix.heel_l:
        before = _EMPTY
    elif before is None or not before.litres:
        known = "nobody can tell what was in it" if before is None else "the tank was empty"
        raise _UnknownError(
            f"it has a heel of {mix.heel_l:g} L, and {known}. Enter the mix that the heel is left of, or a draining to "
            "0 L before this filling"
        )
    if mix.did == "drained":
        return _Solution(before.stock, before.batch, mix.heel_l, before.products_g_l)
    if mix.filled_to_l is not None:
        litres = mix.filled_to_l
    else:
        substances = _substances((portion.product for portion in mix.portions), decisions)
        parts = [(substances[portion.product], portion.kg) for portion in mix.portions]
        litres = mix.heel_l + solution_l(parts, mix.water_l or 0.0)
    masses_g = {name: g_l * mix.heel_l for name, g_l in before.products_g_l.items()}
    for portion in mix.portions:
        masses_g[portion.product] = masses_g.get(portion.product, 0.0) + 1000.0 * portion.kg
    return _Solution(mix.stock or "", key, litres, {name: grams / litres for name, grams in masses_g.items()})


def _contents(tank: str, solution: _Solution, since: datetime, decisions: Decisions) -> Contents:
    stock = decisions.get(("stock", solution.stock))
    if not isinstance(stock, Stock):
        raise _UnknownError(f"it names stock {solution.stock!r}, which is not decided. Decide it, or correct the mix")
    substances = _substances(solution.products_g_l, decisions)
    parts = [(substances[name], g_l) for name, g_l in solution.products_g_l.items()]
    product_g_l = sum(solution.products_g_l.values())
    by_products = products_slope(parts, decisions)
    test = _newest_test(solution.batch, decisions)
    bucket_g_l = None if test is None else product_g_l * _stock_share(test)
    slope = (by_products or 0.0) * MIX_LOSS if test is None else _bucket_rise_ms_cm(test) / (bucket_g_l or math.inf)
    water = decisions.get((Water.kind, stock.source or ""))
    return Contents(
        tank=tank,
        stock=solution.stock,
        batch=solution.batch,
        since=since,
        litres=solution.litres,
        products_g_l=solution.products_g_l,
        nutrients_g_l=_summed((s.nutrients_g_g, g_l) for s, g_l in parts),
        nitrogen_g_l=_summed((s.nitrogen_g_g, g_l) for s, g_l in parts),
        product_g_l=product_g_l,
        solutes=tuple(parts),
        made_with=water if isinstance(water, Water) else None,
        ec_ms_cm_per_g_l=slope if slope >= SEEN_MS_CM_PER_G_L else 0.0,
        products_ec_ms_cm_per_g_l=by_products,
        bucket_g_l=bucket_g_l,
        strength_accuracy_pct=stock.strength_accuracy_pct,
    )


def _substances(names: Iterable[str], decisions: Decisions) -> dict[str, Substance]:
    products = of_kind(decisions, Product)
    return {name: substance_of(name, products) for name in names}


def _summed(parts: Iterable[tuple[Mapping[str, float], float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for per_gram, g_l in parts:
        for name, g_g in per_gram.items():
            total[name] = total.get(name, 0.0) + g_g * g_l
    return total


def _newest_test(batch: str, decisions: Decisions) -> BucketTest | None:
    tests = [test for test in of_kind(decisions, BucketTest).values() if test.mix == batch]
    return max(tests, key=lambda test: test.at, default=None)


def _stock_share(test: BucketTest) -> float:
    """Return the litres of stock in a litre of the bucket."""
    return test.stock_ml / 1000.0 / (test.stock_ml / 1000.0 + test.water_l)


def _bucket_rise_ms_cm(test: BucketTest) -> float:
    """Return the rise of EC in the bucket over the water's own share of it."""
    return test.mixed_ec_ms_cm - test.water_ec_ms_cm * (1.0 - _stock_share(test))
