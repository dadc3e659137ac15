"""Proportional injection: what each channel should do, paced by its kind of injector and trimmed by its own meter."""

import math
from typing import NamedTuple

from daemon.control.guard import Verdict
from daemon.control.image import ChannelOutput, Outputs
from daemon.control.rate import SETTLED_S, drive_for
from daemon.control.run import ChannelRun, Run, Window
from daemon.control.sense import Facts
from daemon.control.states import Effect, Phase, ProcedureState, Unit
from daemon.dosing.estimates import k2_of_class_pct
from daemon.equipment import DisplacementTank, DutyPump, Injector, MeteringPump
from daemon.recipe import ChannelPlan
from daemon.site import Site

_TRIM_TIME_S = 120.0
"""Time in which a steady error would be integrated away."""
_MOST_TRIM_PCT = 5.0
_STILL = 0.01
"""A drive this close, relative, to what it should be is left alone: a pump that follows every ripple only wears."""
_LAG_S = 1.0
"""Stock that still comes after the injector is switched off, as time at its rate."""
_SCANS_TO_STOP = 2.0
"""Until a switch-off shows at the latest: the scan that is missed when it is put off, and one that comes late."""


class Want(NamedTuple):
    """What one channel should do, before the gate has judged it."""

    valve: bool
    run: bool
    drive: float
    is_resting: bool = False
    """Its valve stays open and its pump waits for the next on-time."""


_OFF = Want(False, False, 0.0)
_NOT_YET = ChannelOutput()


def stock_of(site: Site, channel: str, injected_l: float, moved_l: float) -> float:
    """Return the litres of stock, at its strength when charged, in `moved_l` more of what the channel's meter counts.

    A displacement tank is fully mixed: of what is still in it 1 - exp(-v/V) leaves with v litres of water (domain
    sheet, T1).
    """
    injector = site.injector[channel]
    if not moved_l or not isinstance(injector, DisplacementTank):
        return moved_l
    volume_l = site.tank[injector.tank].volume_l
    return -(volume_l - injected_l) * math.expm1(-moved_l / volume_l)


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
    may_inject = is_injecting and not run.given_up and verdict.effect is Effect.NONE
    wants = {name: _closing(last, name) for name in last.channels if name not in run.channels}
    has_gone_silent = "injector-silent" in verdict.raised
    channels: dict[str, ChannelRun] = {}
    for plan in run.recipe.channels:
        injector = site.injector[plan.channel]
        channel = _follow(site, plan, run.channels[plan.channel], last, facts.dt_s)
        if has_gone_silent and facts.channels[plan.channel].silent_s >= injector.stroke_window_s:
            channel = channel._replace(silences=channel.silences + 1)
        if may_inject and not channel.done and _is_next(plan, run):
            channel, wants[plan.channel] = _pace(injector, plan, channel, facts, last)
        else:
            channel = channel._replace(rate_l_h=0.0, on_s=0.0, window=Window())
            wants[plan.channel] = _closing(last, plan.channel)
        channels[plan.channel] = channel
    is_paused = is_injecting and verdict.effect is Effect.PAUSE
    paused_s = run.paused_s + facts.dt_s if is_paused else 0.0
    intents = {name: row for name, row in run.intents.items() if wants[name].valve} if not is_paused else {}
    return run._replace(channels=channels, paused_s=paused_s, intents=intents), wants


def _is_next(plan: ChannelPlan, run: Run) -> bool:
    """Return whether its water has come, and the channel before it is done and rinsed out behind the injection."""
    if run.injecting_l + run.phase_water_l < plan.start_l:
        return False
    if not plan.after:
        return True
    before = run.channels[plan.after]
    return before.done and before.since_l >= plan.rinse_l


def _follow(site: Site, plan: ChannelPlan, channel: ChannelRun, last: Outputs, dt_s: float) -> ChannelRun:
    """Note how long the injector has been on, and whether what was metered and what still comes is all."""
    moving_l = channel.rate_l_h / 3600.0 * (0.5 * dt_s + _LAG_S)
    coming_l = stock_of(site, plan.channel, channel.injected_l, moving_l)
    was_on = last.channels.get(plan.channel, _NOT_YET).run
    is_in = channel.injected_l + coming_l >= plan.stock_l or _is_near_cap(site, plan, channel, dt_s)
    return channel._replace(on_s=channel.on_s + dt_s if was_on else 0.0, done=channel.done or is_in)


def _is_near_cap(site: Site, plan: ChannelPlan, channel: ChannelRun, dt_s: float) -> bool:
    """Return whether the injector, at its highest rate, could pass a hard cap before it can be stopped a scan later."""
    if plan.most_l is None:
        return False
    injector = site.injector[plan.channel]
    coming_l = injector.highest_l_h / 3600.0 * (_SCANS_TO_STOP * dt_s + _LAG_S) + (injector.meter.per_count or 0.0)
    return channel.injected_l + stock_of(site, plan.channel, channel.injected_l, coming_l) >= plan.most_l


