"""The account of the pipes: what stock is in them, what flush is owed, and what each block has received."""

from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any, Final, NamedTuple

from daemon.control.block_line import BlockLine, clean, let_in, moved_on
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.dosing.estimates import meter_doses, reading_pct
from daemon.evidence import Dose, Evidence, FlushCleared, FlushOwed, Unscheduled
from daemon.hydraulics.pipes import shared_main_l
from daemon.planning.ways import paths_of, way_of
from daemon.recipe import Recipe
from daemon.site import Site
from daemon.units import millilitres

MAIN = "main"
_NONE_YET: Final[Mapping[Any, Any]] = MappingProxyType({})
_UNSCHEDULED_WATER_L = 100.0
_UNSCHEDULED_STOCK_L = 0.1
"""Less than this moved outside a run is not worth a row yet; it is kept and booked with what follows."""
_LEAST_ASTRAY_L = 0.5
"""Stock that nobody let in owes a flush from so much on (engineering judgement)."""


class Owed(NamedTuple):
    """Water that must still pass a segment before stock may enter it again."""

    segment: str
    """A block, or MAIN."""
    stock: str
    run: str
    full_l: float
    """From the last injected litre on."""
    left_l: float
    age_s: float = 0.0
    """Since it was first owed."""


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
    astray_l: Mapping[str, float] = _NONE_YET
    """Stock by channel that nobody let in and for which no flush is owed yet."""

    @property
    def owed_s(self) -> float:
        """Age of the oldest debt; 0 without one."""
        return max([item.age_s for item in self.owed], default=0.0)


def lay(site: Site, recipe: Recipe, memory: Lines) -> Lines:
    """Return the account with clean pipes for a new run."""
    return memory._replace(
        pipes={
            (channel.channel, block.block): clean(site, recipe, block)
            for channel in recipe.channels
            for block in recipe.blocks
        },
        is_blind=False,
    )


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
        (channel, name): let_in(pipe, water_l * pipe.share, stock_l[channel] * pipe.share, frozen_l * pipe.share)
        for (channel, name), pipe in memory.pipes.items()
    }
    return Lines(pipes, memory.owed, memory.unscheduled_l, is_blind, memory.hoses, memory.astray_l)


def owe(run: Run, memory: Lines, channels: frozenset[str]) -> tuple[Lines, tuple[Evidence, ...]]:
    """Enter the flush that these channels' injection will owe, for each block and the shared main, before it begins."""
    recipe = run.recipe
    factor = recipe.flush_l / max(block.path.transit_l / block.share for block in recipe.blocks)
    litres = {MAIN: recipe.main_l * factor} if recipe.main_l else {}
    litres |= {block.block: recipe.flush_l * block.share for block in recipe.blocks}
    stocks = [plan.stock for plan in recipe.channels if plan.channel in channels]
    return _owe(memory, stocks, litres, recipe.run, is_whole=False)


def owe_everywhere(
    site: Site, memory: Lines, moved_l: Mapping[str, float], run: str = ""
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Enter the flush of every segment for stock, in litres by channel, that went nobody knows where.

    That is what the injectors' meters show while the selector is not in Auto. `run` is the run under way, if any.
    """
    return _owe_astray(memory, moved_l, flush_litres(site), run)


def owe_segments(
    site: Site, memory: Lines, moved_l: Mapping[str, float], blocks: Iterable[str], run: str = ""
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Enter the flush of the shared main and these open blocks for stock, in litres by channel, that nobody let in."""
    open_path = {MAIN, *blocks}
    litres = flush_litres(site)
    known = {segment: full_l for segment, full_l in litres.items() if segment in open_path}
    return _owe_astray(memory, moved_l, known or litres, run)


def flush_litres(site: Site) -> dict[str, float]:
    """Return the water that flushes each segment on its own, by its pipes as computed: a block's litres are its own.

    A block's include the whole shared main, whose content may have to leave through it.
    """
    main_l = shared_main_l(site.main)
    litres = {MAIN: main_l * site.limits.flush_factor} if main_l else {}
    for name in site.block:
        shares = {name: 1.0}
        litres[name] = way_of(site, paths_of(site, {}, shares), shares).flush_l
    return litres


def _owe_astray(
    memory: Lines, moved_l: Mapping[str, float], litres: Mapping[str, float], run: str
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Gather stock that nobody let in until it is worth a flush: a jolt of the meter owes nothing."""
    totals = {name: memory.astray_l.get(name, 0.0) + moved for name, moved in moved_l.items()}
    loaded = [name for name, total in totals.items() if total >= _LEAST_ASTRAY_L]
    if not any(moved_l.values()):
        return memory, ()
    memory = memory._replace(astray_l={**memory.astray_l, **totals, **dict.fromkeys(loaded, 0.0)})
    return _owe(memory, [f"injector {name}" for name in loaded], litres, run, is_whole=True)


def _owe(
    memory: Lines, stocks: Iterable[str], litres: Mapping[str, float], run: str, *, is_whole: bool
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Enter what is owed by segment for these stocks; with `is_whole` what was owed already is owed whole again."""
    debts, rows = {(item.segment, item.stock, item.run): item for item in memory.owed}, []
    for stock in stocks:
        for segment, full_l in litres.items():
            known = debts.get((segment, stock, run))
            if known is None:
                debts[segment, stock, run] = Owed(segment, stock, run, full_l, full_l)
                rows.append(FlushOwed(segment, stock, run, millilitres(full_l)))
            elif is_whole:
                debts[segment, stock, run] = known._replace(left_l=known.full_l)
    return memory._replace(owed=tuple(debts.values())), tuple(rows)


def aged(memory: Lines, dt_s: float) -> Lines:
    """Return the account with what is owed older by `dt_s`."""
    if not memory.owed:
        return memory
    return memory._replace(owed=tuple([item._replace(age_s=item.age_s + dt_s) for item in memory.owed]))


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
    owed: list[Owed] = []
    paid: list[Owed] = []
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
                paid.append(item)
    # The record clears a segment of a stock, whichever run owed it: not before the last of them is paid.
    standing = {(item.segment, item.stock) for item in owed}
    rows = [
        FlushCleared(item.segment, item.stock, millilitres(item.full_l), "flush volume passed")
        for item in paid
        if (item.segment, item.stock) not in standing
    ]
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
        name = f"injector.{plan.channel}"
        meter_pct = reading_pct(run.recipe.calibrated_pct, name, site.injector[plan.channel].meter)
        unknown_l = plan.hose_l if memory.hoses.get(plan.channel) != plan.batch else 0.0
        for block in run.recipe.blocks:
            rows += meter_doses(
                run.recipe.run,
                block,
                plan,
                run.channels[plan.channel].injected_l,
                moved_on(memory.pipes[plan.channel, block.block]).way,
                meter_pct,
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
