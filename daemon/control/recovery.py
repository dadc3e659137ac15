"""After a start: what the last durable record and the first readings say that state, and what is still owed.

A run that was under way is closed, never resumed: half-given stock is not given again. What the totalisers moved while
nobody watched enters as `estimated`, and every pipe that may hold stock owes its whole flush.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from daemon.control import lines as account
from daemon.control.decide import State
from daemon.control.guard import Guard
from daemon.control.image import Image
from daemon.control.injection import stock_of
from daemon.control.interlocks import BY_CODE
from daemon.control.lines import Lines, Owed
from daemon.control.run import Run, begin
from daemon.dosing.estimates import Way, meter_doses
from daemon.dosing.outcome import judge_run
from daemon.equipment import Signal
from daemon.evidence import Checkpoint, Dose, Event, Evidence, FlushOwed, PhaseEnded, RunEnded
from daemon.hydraulics.transport import Line, displace
from daemon.recipe import ChannelPlan, Recipe
from daemon.site import Plant
from daemon.units import litres, millilitres
from drivers.codec import count_moved
from drivers.reading import Quality, Reading

_SLICES = 50


@dataclass(frozen=True, slots=True)
class Past:
    """What the record holds of an unfinished past."""

    recipe: Recipe | None = None
    """Of the run that began and did not end."""
    phases: tuple[PhaseEnded, ...] = ()
    checkpoints: Mapping[str, Checkpoint] = field(default_factory=dict)
    """The newest of that run by channel."""
    owed: tuple[FlushOwed, ...] = ()
    latched: tuple[str, ...] = ()
    """Alarms that were in force at the end and need a reset."""


def recover(plant: Plant, past: Past, image: Image) -> tuple[State, tuple[Evidence, ...]]:
    """Return the state to start from and the rows that close what was left open.

    `image` is the first one after the start; a totaliser that cannot be read leaves its part of the estimate out.
    """
    owed = tuple(Owed(row.segment, row.stock, row.run, litres(row.owed_ml), litres(row.owed_ml)) for row in past.owed)
    latched = frozenset(code for code in past.latched if code in BY_CODE and BY_CODE[code].latched)
    state = State(guard=Guard(active=latched), lines=Lines(owed=owed))
    if past.recipe is None:
        return state, ()
    rows = _close(plant, past.recipe, past, image)
    return replace(state, emitted=len(rows)), rows


def _close(plant: Plant, recipe: Recipe, past: Past, image: Image) -> tuple[Evidence, ...]:
    """Return the rows that end a run which the controller did not live to end."""
    doses: list[Dose] = []
    most_water_l = 0.0
    for plan in recipe.channels:
        checkpoint = past.checkpoints.get(plan.channel)
        injected_l = water_l = 0.0
        if checkpoint is not None:
            meter = plant.site.injector[plan.channel].meter
            stock_most_l = plant.site.tank[plant.site.injector[plan.channel].tank].volume_l
            water_most_l = 2.0 * recipe.water_l
            water_l = litres(checkpoint.water_ml) + _moved_l(
                plant, plant.site.main.water, checkpoint.water_count_ml, image.water_l, water_most_l
            )
            stock_now = image.channels[plan.channel].stock_l
            moved_l = _moved_l(plant, meter, checkpoint.stock_count_ml, stock_now, stock_most_l)
            injected_l = litres(checkpoint.stock_ml) + stock_of(
                plant.site, plan.channel, litres(checkpoint.stock_ml), moved_l
            )
        most_water_l = max(most_water_l, water_l)
        doses += _estimated(plant, recipe, plan, past, injected_l, water_l)
    last = past.phases[-1].phase if past.phases else "none"
    return (
        Event("unclean-end", f'{{"after_phase":"{last}"}}'),
        *doses,
        RunEnded(
            run=recipe.run,
            state="ABORTED",
            outcome=judge_run(doses),
            why="the controller stopped during the run",
            water_ml=millilitres(most_water_l),
            duration_ms=sum(phase.duration_ms for phase in past.phases),
        ),
    )


def _estimated(
    plant: Plant, recipe: Recipe, plan: ChannelPlan, past: Past, injected_l: float, water_l: float
) -> tuple[Dose, ...]:
    """Spread the stock evenly over the channel's own water of INJECT and follow it with the rest.

    That is as much as the stock takes at its ratio. It ends now where the channel was still at it; else it began after
    the water of the channels before it and their rinse, as planned.
    """
    phases = {phase.phase: litres(phase.water_ml) for phase in past.phases}
    before_l = phases.get("PREWET", 0.0)
    inject_l = phases.get("INJECT", max(0.0, water_l - before_l))
    own_l = min(inject_l, injected_l / plan.ratio)
    is_at_it = "INJECT" not in phases and injected_l < plan.stock_l
    offset_l = inject_l - own_l if is_at_it else min(inject_l - own_l, _before_l(recipe, plan))
    after_l = max(0.0, water_l - before_l - offset_l - own_l)
    run: Run = begin(recipe)
    lines = account.lay(plant.site, run.recipe, Lines())
    rows: list[Dose] = []
    for block in recipe.blocks:
        pipes = lines.pipes[plan.channel, block.block].way
        litres_in = (own_l * block.share, injected_l * block.share, after_l * block.share)
        rows += meter_doses(
            recipe.run,
            block,
            plan,
            injected_l,
            Way(*(_pass(line, *litres_in) for line in pipes)),
            plant.site.injector[plan.channel].meter.accuracy_pct_of_reading,
            "estimated",
            unknown_l=plan.hose_l,
            is_drained=block.drains,
        )
    return tuple(rows)


def _before_l(recipe: Recipe, plan: ChannelPlan) -> float:
    """Return the planned water of INJECT before the channel's turn."""
    if not plan.after:
        return plan.start_l
    before = next(other for other in recipe.channels if other.channel == plan.after)
    turn_l = _before_l(recipe, before) + before.stock_l / before.ratio + plan.rinse_l
    return max(plan.start_l, turn_l)


def _pass(line: Line, inject_l: float, stock_l: float, after_l: float) -> Line:
    for _ in range(_SLICES):
        line = displace(line, inject_l / _SLICES, stock_l / _SLICES)
    for _ in range(_SLICES):
        line = displace(line, after_l / _SLICES, 0.0)
    return line


def _moved_l(plant: Plant, signal: Signal, before_ml: int, now: Reading, most_l: float) -> float:
    if now.quality is not Quality.GOOD:
        return 0.0
    step_l = signal.per_count or 1.0
    bits = plant.points[signal.point].counter_bits or 32
    return (
        count_moved(round(litres(before_ml) / step_l), round(now.value / step_l), bits, most_l / step_l).counts * step_l
    )
