"""The account of the pipes: what stock is in them, what flush is owed, and what each block has received."""

import math
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.dosing.estimates import Way, k2_of_class_pct, meter_doses
from daemon.evidence import Dose, Evidence, FlushCleared, FlushOwed, Unscheduled
from daemon.hydraulics.transport import clean_line, displace
from daemon.recipe import BlockPlan, Recipe
from daemon.site import Site
from daemon.units import millilitres

MAIN = "main"
_NONE_YET: Final[Mapping[Any, Any]] = MappingProxyType({})
_STEP = 0.01
"""Part of a block's pipe volume in which its water moves on: finer costs time and tells no more."""
_UNSCHEDULED_WATER_L = 100.0
_UNSCHEDULED_STOCK_L = 0.1
"""Less than this moved outside a run is not worth a row yet; it is kept and booked with what follows."""


class Owed(NamedTuple):
    """Water that must still pass a segment before stock may enter it again."""

    segment: str
    """A block, or MAIN."""
    stock: str
    run: str
    full_l: float
    """From the last injected litre on."""
    left_l: float


class BlockLine(NamedTuple):
    """One channel's stock in one block's pipes."""

    share: float
    """Part of the shift's flow that goes down them."""
    way: Way
    water_l: float = 0.0
    """Waiting at the inlet, with `stock_l` evenly in it."""
    stock_l: float = 0.0
    frozen_l: float = 0.0
    """Metered and perhaps gone to a drain or a leak: none of it counts as displaced, and some of it may have been."""


class Lines(NamedTuple):
    """Memory of the account."""

    pipes: Mapping[tuple[str, str], BlockLine] = _NONE_YET
    """By (channel, block), for the run under way or just ended."""
    owed: tuple[Owed, ...] = ()
    unscheduled_l: Mapping[str, float] = _NONE_YET
    is_blind: bool = False
    """Water passed in this run that the totaliser did not count: where the stock in the pipes is now is not known."""
    hoses: Mapping[str, str] = _NONE_YET
    """The batch that each channel's hose was last filled with."""


def lay(site: Site, recipe: Recipe, memory: Lines) -> Lines:
    """Return the account with clean pipes for a new run."""
    return memory._replace(
        pipes={
            (channel.channel, block.block): _clean(site, block)
            for channel in recipe.channels
            for block in recipe.blocks
        },
        is_blind=False,
    )


def _clean(site: Site, block: BlockPlan) -> BlockLine:
    # Errors of the main meter and of the block's share shift every displaced litre as a wrong pipe volume would.
    meter_pct = k2_of_class_pct(site.main.water.accuracy_pct_of_reading)
    band = math.hypot(block.path.accuracy_pct, meter_pct, block.share_accuracy_pct) / 100.0
    path = block.path
    return BlockLine(block.share, Way(clean_line(path), clean_line(path, 1.0 - band), clean_line(path, 1.0 + band)))


def flow_on(memory: Lines, facts: Facts, stock_l: Mapping[str, float], fit: float) -> Lines:
    """Return the account after this scan's water, and the stock of each channel, went down the pipes.

    `fit` is the flow in times of the shift's own: what is more may have gone another way.
    """
    is_blind = memory.is_blind or facts.water_stands or MAIN in facts.counter_resets
    if is_blind != memory.is_blind:
        memory = memory._replace(is_blind=is_blind)
    water_l = facts.water_moved_l / max(1.0, fit) if facts.displaces else 0.0
    frozen_l = facts.water_moved_l - water_l
    if facts.water_moved_l <= 0.0 and not any(stock_l.values()):
        return memory
    pipes = {
        (channel, name): _let_in(pipe, water_l * pipe.share, stock_l[channel] * pipe.share, frozen_l * pipe.share)
        for (channel, name), pipe in memory.pipes.items()
    }
    return Lines(pipes, memory.owed, memory.unscheduled_l, is_blind, memory.hoses)


def _let_in(pipe: BlockLine, water_l: float, stock_l: float, frozen_l: float) -> BlockLine:
    """Let water and stock wait at the inlet until they are worth moving the pipes' content for."""
    line = pipe.way.line
    waiting = BlockLine(pipe.share, pipe.way, pipe.water_l + water_l, pipe.stock_l + stock_l, pipe.frozen_l + frozen_l)
    least_l = _STEP * (line.main_l + line.submain_l + line.lateral_l)
    return _moved_on(waiting) if waiting.water_l + waiting.frozen_l >= least_l else waiting


def _moved_on(pipe: BlockLine) -> BlockLine:
    """Return the pipes with nothing waiting at the inlet."""
    water_l, stock_l = pipe.water_l, pipe.stock_l
    line, short, long = pipe.way
    return BlockLine(
        pipe.share,
        Way(
            displace(line, water_l, stock_l),
            displace(short, water_l + pipe.frozen_l, stock_l),
            displace(long, water_l, stock_l),
        ),
    )


