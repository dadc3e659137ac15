"""The last word on every output. It only removes, and is the only place that makes an energised injector."""

from collections.abc import Mapping

from daemon.control.guard import Verdict
from daemon.control.image import SAFE, ChannelOutput, Outputs
from daemon.control.injection import Want
from daemon.control.lease import NOTHING, Merged
from daemon.control.run import Run
from daemon.control.sense import Facts
from daemon.control.states import ACTIVE, Effect, Phase, ProcedureState, Unit
from daemon.control.water import WaterWant
from daemon.site import Site

_NONE: frozenset[str] = frozenset()


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
    forced: Merged = NOTHING,
) -> Outputs:
    """Return outputs: what is wanted, less what this scan's facts do not permit.

    An injector opens only with its intent on disk, or the lease that forces it.
    """
    if facts.emergency_stop_healthy is False or facts.selector_auto is False or verdict.effect is Effect.RELEASE:
        return SAFE
    pump = water.pump and verdict.effect < Effect.ZERO
    intended = _NONE
    if pump and _permits(site, verdict, facts, last):
        numbers = _announced(site, unit, run, last, water, forced)
        intended = frozenset(name for name, number in numbers.items() if number <= facts.durable)
    channels: dict[str, ChannelOutput] = {}
    for name, want in wants.items() if verdict.effect < Effect.ZERO else ():
        if want.run and name in intended and _channel_permits(site, name, verdict, facts):
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


def _permits(site: Site, verdict: Verdict, facts: Facts, last: Outputs) -> bool:
    """Return whether any injector may be on: invariant 1, from this scan's readings alone, but for its path."""
    return (
        verdict.effect is Effect.NONE
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
        and facts.ledger_writable
        and facts.commit_late_s <= site.limits.commit_age_s
    )


def _announced(
    site: Site, unit: Unit, run: Run | None, last: Outputs, water: WaterWant, forced: Merged
) -> Mapping[str, int]:
    """Return the channels that may open by their path, each with the row that must be on disk before it does.

    In a run the shift's own valves are open and no other: a force that adds to them, or takes from the shift's water,
    closes its injectors. Without one, valves that are forced are open, and no other, with a forced supply.
    """
    if unit.procedure in ACTIVE:
        if run is None or unit.procedure is not ProcedureState.RUNNING or unit.phase is not Phase.INJECT:
            return {}
        is_own_path = last.blocks == water.blocks == run.blocks and forced.shut.isdisjoint(run.blocks)
        may = is_own_path and forced.pump is not False and not run.given_up
        return {name: row for name, row in run.intents.items() if may and name not in forced.shut_channels}
    is_open = bool(forced.open) and last.blocks == water.blocks == forced.open and water.are_open
    may = is_open and (forced.pump is True or site.pump is None)
    return {name: lease.row for name, lease in forced.injectors.items() if may and lease.is_on}


def _channel_permits(site: Site, name: str, verdict: Verdict, facts: Facts) -> bool:
    """Return whether the channel's own readings permit it. A level that a technician bypasses is not waited for."""
    channel, tank = facts.channels[name], site.tank[site.injector[name].tank]
    if tank.content is None:  # a displacement tank is always full
        return channel.meter_good
    if not channel.content_good:
        return channel.meter_good and "tank-level-bad" in verdict.bypassed
    return channel.meter_good and channel.content_l >= tank.low_l


def _is_just_off(last: Outputs, name: str) -> bool:
    """Return whether the injector was on until now: its valve may shut behind it."""
    before = last.channels.get(name)
    return before is not None and before.run
