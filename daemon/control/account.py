"""What moved since the last scan, booked under the state that it moved in: to the run, or to nobody."""

import math
from collections.abc import Mapping
from typing import Final

from daemon.control import front
from daemon.control import lines as pipes
from daemon.control.flush import follow
from daemon.control.forcing import joint_fit, path_fit
from daemon.control.image import Outputs
from daemon.control.injection import stock_of
from daemon.control.lines import MAIN, Lines
from daemon.control.phases import flow_fit, settled
from daemon.control.record import Recorder
from daemon.control.run import ChannelRun, Run
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, Phase, ProcedureState, Unit
from daemon.control.witness import watched
from daemon.evidence import Evidence
from daemon.site import Site

_HELD: Final = (ProcedureState.HELD, ProcedureState.RESTARTING)
_AT_REST: Final = "moved while nothing was running"
_HELD_DRY: Final = "moved while the run was held with all outputs off"


def book(
    site: Site,
    unit: Unit,
    run: Run | None,
    lines: Lines,
    last: Outputs,
    facts: Facts,
    record: Recorder,
    *,
    is_forced: bool = False,
) -> tuple[Run | None, Lines]:
    """Return the run and the pipes' account after what moved under `unit` and the outputs commanded last.

    `is_forced`: some output was forced: other valves than the shift's may have been open for long, and a fill that is
    kept from its water is timed all the same.
    """
    for name in facts.counter_resets:
        record.event("counter-reset", {"counter": name})
    lines = pipes.aged(lines, facts.dt_s)
    if run is None or unit.procedure not in ACTIVE:
        blocks = last.blocks if facts.selector_auto is not False else None
        return run, _of_nobody(site, lines, facts, _AT_REST, record, blocks)
    if run.is_dry and unit.procedure is ProcedureState.HELD:
        return _held_dry(site, run, lines, facts, record)
    is_filling = unit.phase is Phase.FILL
    moved_l = {name: channel.moved_l for name, channel in facts.channels.items()}
    for name, channel in run.channels.items():
        if moved_l[name]:
            moved_l[name] = stock_of(site, name, channel.injected_l, moved_l[name])
    stock_l = sum(moved_l[name] for name in run.channels)
    lines, rows = _astray(site, run, facts, lines, moved_l)
    record.add(rows)
    loading = _loading(run, last, moved_l) | run.loaded
    path = path_fit(site, run, last)
    if not is_filling:
        fit = joint_fit(path, flow_fit(site, run, facts))
        lines = pipes.flow_on(lines, facts, moved_l, fit)
        lines, rows = pipes.pay(run, lines, facts, loading, fit)
        record.add(rows)
    elif run.has_injected:  # filled anew after a dry hold: what lay in the pipes may have moved, or they were empty
        lines = pipes.flow_on(lines, facts, moved_l, math.inf)
    settled_s, settled_kpa = run.settled_s, run.settled_kpa
    if is_filling or unit.procedure is ProcedureState.RESTARTING:
        settled_s, settled_kpa = settled(site, run, facts, last)
    moved_water_l = facts.water_moved_l
    fill_l = moved_water_l if is_filling else 0.0
    water_l = moved_water_l / max(1.0, path) if facts.displaces and not is_filling else 0.0
    is_on_its_way = not is_filling or is_forced or (last.pump and last.blocks == run.blocks)
    is_timed = unit.procedure is ProcedureState.RUNNING and is_on_its_way
    run = run._replace(
        channels=_metered(run, moved_l, water_l, loading) if stock_l or run.has_injected else run.channels,
        run_s=run.run_s + facts.dt_s,
        phase_s=run.phase_s + facts.dt_s if is_timed else run.phase_s,
        phase_water_l=run.phase_water_l + (fill_l or water_l),
        phase_stock_l=run.phase_stock_l + stock_l,
        settled_s=settled_s,
        settled_kpa=settled_kpa,
        water_l=run.water_l + water_l,
        fill_l=run.fill_l + fill_l,
        backwash_l=run.backwash_l + moved_water_l - fill_l - water_l,
        since_injected_l=0.0 if loading else run.since_injected_l + water_l,
        loaded=frozenset() if facts.water_good else loading,
        held_s=run.held_s + facts.dt_s if unit.procedure in _HELD else run.held_s,
        checkpoint_s=run.checkpoint_s + facts.dt_s,
        rise=follow(run.rise, unit.phase, facts) if run.recipe.ec_seen_ms_cm > 0.0 else run.rise,
    )
    run = front.watched(run, facts, lines.hoses, unit.phase, water_l)
    return watched(run, facts, loading, unit.phase), lines


