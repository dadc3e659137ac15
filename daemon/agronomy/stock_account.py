"""Where a season's product went: bought, mixed, injected, drained, still in a tank or in the shed; and what is missing.

Two balances. The shed's: what was there, plus deliveries, less what went into tanks, against each count. The tanks':
what was in them, plus what went in, less what the meters say was injected and what was drained, against the heel that
somebody found before each filling. Neither is forced to close.
"""

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from daemon.agronomy.contents import Contents
from daemon.agronomy.past import PastRun
from daemon.agronomy.tank import Entry
from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.shed import Delivery, ShedCount
from daemon.decisions.tanks import Mix, Stock


@dataclass(frozen=True, slots=True)
class ProductAccount:
    """One product over a time, in kg as it is weighed."""

    product: str
    shed_before_kg: float | None
    """By the book; None where nobody had told of it before."""
    bought_kg: float
    mixed_kg: float
    """What went into tanks."""
    shed_left_kg: float | None
    """By the newest count and what came and went since; below 0 where more was mixed than ever arrived. None where
    neither a delivery nor a count was entered."""
    counted_off_kg: float | None
    """What the counts found above the book, below 0 for less; None without a count that had a book before it."""
    tanks_before_kg: float
    injected_kg: float
    """By the injectors' meters."""
    drained_kg: float
    in_tanks_kg: float
    """By the book."""
    u_kg: float
    """k = 2 of what is unaccounted for: the meters' and the weighing's."""

    @property
    def unaccounted_kg(self) -> float:
        """Return what went into the tanks and is neither injected, drained nor there; below 0 for more than went in."""
        return self.tanks_before_kg + self.mixed_kg - self.injected_kg - self.drained_kg - self.in_tanks_kg

    @property
    def unaccounted_pct(self) -> float:
        """Return the same in percent of what was in the tanks or went in; 0 where nothing was."""
        whole_kg = self.tanks_before_kg + self.mixed_kg
        return 100.0 * self.unaccounted_kg / whole_kg if whole_kg else 0.0

    @property
    def closes(self) -> bool:
        """Return whether the tanks' balance closes within what its figures are unsure of."""
        return abs(self.unaccounted_kg) <= self.u_kg


@dataclass(slots=True)
class _Sums:
    tanks_before_kg: float = 0.0
    mixed_kg: float = 0.0
    injected_kg: float = 0.0
    u_injected_kg: float = 0.0
    """One meter errs the same way every night: added, and not in quadrature."""
    u_put_in_kg: float = 0.0
    """Of the weighing and filling, in the time and before it."""
    drained_kg: float = 0.0
    in_tanks_kg: float = 0.0


@dataclass(slots=True)
class _Shed:
    kg: float | None = None
    before_kg: float | None = None
    bought_kg: float = 0.0
    counted_off_kg: float | None = None


@dataclass(slots=True)
class _Span:
    first: datetime
    end: datetime
    sums: defaultdict[str, _Sums] = field(default_factory=lambda: defaultdict(_Sums))
    notes: list[str] = field(default_factory=list)

    def has(self, moment: datetime) -> bool:
        return self.first <= moment < self.end


def product_accounts(
    decisions: Decisions,
    logs: Mapping[str, Sequence[Entry]],
    runs: Sequence[PastRun],
    first: datetime,
    end: datetime,
) -> tuple[tuple[ProductAccount, ...], tuple[str, ...]]:
    """Return every product's account from `first` until before `end`, and why parts of it cannot be told.

    `logs` are the tanks' by their names (`log_of`); `runs` all that ended, at least from the last filling before
    `first` on.
    """
    span = _Span(first, end)
    drawn: defaultdict[str, list[tuple[datetime, float, float]]] = defaultdict(list)
    for run in runs:
        for draw in run.draws:
            drawn[draw.batch].append((run.at, draw.stock_l, draw.u_l))
    for log in logs.values():
        for entry, following in zip(log, [*log[1:], None], strict=True):
            if entry.mix.at < end and (following is None or following.mix.at >= first):
                _follow(span, decisions, entry, following, drawn)
    known = {entry.contents.batch for log in logs.values() for entry in log if entry.contents is not None}
    strays_l = sum(
        litres for batch, rows in drawn.items() if batch not in known for at, litres, _ in rows if span.has(at)
    )
    if strays_l > 0.0:
        span.notes.append(f"{strays_l:.1f} L were injected from a tank whose filling nobody entered")
    sheds = {product: _shed(decisions, logs, product, first, end) for product in _products(decisions, span)}
    return tuple(_account(product, sheds[product], span.sums[product]) for product in sorted(sheds)), tuple(span.notes)


