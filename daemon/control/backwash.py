"""The filter's backwash: when ours is due, when it may begin, how often and how long the filter has been washing."""

from typing import NamedTuple

from daemon.control.image import Outputs
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import Phase, ProcedureState, Unit
from daemon.site import Site

_WINDOW_S = 1800.0
_BODY_VOLUMES = 5.0
"""Clear water through a loaded filter body, in its volumes, before its content may go to the drain."""


class Wash(NamedTuple):
    """Memory of the filter."""

    water_l: float = 0.0
    """Water since the last backwash."""
    is_due: bool = False
    on_s: float = 0.0
    """How long this backwash has been under way."""
    ages_s: tuple[float, ...] = ()
    """Ages of the backwashes that began within the last half hour."""
    is_under_way: bool = False


def wash(site: Site, memory: Wash, unit: Unit, run: Run | None, facts: Facts, last: Outputs) -> tuple[Wash, bool]:
    """Return the memory and whether the backwash output should be on.

    Ours begins only with proven flow, no injector on, and no stock in the filter's body: that would go to the drain.
    A contact that cannot be read begins no wash and ends none.
    """
    sheet = site.filter
    if sheet is None:
        return memory, False
    dt_s = facts.dt_s
    ages_s = tuple(age + dt_s for age in memory.ages_s if age + dt_s < _WINDOW_S)
    if facts.is_washing:
        if not memory.is_under_way:
            ages_s = (*ages_s, 0.0)
        on_s = memory.on_s + dt_s
        return Wash(0.0, False, on_s, ages_s, True), last.backwash and on_s < sheet.backwash_s and _may_wash(unit, run)
    if facts.is_washing is None:
        return memory._replace(ages_s=ages_s), False
    water_l = memory.water_l + facts.water_moved_l
    is_due = (
        sheet.backwash is not None
        and facts.is_filter_quiet
        and (
            memory.is_due
            or (sheet.wash_at_kpa is not None and facts.filter_kpa >= sheet.wash_at_kpa)
            or (sheet.wash_every_m3 is not None and water_l >= 1000.0 * sheet.wash_every_m3)
        )
    )
    is_due = is_due and _may_wash(unit, run) and facts.flow_proven and not _is_loaded(site, unit, run)
    is_injector_off = not any(channel.run or channel.valve for channel in last.channels.values())
    return Wash(water_l, is_due, 0.0, ages_s), is_due and is_injector_off


def _may_wash(unit: Unit, run: Run | None) -> bool:
    return run is not None and not run.end and unit.procedure is ProcedureState.RUNNING and unit.phase is not Phase.FILL


def _is_loaded(site: Site, unit: Unit, run: Run | None) -> bool:
    """Return whether the filter's body may hold stock: of this run, or left by one that was stopped."""
    if site.filter is None or run is None or not site.main.comes_before("injection", "filter"):
        return False
    return unit.phase is Phase.INJECT or run.since_injected_l < _BODY_VOLUMES * site.filter.volume_l