def _of_nobody(
    site: Site, lines: Lines, facts: Facts, why: str, record: Recorder, blocks: frozenset[str] | None
) -> Lines:
    """Book water and stock that belong to no run, and the flush that the stock owes.

    It went to the shared main and to `blocks`, which are open; None: nobody knows where.
    """
    if not facts.water_moved_l and not any(channel.moved_l for channel in facts.channels.values()):
        return lines
    moved_l = {name: channel.moved_l for name, channel in facts.channels.items()}
    lines, rows = pipes.unscheduled(lines, {MAIN: facts.water_moved_l, **moved_l}, why)
    record.add(rows)
    if blocks is None:
        lines, rows = pipes.owe_everywhere(site, lines, moved_l)
    else:
        lines, rows = pipes.owe_segments(site, lines, moved_l, blocks)
    record.add(rows)
    return lines


def _held_dry(site: Site, run: Run, lines: Lines, facts: Facts, record: Recorder) -> tuple[Run, Lines]:
    """Book what moves while the run is held with all outputs off: the run has none of it, and its way is not known.

    Stock that somebody lets in by hand ends the run's own: nobody can tell which block has had how much of it.
    """
    has_stock = any(channel.moved_l for channel in facts.channels.values())
    if facts.water_moved_l and run.has_injected:
        lines = pipes.flow_on(lines, facts, dict.fromkeys(facts.channels, 0.0), math.inf)
    lines = _of_nobody(site, lines, facts, _HELD_DRY, record, None)
    if has_stock and not run.injection_over:
        run = run._replace(given_up=f"stock {_HELD_DRY}")
    return (
        run._replace(
            run_s=run.run_s + facts.dt_s,
            held_s=run.held_s + facts.dt_s,
            checkpoint_s=run.checkpoint_s + facts.dt_s,
            since_injected_l=0.0 if has_stock else run.since_injected_l,
        ),
        lines,
    )


def _astray(
    site: Site, run: Run, facts: Facts, lines: Lines, moved_l: Mapping[str, float]
) -> tuple[Lines, tuple[Evidence, ...]]:
    """Account for stock that nobody let in: the flush of what siphons, and what comes by a channel not of this run."""
    siphoning = frozenset(
        name for name in run.channels if moved_l[name] and facts.channels[name].idle_l_h > site.limits.siphon_l_h
    )
    rows: tuple[Evidence, ...] = ()
    if siphoning:
        lines, rows = pipes.owe(run, lines, siphoning)
    foreign_l = {name: litres for name, litres in moved_l.items() if litres and name not in run.channels}
    if foreign_l:
        lines, booked = pipes.unscheduled(lines, foreign_l, "moved while another channel's run was under way")
        rows += booked
        lines, owing = pipes.owe_segments(site, lines, foreign_l, run.blocks, run.recipe.run)
        rows += owing
    return lines, rows


def _loading(run: Run, last: Outputs, moved_l: Mapping[str, float]) -> frozenset[str]:
    """Return the channels whose stock enters the main, or is about to: from the intent on."""
    loading = {name for name, litres in moved_l.items() if litres > 0.0}
    loading |= {name for name, channel in last.channels.items() if channel.run}
    loading |= {name for name in run.intents if not run.channels[name].done}
    return frozenset(loading)


def _metered(run: Run, stock_l: Mapping[str, float], water_l: float, loading: frozenset[str]) -> dict[str, ChannelRun]:
    """Return the channels with what their meters counted; all of it counts, whatever the injectors were told."""
    return {
        name: channel._replace(
            injected_l=channel.injected_l + stock_l[name],
            since_l=0.0 if name in loading else channel.since_l + water_l,
        )
        for name, channel in run.channels.items()
    }
