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
) -> Outputs:
    """Return the outputs: what is wanted, less what this scan's facts do not permit."""
    if facts.emergency_stop_healthy is False or facts.selector_auto is False:
        return SAFE
    pump = water.pump and verdict.effect < Effect.ZERO
    may_inject = run is not None and pump and _permits(site, unit, run, verdict, facts, last)
    channels: dict[str, ChannelOutput] = {}
    for name, want in wants.items() if verdict.effect < Effect.ZERO else ():
        if may_inject and want.run and _channel_permits(site, name, facts):
            channels[name] = ChannelOutput(valve=True, run=True, drive=want.drive)
        elif want.valve and _valve_permits(may_inject, last, name):
            channels[name] = ChannelOutput(valve=True)
    return Outputs(pump, water.blocks, channels)


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
        and facts.emergency_stop_healthy is True
        and facts.selector_auto is True
        and facts.outputs_seen
        and facts.outputs_match
        and facts.watchdog_armed
        and facts.pump_running is True
        and last.pump
        and last.blocks == frozenset(block.block for block in run.recipe.blocks)
        and 0 < run.intent <= facts.durable
        and facts.ledger_writable
        and facts.commit_late_s <= site.limits.commit_age_s
    )


def _channel_permits(site: Site, name: str, facts: Facts) -> bool:
    channel = facts.channels[name]
    low_l = site.tank[site.injector[name].tank].low_l
    return channel.meter_good and channel.content_good and channel.content_l >= low_l


def _valve_permits(may_inject: bool, last: Outputs, name: str) -> bool:
    """Return whether the injection valve may be open with its injector off: on its way to open, or just behind it."""
    before = last.channels.get(name)
    return may_inject or (before is not None and before.run)