def _pace(
    injector: Injector, plan: ChannelPlan, channel: ChannelRun, facts: Facts, last: Outputs
) -> tuple[ChannelRun, Want]:
    """Feed forward from the proven flow where the injector can be paced; one of a single rate is just on."""
    before = last.channels.get(plan.channel, _NOT_YET)
    if isinstance(injector, MeteringPump):
        return _by_speed(injector, plan, channel, facts, before)
    if isinstance(injector, DutyPump):
        return _by_duty(injector, plan, channel, facts, before)
    rate_l_h = injector.rate_l_h if before.valve else 0.0
    return channel._replace(rate_l_h=rate_l_h), Want(valve=True, run=before.valve, drive=1.0)


def _by_speed(
    injector: MeteringPump, plan: ChannelPlan, channel: ChannelRun, facts: Facts, before: ChannelOutput
) -> tuple[ChannelRun, Want]:
    rate_l_h = plan.ratio * facts.flow_m3_h * 1000.0
    trim = channel.trim
    if channel.on_s >= SETTLED_S and facts.dt_s > 0.0 and channel.rate_l_h > 0.0:
        metered_l_h = facts.channels[plan.channel].moved_l * 3600.0 / facts.dt_s
        error = (channel.rate_l_h - metered_l_h) / channel.rate_l_h
        trim = _clamped(injector, trim + error * facts.dt_s / _TRIM_TIME_S)
    if not injector.lowest_l_h <= rate_l_h * trim <= injector.highest_l_h:
        trim = channel.trim  # saturated: what the meter shows says nothing of the curve
    drive = drive_for(injector, rate_l_h * trim)
    if before.run and abs(drive - before.drive) <= _STILL * drive:
        drive = before.drive
    channel = channel._replace(rate_l_h=rate_l_h if before.valve else 0.0, trim=trim)
    return channel, Want(valve=True, run=before.valve, drive=drive)


def _by_duty(
    injector: DutyPump, plan: ChannelPlan, channel: ChannelRun, facts: Facts, before: ChannelOutput
) -> tuple[ChannelRun, Want]:
    """Pace by the share of the time that the pump is on; learn from what a whole window metered.

    It is switched by whole scans: what a window gives too much or too little, the next ones make up for.
    """
    if not before.valve:
        return channel._replace(rate_l_h=0.0, window=Window()), Want(valve=True, run=False, drive=1.0)
    dt_s, trim, window = facts.dt_s, channel.trim, channel.window
    wanted_l_h = plan.ratio * facts.flow_m3_h * 1000.0
    share = min(1.0, wanted_l_h * trim / injector.rate_l_h)
    on_s = dt_s if before.run else 0.0
    is_first = window.passed_s == 0.0
    window = Window(
        window.passed_s + dt_s,
        window.on_s + on_s,
        window.metered_l + facts.channels[plan.channel].moved_l,
        window.due_s + share * dt_s - on_s,
    )
    is_over = window.passed_s >= injector.window_s
    if is_over:
        is_saturated = not injector.lowest_l_h <= wanted_l_h * trim <= injector.highest_l_h
        if window.metered_l > 0.0 and window.on_s > 0.0 and not is_saturated:
            promised_l = injector.rate_l_h * window.on_s / 3600.0
            error = 1.0 - trim * window.metered_l / promised_l
            trim = _clamped(injector, trim + error * window.passed_s / _TRIM_TIME_S)
        window = Window(window.passed_s % injector.window_s, due_s=window.due_s)
    left_s = window.due_s + share * (injector.window_s - window.passed_s)
    if before.run:
        is_on = left_s >= 0.5 * dt_s or channel.on_s < injector.min_on_s
    else:
        is_on = (is_first or is_over) and left_s >= 0.5 * injector.min_on_s
    channel = channel._replace(rate_l_h=injector.rate_l_h if is_on else 0.0, trim=trim, window=window)
    return channel, Want(valve=True, run=is_on, drive=1.0, is_resting=not is_on)


def _clamped(injector: MeteringPump | DutyPump, trim: float) -> float:
    """Return the trim within what curve and meter may be off together: more would hide a wrong meter."""
    meter_pct = k2_of_class_pct(injector.meter.accuracy_pct_of_reading)
    most = min(_MOST_TRIM_PCT, injector.accuracy_pct + meter_pct) / 100.0
    return min(1.0 + most, max(1.0 - most, trim))


def _closing(last: Outputs, name: str) -> Want:
    return Want(valve=last.channels.get(name, _NOT_YET).run, run=False, drive=0.0)
