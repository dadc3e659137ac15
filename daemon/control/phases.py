"""The procedure: the only writer of the state table, and the phases that advance by volume."""

import math
from dataclasses import replace
from typing import NamedTuple

from daemon.control.flush import judge
from daemon.control.guard import Verdict
from daemon.control.image import Outputs
from daemon.control.requests import Asked
from daemon.control.run import Run, begin
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, ENDED, WATERING, Effect, Phase, ProcedureState, Unit, enter, transition
from daemon.recipe import Recipe
from daemon.site import Site

_P = ProcedureState
_STEADY = 0.05
"""Pressure is steady while it stays this close, relative, to where it was when it began to be."""


class Step(NamedTuple):
    """What the procedure did in one scan."""

    unit: Unit
    run: Run | None
    began: bool = False
    ended: bool = False
    left: tuple[Phase, Run, str] | None = None
    """The phase that ended, the run as it was then, and why."""
    is_unclear: bool = False
    """It was a flush that ended with the line's EC not back."""


def proceed(
    site: Site,
    unit: Unit,
    run: Run | None,
    asked: Asked,
    verdict: Verdict,
    facts: Facts,
    last: Outputs,
    owed_l: float,
    is_followed: bool,
) -> Step:
    """Return the unit and run after this scan's causes, commands and litres.

    `owed_l` is the water that must still pass before stock may enter this shift's pipes again. `is_followed`: another
    shift comes next, and takes the running pump over where the site lets it.
    """
    if run is None or unit.procedure not in ACTIVE:
        if asked.mode is not None:
            unit = replace(unit, mode=asked.mode)
        if not asked.start:
            is_reset = asked.reset and unit.procedure in ENDED
            return Step(transition(unit, _P.IDLE) if is_reset else unit, run)
        return started(unit, asked.start[0])
    was, was_ending = unit.phase, bool(run.end)
    unit, run = _obey(unit, run, asked, verdict)
    if unit.procedure in (_P.STOPPING, _P.ABORTING):
        left = (was, run, run.end) if was is not None and not was_ending else None
        if _all_off(last):
            done = transition(unit, _P.STOPPED if unit.procedure is _P.STOPPING else _P.ABORTED)
            return Step(done, run, ended=True, left=left)
        return Step(unit, run, left=left)
    if unit.procedure is _P.HOLDING and not _is_injecting(last):
        unit = transition(unit, _P.HELD)
    elif unit.procedure is _P.RESTARTING and run.is_dry:
        return _refilled(site, unit, run)
    elif unit.procedure is _P.RESTARTING and (run.settled_s >= site.limits.settle_s or run.injection_over):
        unit = transition(unit, _P.RUNNING)
    if unit.procedure is _P.RUNNING:
        is_handed_on = is_followed and (site.pump is None or site.pump.at_changeover == "keep")
        return _advance(site, unit, run, last, owed_l, is_handed_on)
    return Step(unit, run)


def started(unit: Unit, recipe: Recipe) -> Step:
    """Return the unit with a run of `recipe` begun, from rest or as the run before it ended."""
    idle = transition(unit, _P.IDLE) if unit.procedure in ENDED else unit
    return Step(enter(transition(idle, _P.RUNNING), Phase.FILL), begin(recipe), began=True)


def _obey(unit: Unit, run: Run, asked: Asked, verdict: Verdict) -> tuple[Unit, Run]:
    """Apply causes and commands, the worst first."""
    causes = ", ".join(verdict.causes)
    if asked.stop_everything or verdict.is_of_plant:
        run = run._replace(is_last=True)  # while it shuts down, too: the shifts after it do not run
    if verdict.effect is Effect.ZERO and unit.procedure is not _P.ABORTING:
        return transition(unit, _P.ABORTING), run._replace(end=causes, given_up=run.given_up or causes)
    if unit.procedure not in WATERING:
        return unit, run
    if verdict.effect is Effect.ONE or asked.stop_everything:
        why = causes if verdict.effect is Effect.ONE else "stopped by an operator"
        is_last = run.is_last or run.is_dry  # after a dry hold nothing begins that nobody starts
        return transition(unit, _P.STOPPING), run._replace(end=why, given_up=run.given_up or why, is_last=is_last)
    if not run.injection_over and (asked.stop_fertiliser or verdict.effect is Effect.WATER_ONLY):
        why = "fertiliser stopped by an operator" if asked.stop_fertiliser else causes
        run = run._replace(given_up=why)
    if run.end:
        return unit, run  # its water is being shut already
    if verdict.effect is Effect.RELEASE:
        return _released(unit, run, asked, verdict)
    if asked.hold or verdict.effect is Effect.TWO:
        run = run._replace(resumes=False)
        if unit.procedure in (_P.RUNNING, _P.RESTARTING):
            return transition(unit, _P.HOLDING), run._replace(held_s=0.0, settled_s=0.0)
    if unit.procedure is _P.HELD and _goes_on(run, asked, verdict):
        held_s = run.held_s if run.is_dry else 0.0  # a dry hold is judged by it as the run is filled again
        return transition(unit, _P.RESTARTING), run._replace(held_s=held_s, settled_s=0.0)
    return unit, run


def _released(unit: Unit, run: Run, asked: Asked, verdict: Verdict) -> tuple[Unit, Run]:
    """Hold the run dry: its outputs are off from this scan on. What somebody held stays held."""
    if run.is_dry:
        return unit, run._replace(resumes=run.resumes and verdict.resumes and not asked.hold)
    is_going = unit.procedure in (_P.RUNNING, _P.RESTARTING)
    run = run._replace(
        is_dry=True,
        resumes=is_going and verdict.resumes and not asked.hold,
        restarts=run.restarts + verdict.resumes,
        held_s=0.0 if is_going else run.held_s,
        settled_s=0.0,
        checkpoint_s=math.inf,
    )
    return transition(unit, _P.HOLDING) if is_going else unit, run


