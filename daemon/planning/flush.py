"""A flush that is owed: shifts of water alone, as many as it takes to pass what every segment still owes."""

from collections.abc import Callable, Mapping, Sequence, Set
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.decisions.base import Decisions, of_kind
from daemon.decisions.watering import Shift
from daemon.hydraulics.pipes import shared_main_l
from daemon.planning.checks import Check, refused, warning
from daemon.planning.field import areas_in_use, is_open
from daemon.planning.night import Plan
from daemon.planning.ways import check_shift, paths_of, splits_pct_of
from daemon.recipe import BlockPlan, Recipe
from daemon.site import Site

MAIN = "main"
"""The shared main among the segments."""
_MARGIN = 1.02
"""So that the last litre owed is not waited for (engineering judgement)."""


def plan_flush(
    site: Site,
    decisions: Decisions,
    owed_l: Mapping[str, float],
    wanted: Sequence[str],
    run_of: Callable[[int], str],
    now: datetime,
) -> tuple[Plan, ...]:
    """Return one run of water alone for each shift that it takes to flush the `wanted` blocks, or all without any.

    `owed_l` is what each segment owes, a block's in litres of its own. `run_of` names the run at each place. What the
    shared main holds leaves with the first of them. Raises PlanError where nothing is owed, or nothing can be flushed.
    """
    here = now.astimezone(ZoneInfo(site.site.zone))
    free = [name for name in wanted if name not in owed_l]
    if free or not owed_l:
        raise refused("flush", f"no flush is owed by {', '.join(free) or 'any block'}")
    owing = [name for name in site.block if name in owed_l and (not wanted or name in wanted)]
    shifts = _shifts(site, decisions, here, owing, has_main=MAIN in owed_l)
    left_out = [name for name in owing if not any(name in blocks for _, blocks in shifts)]
    if not shifts:
        raise refused("flush", f"closed today, or too small to run alone and in no shift: {', '.join(left_out)}")
    areas_ha, plans = areas_in_use(site, decisions), []
    for place, (shift, blocks) in enumerate(shifts):
        flow_m3_h = sum(site.block[name].flow_m3_h for name in blocks)
        shares = {name: site.block[name].flow_m3_h / flow_m3_h for name in blocks}
        paths, splits_pct = paths_of(site, decisions, shares), splits_pct_of(site, shares)
        first_l = owed_l.get(MAIN, 0.0) if place == 0 else 0.0
        water_l = _MARGIN * max(first_l, *(owed_l.get(name, 0.0) / share for name, share in shares.items()))
        reason = f"shift {shift}: {water_l / 1000.0:.1f} m3 of water alone flush {', '.join(blocks)}"
        checks = [*check_shift(site, shares, flow_m3_h), Check("flush", True, reason)]
        checks += [warning("flush", f"block {name} owes a flush and is closed, or in no shift") for name in left_out]
        recipe = Recipe(
            run=run_of(place),
            shift=shift,
            flow_m3_h=flow_m3_h,
            main_l=shared_main_l(site.main),
            prewet_l=0.0,
            inject_l=0.0,
            flush_l=water_l,
            water_l=water_l,
            blocks=tuple(
                BlockPlan(
                    block=name,
                    area_ha=areas_ha[name],
                    share=share,
                    share_accuracy_pct=splits_pct[name],
                    drains=site.block[name].drains,
                    path=paths[name],
                    planned_mg={},
                )
                for name, share in shares.items()
            ),
            channels=(),
        )
        plans.append(Plan(recipe, tuple(checks)))
    return tuple(plans)


def _shifts(
    site: Site, decisions: Decisions, here: datetime, owing: Sequence[str], *, has_main: bool
) -> list[tuple[str, tuple[str, ...]]]:
    """Return name and blocks of the shifts that flush these blocks, as decided or, where none fits, a block alone.

    Of those that hold a block, the one with the fewest blocks that owe nothing, then with the most that do: what the
    main holds goes where it came from. Where the main alone owes, the widest shift takes it.
    """
    known: list[tuple[str, tuple[str, ...]]] = [
        (name, (name,)) for name, block in site.block.items() if block.flow_m3_h >= site.main.min_flow_m3_h
    ]
    known += [
        (key, shift.blocks)
        for key, shift in of_kind(decisions, Shift).items()
        if all(name in site.block for name in shift.blocks) and len(set(shift.blocks)) == len(shift.blocks)
    ]
    open_now = [shift for shift in known if all(is_open(decisions, name, here) for name in shift[1])]
    if not owing:
        return [max(open_now, key=lambda shift: (len(shift[1]), shift[0]))] if has_main and open_now else []
    chosen: list[tuple[str, tuple[str, ...]]] = []
    left = list(owing)
    while left:
        holding = [shift for shift in open_now if left[0] in shift[1]]
        if not holding:
            left.pop(0)
            continue
        chosen.append(min(holding, key=lambda shift: _rank(shift, set(left))))
        left = [name for name in left if name not in chosen[-1][1]]
    return chosen


def _rank(shift: tuple[str, tuple[str, ...]], owing: Set[str]) -> tuple[int, int, str]:
    owing_in_it = sum(name in owing for name in shift[1])
    return len(shift[1]) - owing_in_it, -owing_in_it, shift[0]
