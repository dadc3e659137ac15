"""The last word on every output. It only removes, and is the only place that makes an energised injector."""

from collections.abc import Mapping

from daemon.control.guard import Verdict
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.injection import Want
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import Effect, Phase, ProcedureState, Unit
from daemon.control.water import WaterWant
from daemon.site import Site


def gate(
    site: Site,
    unit: Unit,
    run: Run | None,
    verdict: Verdict,
    facts: Facts,
    last: Outputs,
    water: WaterWant,
    wants: Mapping[str, Want],
    backwash: bool,
) -> Outputs:
    """Return outputs: what is wanted, less what this scan's facts do not permit. Without an intent nothing opens."""
    if facts.emergency_stop_healthy is False or facts.selector_auto is False:
        return SAFE
    pump = water.pump and verdict.effect < Effect.ZERO
    intended: frozenset[str] = frozenset()
    if run is not None and pump and _permits(site, unit, run, verdict, facts, last):
        intended = frozenset(name for name, number in run.intents.items() if number <= facts.durable)
    channels: dict[str, ChannelOutput] = {}
    for name, want in wants.items() if verdict.effect < Effect.ZERO else ():
        if want.run and name in intended and _channel_permits(site, name, facts):
            channels[name] = ChannelOutput(valve=True, run=True, drive=want.drive)
        elif want.valve and (name in intended or _is_just_off(last, name)):
            channels[name] = ChannelOutput(valve=True)
    is_unseen = last.backwash and site.main.comes_before("filter", "meter")  # it takes what the meter would see
    may_wash = (
        pump
        and verdict.effect < Effect.ONE
        and (facts.flow_proven or is_unseen)
        and (last.backwash or _is_sure(facts))
        and not any(c.run for c in channels.values())
    )
    return Outputs(pump, water.pump_speed if pump else 0.0, water.blocks, channels, backwash and may_wash)


def _is_sure(facts: Facts) -> bool:
    """Return whether anything may come on: the safety circuit and the output module are read, and well."""
    return facts.emergency_stop_healthy is True and facts.selector_auto is True and facts.outputs_seen


def _permits(site: Site, unit: Unit, run: Run, verdict: Verdict, facts: Facts, last: Outputs) -> bool:
    """Return whether any injector may be on: invariant 1, from this scan's readings alone."""
    return (
        unit.procedure is ProcedureState.RUNNING
        and unit.phase is Phase.INJECT
        and not run.given_up
        and verdict.effect is Effect.NONE
        and facts.flow_good
        and facts.flow_proven
        and facts.water_good
        and facts.pressure_good
        and facts.pressure_kpa >= site.main.min_pressure_kpa
        and _is_sure(facts)
        and facts.outputs_match
        and facts.watchdog_armed
        and facts.pump_running is True
        and facts.is_filter_quiet
        and last.pump
        and last.blocks == run.blocks
        and facts.ledger_writable
        and facts.commit_late_s <= site.limits.commit_age_s
    )


def _channel_permits(site: Site, name: str, facts: Facts) -> bool:
    channel, tank = facts.channels[name], site.tank[site.injector[name].tank]
    if tank.content is None:  # a displacement tank is always full
        return channel.meter_good
    return channel.meter_good and channel.content_good and channel.content_l >= tank.low_l


def _is_just_off(last: Outputs, name: str) -> bool:
    """Return whether the injector was on until now: its valve may shut behind it."""
    before = last.channels.get(name)
    return before is not None and before.run
