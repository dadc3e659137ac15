"""The account of the pipes: what stock is in them, what flush is owed, and what each block has received."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.dosing.estimates import k2_of_class_pct, meter_doses
from daemon.evidence import Dose, Evidence, FlushCleared, FlushOwed, Unscheduled
from daemon.hydraulics.transport import Line, clean_line, displace
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
    """One channel's stock in one block's pipes: as computed, and at both ends of the pipes' k = 2 band."""

    share: float
    """Part of the shift's flow that goes down them."""
    line: Line
    short: Line
    long: Line
    water_l: float = 0.0
    """Waiting at the inlet, with `stock_l` evenly in it."""
    stock_l: float = 0.0


class Lines(NamedTuple):
    """Memory of the account."""

    pipes: Mapping[tuple[str, str], BlockLine] = _NONE_YET
    """By (channel, block), for the run under way or just ended."""
    owed: tuple[Owed, ...] = ()
    unscheduled_l: Mapping[str, float] = _NONE_YET
    is_blind: bool = False
    """Water passed in this run that the totaliser did not count: where the stock in the pipes is now is not known."""


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
    # The main meter's own error shifts every displaced litre as a wrong pipe volume would.
    band = math.hypot(block.path.accuracy_pct, k2_of_class_pct(site.main.water.accuracy_pct_of_reading)) / 100.0
    return BlockLine(
        block.share, clean_line(block.path), clean_line(block.path, 1.0 - band), clean_line(block.path, 1.0 + band)
    )


def flow_on(memory: Lines, facts: Facts) -> Lines:
    """Return the account after this scan's litres went down the pipes of the run under way."""
    is_blind = memory.is_blind or facts.water_stands or MAIN in facts.counter_resets
    if is_blind != memory.is_blind:
        memory = memory._replace(is_blind=is_blind)
    if facts.water_moved_l <= 0.0 and all(channel.moved_l <= 0.0 for channel in facts.channels.values()):
        return memory
    pipes = {
        (channel, name): _let_in(pipe, facts.water_moved_l * pipe.share, facts.channels[channel].moved_l * pipe.share)
        for (channel, name), pipe in memory.pipes.items()
    }
    return Lines(pipes, memory.owed, memory.unscheduled_l, is_blind)


def _let_in(pipe: BlockLine, water_l: float, stock_l: float) -> BlockLine:
    """Let water and stock wait at the inlet until they are worth moving the pipes' content for."""
    line = pipe.line
    waiting = BlockLine(pipe.share, line, pipe.short, pipe.long, pipe.water_l + water_l, pipe.stock_l + stock_l)
    return _moved_on(waiting) if waiting.water_l >= _STEP * (line.main_l + line.submain_l + line.lateral_l) else waiting


def _moved_on(pipe: BlockLine) -> BlockLine:
    """Return the pipes with nothing waiting at the inlet."""
    water_l, stock_l = pipe.water_l, pipe.stock_l
    return BlockLine(
        pipe.share,
        displace(pipe.line, water_l, stock_l),
        displace(pipe.short, water_l, stock_l),
        displace(pipe.long, water_l, stock_l),
    )


def owe(run: Run, memory: Lines) -> tuple[Lines, tuple[Evidence, ...]]:
    """Enter the flush that this run's injection will owe, for each block and the shared main, before it begins."""
    owed, rows = list(memory.owed), []
    factor = run.recipe.flush_l / max(block.path.transit_l / block.share for block in run.recipe.blocks)
    for plan in run.recipe.channels:
        litres = {MAIN: max(block.path.main_l / block.share for block in run.recipe.blocks) * factor}
        litres |= {block.block: run.recipe.flush_l * block.share for block in run.recipe.blocks}
        for segment, full_l in litres.items():
            if any(o.segment == segment and o.stock == plan.stock and o.run == run.recipe.run for o in owed):
                continue
            owed.append(Owed(segment, plan.stock, run.recipe.run, full_l, full_l))
            rows.append(FlushOwed(segment, plan.stock, run.recipe.run, millilitres(full_l)))
    return memory._replace(owed=tuple(owed)), tuple(rows)


def pay(run: Run, memory: Lines, facts: Facts, is_injecting: bool) -> tuple[Lines, tuple[Evidence, ...]]:
    """Let this scan's water pay what is owed on the open path; stock that moved makes all of it owed again.

    `is_injecting` from the intent on: what is owed must not be paid off between the intent and the first drop.
    """
    if not memory.owed:
        return memory, ()
    is_loading = is_injecting or any(channel.moved_l > 0.0 for channel in facts.channels.values())
    if not is_loading and facts.water_moved_l <= 0.0:
        return memory, ()
    owed, rows = [], []
    for item in memory.owed:
        share = _share(run.recipe, item.segment)
        if share == 0.0:
            owed.append(item)
        elif is_loading:
            owed.append(item if item.left_l == item.full_l else item._replace(left_l=item.full_l))
        else:
            left_l = item.left_l - facts.water_moved_l * share
            if left_l > 0.0:
                owed.append(item._replace(left_l=left_l))
            else:
                rows.append(FlushCleared(item.segment, item.stock, millilitres(item.full_l), "flush volume passed"))
    return memory._replace(owed=tuple(owed)), tuple(rows)


def owed_on_path(recipe: Recipe, memory: Lines) -> float:
    """Return the water, at the main meter, that the shift must still pass before its pipes are flushed."""
    most_l = 0.0
    for item in memory.owed:
        share = _share(recipe, item.segment)
        if share > 0.0:
            most_l = max(most_l, item.left_l / share)
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
    totals, rows = dict(memory.unscheduled_l), []
    for name, litres in moved.items():
        total = totals.get(name, 0.0) + litres
        least = _UNSCHEDULED_WATER_L if name == MAIN else _UNSCHEDULED_STOCK_L
        if total >= least:
            rows.append(Unscheduled(name, millilitres(total), "measured", "moved while nothing was running"))
            total = 0.0
        totals[name] = total
    return memory._replace(unscheduled_l=totals), tuple(rows)


def doses(site: Site, run: Run, memory: Lines) -> tuple[Dose, ...]:
    """Return the run's dose rows as they stand."""
    rows: list[Dose] = []
    for plan in run.recipe.channels:
        accuracy_pct = site.injector[plan.channel].meter.accuracy_pct_of_reading
        for block in run.recipe.blocks:
            pipe = _moved_on(memory.pipes[plan.channel, block.block])
            injected_l = run.channels[plan.channel].injected_l
            rows += meter_doses(
                run.recipe.run,
                block,
                plan,
                injected_l,
                pipe.line,
                pipe.short,
                pipe.long,
                accuracy_pct,
                "measured",
                is_blind=memory.is_blind,
            )
    return tuple(rows)