def _follow(
    span: _Span,
    decisions: Decisions,
    entry: Entry,
    following: Entry | None,
    drawn: Mapping[str, Sequence[tuple[datetime, float, float]]],
) -> None:
    """Book one entry of a tank's log, and what happened to the tank until the next one."""
    if span.has(entry.mix.at):
        stock = decisions.get((Stock.kind, entry.mix.stock or ""))
        accuracy = stock.strength_accuracy_pct / 100.0 if isinstance(stock, Stock) else 0.0
        for portion in entry.mix.portions:
            span.sums[portion.product].mixed_kg += portion.kg
            span.sums[portion.product].u_put_in_kg += accuracy * portion.kg
    contents = entry.contents
    if contents is None:
        if entry.why_unknown:
            span.notes.append(entry.why_unknown)
        return
    begins, ends = entry.mix.at, following.mix.at if following is not None else None
    rows = [row for row in drawn.get(contents.batch, ()) if row[0] >= begins and (ends is None or row[0] < ends)]
    before_l = sum(litres for at, litres, _ in rows if at < span.first)
    during = [row for row in rows if span.has(row[0])]
    left_l = contents.litres - before_l - sum(litres for _, litres, _ in during)
    for product, kg_l in _strengths(contents):
        sums = span.sums[product]
        sums.injected_kg += kg_l * sum(litres for _, litres, _ in during)
        sums.u_injected_kg += kg_l * sum(u_l for _, _, u_l in during)
        if begins < span.first:
            held_kg = kg_l * (contents.litres - before_l)
            sums.tanks_before_kg += held_kg
            sums.u_put_in_kg += contents.strength_accuracy_pct / 100.0 * held_kg
        if ends is None or ends >= span.end:
            sums.in_tanks_kg += kg_l * left_l
        elif following is not None and span.has(following.mix.at) and following.mix.did == "drained":
            sums.drained_kg += kg_l * max(0.0, left_l - following.mix.heel_l)


def _strengths(contents: Contents) -> Iterator[tuple[str, float]]:
    """Yield each product and its kg in a litre."""
    return ((product, g_l / 1000.0) for product, g_l in contents.products_g_l.items())


def _products(decisions: Decisions, span: _Span) -> set[str]:
    told: list[Delivery | ShedCount] = [*of_kind(decisions, Delivery).values()]
    told += of_kind(decisions, ShedCount).values()
    return {one.product for one in told if one.at < span.end} | span.sums.keys()


def _shed(
    decisions: Decisions, logs: Mapping[str, Sequence[Entry]], product: str, first: datetime, end: datetime
) -> _Shed:
    """Follow the shed's book from its first entry to the end of the time."""
    shed, has_begun = _Shed(), False
    for at, what in _shed_events(decisions, logs, product):
        if at >= end:
            break
        if at >= first and not has_begun:
            shed.before_kg, has_begun = shed.kg, True
        match what:
            case Delivery(kg=kg):
                shed.kg = (shed.kg or 0.0) + kg
                shed.bought_kg += kg if has_begun else 0.0
            case ShedCount(kg=kg):
                if shed.kg is not None and has_begun:
                    shed.counted_off_kg = (shed.counted_off_kg or 0.0) + kg - shed.kg
                shed.kg = kg
            case Mix() if shed.kg is not None:
                shed.kg -= sum(portion.kg for portion in what.portions if portion.product == product)
    if not has_begun:
        shed.before_kg = shed.kg
    return shed


def _shed_events(
    decisions: Decisions, logs: Mapping[str, Sequence[Entry]], product: str
) -> list[tuple[datetime, Delivery | ShedCount | Mix]]:
    events: list[tuple[datetime, Delivery | ShedCount | Mix]] = [
        (one.at, one) for one in of_kind(decisions, Delivery).values() if one.product == product
    ]
    events += [(one.at, one) for one in of_kind(decisions, ShedCount).values() if one.product == product]
    if events:  # else nobody told of the shed, and there is no book
        events += [(entry.mix.at, entry.mix) for log in logs.values() for entry in log]
    return sorted(events, key=lambda event: event[0])


def _account(product: str, shed: _Shed, sums: _Sums) -> ProductAccount:
    return ProductAccount(
        product=product,
        shed_before_kg=shed.before_kg,
        bought_kg=shed.bought_kg,
        mixed_kg=sums.mixed_kg,
        shed_left_kg=shed.kg,
        counted_off_kg=shed.counted_off_kg,
        tanks_before_kg=sums.tanks_before_kg,
        injected_kg=sums.injected_kg,
        drained_kg=sums.drained_kg,
        in_tanks_kg=sums.in_tanks_kg,
        u_kg=math.hypot(sums.u_injected_kg, sums.u_put_in_kg),
    )