def _goes_on(run: Run, asked: Asked, verdict: Verdict) -> bool:
    """Return whether a held run goes on: a wet one when its time is up, a dry one only where its cause ends it."""
    return asked.restart or (run.resumes if run.is_dry else "held-too-long" in verdict.causes)


def _refilled(site: Site, unit: Unit, run: Run) -> Step:
    """Begin the run again after a dry hold, by filling its pipes. A phase that was cut comes again, for the rest of it.

    Stock that has been in the pipes for too long, or that somebody added to, is not followed by the rest of the dose.
    """
    if unit.phase is None:
        raise ValueError("a run that is held has a phase")
    left = (unit.phase, run, "held with all outputs off")
    if run.held_s > site.limits.hold_max_s and not run.injection_over:
        run = run._replace(given_up="held with all outputs off for too long")
    if unit.phase is Phase.INJECT:
        run = run._replace(injecting_l=run.injecting_l + run.phase_water_l)
    run = _fresh(run)._replace(is_dry=False, resumes=False, held_s=0.0, settled_s=0.0, settled_kpa=0.0)
    return Step(enter(transition(unit, _P.RUNNING), Phase.FILL), run, left=left)


def _advance(site: Site, unit: Unit, run: Run, last: Outputs, owed_l: float, is_handed_on: bool) -> Step:
    """Move on to the next phase when this one's litres have passed."""
    recipe = run.recipe
    if run.end:
        if _all_off(last):
            return Step(transition(unit, _P.COMPLETE), run, ended=True)
        return Step(unit, run)
    match unit.phase:
        case Phase.FILL if run.settled_s >= site.limits.settle_s:
            return _next(unit, run, Phase.PREWET, "flow and pressure steady")
        case Phase.PREWET if run.water_l >= recipe.prewet_l and (owed_l <= 0.0 or run.injection_over):
            if run.injection_over:
                return _next(unit, run, Phase.FLUSH, f"no injection: {run.given_up or 'none planned'}")
            return _next(unit, run, Phase.INJECT, "pre-wet volume passed")
        case Phase.INJECT if run.injection_over and not _is_injecting(last):
            return _next(unit, run, Phase.FLUSH, run.given_up or "planned stock is in")
        case Phase.FLUSH if run.water_l >= recipe.water_l and owed_l <= 0.0:
            return _flushed(unit, run, is_handed_on)
        case _:
            return Step(unit, run)


def _flushed(unit: Unit, run: Run, is_handed_on: bool) -> Step:
    """End a flush whose litres have passed, unless the line's EC asks for more."""
    within_ms_cm = run.recipe.flush_ec_ms_cm if run.has_injected else 0.0
    test = judge(run.rise, within_ms_cm, run.since_injected_l, run.recipe.flush_most_l)
    if not test.is_over:
        return Step(unit, run)
    why = "flush and planned water passed" if run.has_injected else "planned water passed"
    why = f"{why}; {test.why}" if test.why else why
    left, run = (Phase.FLUSH, run, why), run._replace(end=why)
    if is_handed_on:
        return Step(transition(unit, _P.COMPLETE), run, ended=True, left=left, is_unclear=not test.is_clear)
    return Step(unit, run, left=left, is_unclear=not test.is_clear)


def _next(unit: Unit, run: Run, phase: Phase, why: str) -> Step:
    if unit.phase is None:
        raise ValueError("a phase follows a phase")
    return Step(enter(unit, phase), _fresh(run), left=(unit.phase, run, why))


def _fresh(run: Run) -> Run:
    """Return the run with nothing counted of its next phase."""
    return run._replace(phase_s=0.0, phase_water_l=0.0, phase_stock_l=0.0, paused_s=0.0)


def settled(site: Site, run: Run, facts: Facts, last: Outputs) -> tuple[float, float]:
    """Return how long flow and pressure have been steady, and the pressure that it began with.

    Flow must be the shift's own: steady alone would pass a burst. So must the open valves: what runs into the last
    shift's blocks while it hands over neither pre-wets these nor pays what they owe.
    """
    band = run.recipe.flow_m3_h * site.main.flow_band_pct / 100.0
    is_steady = (
        last.pump
        and last.blocks == run.blocks
        and facts.flow_proven
        and abs(facts.flow_m3_h - run.recipe.flow_m3_h) <= band
        and facts.pressure_good
        and facts.pressure_kpa >= site.main.min_pressure_kpa
    )
    if not is_steady:
        return 0.0, 0.0
    if run.settled_s == 0.0 or abs(facts.pressure_kpa - run.settled_kpa) > _STEADY * run.settled_kpa:
        return facts.dt_s, facts.pressure_kpa
    return run.settled_s + facts.dt_s, run.settled_kpa


def flow_fit(site: Site, run: Run, facts: Facts) -> float:
    """Return the flow as a multiple of the shift's own; 1 while it is within its band, or not known."""
    expected = run.recipe.flow_m3_h
    if not facts.flow_good or abs(facts.flow_m3_h - expected) <= expected * site.main.flow_band_pct / 100.0:
        return 1.0
    return facts.flow_m3_h / expected


def _is_injecting(last: Outputs) -> bool:
    return any(channel.run for channel in last.channels.values())


def _all_off(last: Outputs) -> bool:
    return not last.pump and not last.blocks and not any(c.run or c.valve for c in last.channels.values())
