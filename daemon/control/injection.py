"""Proportional injection: the rate each channel should run at, trimmed by its own meter."""

import itertools
from typing import NamedTuple

from daemon.control.guard import Verdict
from daemon.control.image import Outputs
from daemon.control.run import ChannelRun, Run
from daemon.control.sense import Facts
from daemon.control.states import Effect, Phase, ProcedureState, Unit
from daemon.dosing.estimates import k2_of_class_pct
from daemon.recipe import ChannelPlan
from daemon.site import Injector, Site

_TRIM_TIME_S = 120.0
"""Time in which a steady error would be integrated away."""
_SETTLED_S = 15.0
"""The trim learns only after the injector has run this long in one go."""
_MOST_TRIM_PCT = 5.0
_STILL = 0.01
"""A drive this close, relative, to what it should be is left alone: a pump that follows every ripple only wears."""
_LAG_S = 1.0
"""Stock that still comes after the injector is switched off, as time at its rate."""


class Want(NamedTuple):
    """What one channel should do, before the gate has judged it."""

    valve: bool
    run: bool
    drive: float


_OFF = Want(False, False, 0.0)


def drive_for(injector: Injector, rate_l_h: float) -> float:
    """Return the drive, 0 to 1, at which the calibration curve gives `rate_l_h`; clamped to the curve's ends."""
    points = injector.curve
    if rate_l_h <= points[0][1]:
        return points[0][0]
    for (drive_0, rate_0), (drive_1, rate_1) in itertools.pairwise(points):
        if rate_l_h <= rate_1:
            return drive_0 + (drive_1 - drive_0) * (rate_l_h - rate_0) / (rate_1 - rate_0)
    return points[-1][0]


def inject(
    site: Site, unit: Unit, run: Run | None, verdict: Verdict, facts: Facts, last: Outputs
) -> tuple[Run | None, dict[str, Want]]:
    """Return the run with each channel moved on, and what each channel should do.

    A channel that is not wanted gives its valve one scan longer than its pump, so that the pump never pushes against
    a closed valve.
    """
    if run is None:
        return None, {name: _closing(last, name) for name in last.channels}
    is_injecting = unit.procedure is ProcedureState.RUNNING and unit.phase is Phase.INJECT and not run.end
    wants: dict[str, Want] = {}
    channels: dict[str, ChannelRun] = {}
    for plan in run.recipe.channels:
        injector = site.injector[plan.channel]
        channel = _follow(plan, run.channels[plan.channel], last, facts.dt_s)
        if is_injecting and not run.given_up and not channel.done and verdict.effect is Effect.NONE:
            channel, wants[plan.channel] = _pace(injector, plan, channel, facts, last)
        else:
            channel = ChannelRun(channel.injected_l, 0.0, channel.trim, 0.0, channel.done)
            wants[plan.channel] = _closing(last, plan.channel)
        channels[plan.channel] = channel
    is_paused = is_injecting and verdict.effect is Effect.PAUSE
    paused_s = run.paused_s + facts.dt_s if is_paused else 0.0
    intent = run.intent if any(want.valve for want in wants.values()) and not is_paused else 0
    return run._replace(channels=channels, paused_s=paused_s, intent=intent), wants


def _follow(plan: ChannelPlan, channel: ChannelRun, last: Outputs, dt_s: float) -> ChannelRun:
    """Note how long the injector has been on, and whether what was metered and what still comes is all."""
    coming_l = channel.rate_l_h / 3600.0 * (0.5 * dt_s + _LAG_S)
    was_on = plan.channel in last.channels and last.channels[plan.channel].run
    return ChannelRun(
        injected_l=channel.injected_l,
        rate_l_h=channel.rate_l_h,
        trim=channel.trim,
        on_s=channel.on_s + dt_s if was_on else 0.0,
        done=channel.done or channel.injected_l + coming_l >= plan.stock_l,
    )


def _pace(
    injector: Injector, plan: ChannelPlan, channel: ChannelRun, facts: Facts, last: Outputs
) -> tuple[ChannelRun, Want]:
    """Feed forward from the proven flow, corrected by the trim."""
    before = last.channels.get(plan.channel)
    rate_l_h = plan.ratio * facts.flow_m3_h * 1000.0
    trim = channel.trim
    if channel.on_s >= _SETTLED_S and facts.dt_s > 0.0 and channel.rate_l_h > 0.0:
        metered_l_h = facts.channels[plan.channel].moved_l * 3600.0 / facts.dt_s
        most = min(
            _MOST_TRIM_PCT, injector.curve_accuracy_pct + k2_of_class_pct(injector.meter.accuracy_pct_of_reading)
        )
        error = (channel.rate_l_h - metered_l_h) / channel.rate_l_h
        trim = min(1.0 + most / 100.0, max(1.0 - most / 100.0, trim + error * facts.dt_s / _TRIM_TIME_S))
    wanted = rate_l_h * trim
    if wanted > injector.curve[-1][1] or wanted < injector.curve[0][1]:
        trim = channel.trim  # saturated: what the meter shows says nothing of the curve
    valve_is_open = before is not None and before.valve
    drive = drive_for(injector, rate_l_h * trim)
    if before is not None and before.run and abs(drive - before.drive) <= _STILL * drive:
        drive = before.drive
    want = Want(valve=True, run=valve_is_open, drive=drive)
    rate_l_h = rate_l_h if valve_is_open else 0.0
    return ChannelRun(channel.injected_l, rate_l_h, trim, channel.on_s, channel.done), want


def _closing(last: Outputs, name: str) -> Want:
    before = last.channels.get(name)
    return Want(valve=before is not None and before.run, run=False, drive=0.0)