def owe(run: Run, memory: Lines, channels: frozenset[str]) -> tuple[Lines, tuple[Evidence, ...]]:
    """Enter the flush that these channels' injection will owe, for each block and the shared main, before it begins."""
    owed, rows = list(memory.owed), []
    recipe = run.recipe
    factor = recipe.flush_l / max(block.path.transit_l / block.share for block in recipe.blocks)
    litres = {MAIN: recipe.main_l * factor} if recipe.main_l else {}
    litres |= {block.block: recipe.flush_l * block.share for block in recipe.blocks}
    for plan in recipe.channels:
        if plan.channel not in channels:
            continue
        for segment, full_l in litres.items():
            if any(o.segment == segment and o.stock == plan.stock and o.run == recipe.run for o in owed):
                continue
            owed.append(Owed(segment, plan.stock, recipe.run, full_l, full_l))
            rows.append(FlushOwed(segment, plan.stock, recipe.run, millilitres(full_l)))
    return memory._replace(owed=tuple(owed)), tuple(rows)


def pay(
    run: Run, memory: Lines, facts: Facts, loading: frozenset[str], fit: float
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Let this scan's water pay what is owed on the open path.

    `fit` is the flow in times of the shift's own. More than that may have gone another way and pays nothing; with less
    some valve may be shut, and only what all of it passes is flushed. `loading` names the channels whose stock enters,
    from their intent on: all that is owed for it is owed again, and all that is owed at all where a channel that is not
    of this run moves. Water that the filter's drain took pays nothing.
    """
    if not memory.owed:
        return memory, ()
    water_l = facts.water_moved_l / max(1.0, fit) if facts.displaces else 0.0
    if not loading and water_l <= 0.0:
        return memory, ()
    stocks = {plan.stock for plan in run.recipe.channels if plan.channel in loading}
    is_foreign = any(channel not in run.channels for channel in loading)
    owed, rows = [], []
    for item in memory.owed:
        share = _share(run.recipe, item.segment)
        if share == 0.0:
            owed.append(item)
        elif is_foreign or item.stock in stocks:
            owed.append(item if item.left_l == item.full_l else item._replace(left_l=item.full_l))
        else:
            left_l = item.left_l - (water_l * share if share == 1.0 or fit >= 1.0 else 0.0)
            if left_l > 0.0:
                owed.append(item._replace(left_l=left_l))
            else:
                rows.append(FlushCleared(item.segment, item.stock, millilitres(item.full_l), "flush volume passed"))
    return memory._replace(owed=tuple(owed)), tuple(rows)


def owed_on_path(recipe: Recipe, memory: Lines) -> float:
    """Return the water, at the main meter, that the shift must still pass before its pipes are flushed."""
    return _most_on_path(recipe, memory.owed, lambda item: item.left_l)


def whole_on_path(recipe: Recipe, memory: Lines) -> float:
    """Return the same as if none of it had passed yet."""
    return _most_on_path(recipe, memory.owed, lambda item: item.full_l)


def _most_on_path(recipe: Recipe, owed: Iterable[Owed], litres_of: Callable[[Owed], float]) -> float:
    most_l = 0.0
    for item in owed:
        share = _share(recipe, item.segment)
        if share > 0.0:
            most_l = max(most_l, litres_of(item) / share)
    return most_l


def _share(recipe: Recipe, segment: str) -> float:
    """Return the part of the shift's flow that passes a segment; 0 for one that is not on its path."""
    if segment == MAIN:
        return 1.0
    for block in recipe.blocks:
        if block.block == segment:
            return block.share
    return 0.0


def outside_run(memory: Lines, facts: Facts) -> tuple[Lines, tuple[Evidence, ...]]:
    """Book water and stock that move while nothing runs."""
    if not facts.water_moved_l and not any(channel.moved_l for channel in facts.channels.values()):
        return memory, ()
    moved = {MAIN: facts.water_moved_l} | {name: channel.moved_l for name, channel in facts.channels.items()}
    return unscheduled(memory, moved, "moved while nothing was running")


def unscheduled(memory: Lines, moved: Mapping[str, float], why: str) -> tuple[Lines, tuple[Evidence, ...]]:
    """Book litres of water and stock that belong to no run."""
    totals, rows = dict(memory.unscheduled_l), []
    for name, litres in moved.items():
        total = totals.get(name, 0.0) + litres
        least = _UNSCHEDULED_WATER_L if name == MAIN else _UNSCHEDULED_STOCK_L
        if total >= least:
            rows.append(Unscheduled(name, millilitres(total), "measured", why))
            total = 0.0
        totals[name] = total
    return memory._replace(unscheduled_l=totals), tuple(rows)


def doses(site: Site, run: Run, memory: Lines, *, has_ended: bool = False) -> tuple[Dose, ...]:
    """Return the run's dose rows as they stand. At its end the pressure is gone and what drains has drained."""
    rows: list[Dose] = []
    for plan in run.recipe.channels:
        accuracy_pct = site.injector[plan.channel].meter.accuracy_pct_of_reading
        unknown_l = plan.hose_l if memory.hoses.get(plan.channel) != plan.batch else 0.0
        for block in run.recipe.blocks:
            rows += meter_doses(
                run.recipe.run,
                block,
                plan,
                run.channels[plan.channel].injected_l,
                _moved_on(memory.pipes[plan.channel, block.block]).way,
                accuracy_pct,
                "measured",
                unknown_l=unknown_l,
                is_blind=memory.is_blind,
                is_drained=has_ended and block.drains,
            )
    return tuple(rows)


def filled(run: Run, memory: Lines) -> Lines:
    """Return the account after a run: which batch each hose holds now."""
    held = {p.channel: p.batch for p in run.recipe.channels if run.channels[p.channel].injected_l >= p.hose_l}
    return memory._replace(hoses={**memory.hoses, **held})
