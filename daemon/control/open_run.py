"""A run that the controller did not live to end: what the meters say that it gave, and the rows that close it.

It is closed, never resumed. What the totalisers moved since its last checkpoint belongs to it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from daemon.control import lines as account
from daemon.control.image import Image
from daemon.control.injection import stock_of
from daemon.control.lines import MAIN, Lines
from daemon.dosing.estimates import Way, meter_doses, reading_pct
from daemon.dosing.outcome import judge_run
from daemon.equipment import Signal
from daemon.evidence import Checkpoint, Dose, Event, Evidence, PhaseEnded, RunEnded
from daemon.hydraulics.transport import Line, displace
from daemon.recipe import ChannelPlan, Recipe
from daemon.site import Plant
from daemon.units import litres, millilitres
from drivers.codec import count_moved
from drivers.reading import Quality, Reading

STOPPED = "the controller stopped during the run"
"""Why of a run that is closed here."""
_SLICES = 50
_MARGIN = 1.1


@dataclass(frozen=True, slots=True)
class OpenRun:
    """What the record holds of a run that began and did not end."""

    recipe: Recipe
    phases: tuple[PhaseEnded, ...] = ()
    """A phase that a dry hold cut is in it more than once."""
    checkpoints: Mapping[str, Checkpoint] = field(default_factory=dict)
    """The newest by channel, and that of the water by MAIN."""

    def water_l(self, phase: str) -> float:
        """Return the water of all that ended of a phase."""
        return sum(litres(row.water_ml) for row in self.phases if row.phase == phase)


class Closed(NamedTuple):
    """A run closed."""

    rows: tuple[Evidence, ...]
    water_l: float
    injected_l: Mapping[str, float]
    """By channel."""
    astray_l: Mapping[str, float]
    """Stock by channel that moved since the last checkpoint and that the injector cannot have given by then."""


def close(plant: Plant, open_run: OpenRun, image: Image, unbooked_l: float | None) -> Closed:
    """Return the rows that end the run.

    `unbooked_l` is the water that the record does not have yet, None where that is not known: all of it is the run's
    where it had no checkpoint, and never more than that is.
    """
    recipe = open_run.recipe
    doses: list[Dose] = []
    injected_l: dict[str, float] = {}
    astray_l: dict[str, float] = {}
    whole_l = 0.0
    for plan in recipe.channels:
        checkpoint = open_run.checkpoints.get(plan.channel)
        injected_l[plan.channel] = water_l = 0.0
        if checkpoint is not None:
            injector = plant.site.injector[plan.channel]
            most_l = plant.site.tank[injector.tank].volume_l
            water_l = litres(checkpoint.water_ml) + _water_since(plant, recipe, checkpoint, image)
            stock_now = image.channels[plan.channel].stock_l
            moved_l = moved_since(plant, injector.meter, checkpoint.stock_count_ml, stock_now, most_l)
            given_l = litres(checkpoint.stock_ml)
            injected_l[plan.channel] = given_l + stock_of(plant.site, plan.channel, given_l, moved_l)
            longest_s = plant.site.site.checkpoint_s + plant.site.safety.max_watchdog_s
            could_l = _MARGIN * injector.highest_l_h / 3600.0 * longest_s + (injector.meter.per_count or 0.0)
            astray_l[plan.channel] = max(0.0, moved_l - could_l)
        whole_l = max(whole_l, water_l)
        doses += _estimated(plant, open_run, plan, injected_l[plan.channel], water_l)
    whole = open_run.checkpoints.get(MAIN)
    if whole is not None:
        whole_l = max(whole_l, litres(whole.water_ml) + _water_since(plant, recipe, whole, image))
    elif unbooked_l is not None:
        whole_l = unbooked_l
    if unbooked_l is not None:
        whole_l = min(whole_l, unbooked_l)
    ended = RunEnded(
        run=recipe.run,
        state="ABORTED",
        outcome=judge_run(doses),
        why=STOPPED,
        water_ml=millilitres(whole_l),
        duration_ms=sum(phase.duration_ms for phase in open_run.phases),
    )
    last = open_run.phases[-1].phase if open_run.phases else "none"
    rows: tuple[Evidence, ...] = (Event("unclean-end", f'{{"after_phase":"{last}"}}'), *doses, ended)
    return Closed(rows, whole_l, injected_l, astray_l)


def _water_since(plant: Plant, recipe: Recipe, checkpoint: Checkpoint, image: Image) -> float:
    most_l = 2.0 * recipe.water_l
    return moved_since(plant, plant.site.main.water, checkpoint.water_count_ml, image.water_l, most_l)


def _estimated(
    plant: Plant, open_run: OpenRun, plan: ChannelPlan, injected_l: float, water_l: float
) -> tuple[Dose, ...]:
    """Spread the stock evenly over the channel's own water of INJECT and follow it with the rest.

    That is as much as the stock takes at its ratio. It ends now where the channel was still at it; else it began after
    the water of the channels before it and their rinse, as planned.
    """
    recipe = open_run.recipe
    before_l, inject_l = open_run.water_l("PREWET"), open_run.water_l("INJECT")
    is_under_way = bool(open_run.phases) and open_run.phases[-1].phase == "PREWET"
    if is_under_way:
        inject_l = max(0.0, water_l - before_l - open_run.water_l("FLUSH"))
    own_l = min(inject_l, injected_l / plan.ratio)
    is_at_it = is_under_way and injected_l < plan.stock_l
    offset_l = inject_l - own_l if is_at_it else min(inject_l - own_l, _before_l(recipe, plan))
    after_l = max(0.0, water_l - before_l - offset_l - own_l)
    lines = account.lay(plant.site, recipe, Lines())
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
            reading_pct(recipe.calibrated_pct, f"injector.{plan.channel}", plant.site.injector[plan.channel].meter),
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


def moved_since(plant: Plant, signal: Signal, before_ml: int, now: Reading, most_l: float) -> float:
    """Return the litres that a totaliser moved since a count; 0 where it cannot be read or was exchanged meanwhile."""
    if now.quality is not Quality.GOOD:
        return 0.0
    step_l = signal.per_count or 1.0
    bits = plant.points[signal.point].counter_bits or 32
    most = min(most_l / step_l, 2.0 ** (bits - 1))
    return count_moved(round(litres(before_ml) / step_l), round(now.value / step_l), bits, most).counts * step_l
