"""The snapshot: one scan's plant and run, put into words and numbers for everybody outside the daemon."""

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from daemon.control.alarms import Alarm, state_of
from daemon.control.decide import Decision, State
from daemon.control.image import Image
from daemon.control.interlocks import BY_CODE
from daemon.control.lines import doses
from daemon.control.testimony import witnesses_of
from daemon.dosing.reconcile import reconcile
from daemon.messages import Snapshot
from daemon.runtime.scan import Scanned
from daemon.site import Plant
from drivers.health import Counters, DeviceHealth, Health
from drivers.reading import Reading


def make_snapshot(
    plant: Plant,
    scanned: Scanned,
    simulated: bool,
    links: Mapping[str, Health],
    devices: Mapping[str, DeviceHealth],
    tonight: Mapping[str, Any],
    late_s: float = 0.0,
    missed_scans: int = 0,
    step: Mapping[str, Any] = MappingProxyType({}),
) -> Snapshot:
    """Return the snapshot of a scan."""
    decision = scanned.decision
    state, run = decision.state, decision.state.run
    image, outputs = scanned.image, decision.outputs
    return Snapshot(
        at_ms=scanned.stamp.ms,
        clock_trusted=scanned.stamp.trusted,
        simulated=simulated,
        site=plant.site.site.name,
        scan=scanned.number,
        mode=state.unit.mode.value,
        procedure=state.unit.procedure.value,
        phase=state.unit.phase.value if state.unit.phase else None,
        run=run.recipe.run if run else None,
        shift=run.recipe.shift if run else None,
        queue=[recipe.shift for recipe in state.queue],
        readings={name: _reading(reading) for name, reading in readings_of(image).items() if reading is not None},
        outputs={
            "pump": outputs.pump,
            "pump_speed": round(outputs.pump_speed, 4),
            "backwash": outputs.backwash,
            "blocks": sorted(outputs.blocks),
            "channels": {
                name: {"valve": c.valve, "run": c.run, "drive": round(c.drive, 4)}
                for name, c in outputs.channels.items()
            },
        },
        progress=_progress(plant, scanned),
        estimates=_estimates(plant, state),
        owed=[
            {"segment": o.segment, "stock": o.stock, "run": o.run, "left_l": round(o.left_l, 1)}
            for o in state.lines.owed
        ],
        alarms=_alarms(decision),
        leases=[
            {
                "kind": lease.kind,
                "target": lease.target,
                "is_on": lease.is_on,
                "left_s": round(lease.left_s, 1),
                "who": lease.who,
                "reason": lease.reason,
            }
            for lease in state.leases
        ],
        ledger={
            "durable": image.ledger.durable,
            "pending_s": round(image.ledger.pending_s, 3),
            "writable": image.ledger.writable,
        },
        links={name: {"connected": health.connected, **_counters(health)} for name, health in links.items()},
        tonight=dict(tonight),
        devices={
            name: {"state": health.state.value, "resting": health.resting, **_counters(health)}
            for name, health in devices.items()
        },
        late_s=round(late_s, 4),
        missed_scans=missed_scans,
        step=dict(step),
    )


def readings_of(image: Image) -> dict[str, Reading | None]:
    """Return every reading of a scan by the name that everybody outside the daemon knows it by."""
    readings: dict[str, Reading | None] = {
        "flow_m3_h": image.flow_m3_h,
        "water_l": image.water_l,
        "pressure_kpa": image.pressure_kpa,
        "background_ec_ms_cm": image.background_ec_ms_cm,
        "line_ec_ms_cm": image.line_ec_ms_cm,
        "pump_running": image.pump_running,
        "emergency_stop_healthy": image.emergency_stop_healthy,
        "selector_auto": image.selector_auto,
        "backwashing": image.backwashing,
        "filter_difference_kpa": image.filter_difference_kpa,
    }
    for name, channel in image.channels.items():
        readings[f"injector.{name}.stock_l"] = channel.stock_l
        readings[f"tank.{name}.content_l"] = channel.content_l
    for name, reading in image.far_ec_ms_cm.items():
        readings[f"block.{name}.far_ec_ms_cm"] = reading
    return readings


def _alarms(decision: Decision) -> list[dict[str, Any]]:
    """Return every cause in force and every alarm that is not normal, the most urgent first, then the oldest."""
    state, verdict = decision.state, decision.verdict
    shown = []
    for code in {*verdict.causes, *state.alarms.by_code}:
        row, alarm = BY_CODE[code], state.alarms.by_code.get(code)
        in_words = "no alarm"
        if alarm is not None:
            in_words = state_of(alarm, code in state.guard.held_s, code in verdict.bypassed)
        else:
            alarm = Alarm()
        shown.append(
            {
                "code": code,
                "state": in_words,
                "in_force": code in verdict.causes,
                "priority": row.priority.name,
                "wakes": row.wakes,
                "first": alarm.is_first,
                "age_s": round(alarm.age_s, 1),
                "shelved_s": round(alarm.shelved_s, 1),
                "effect": row.effect.name,
                "meaning": row.meaning,
                "likely": row.likely,
                "check": row.check,
                "reset": row.reset.value,
            }
        )
    return sorted(shown, key=lambda one: (-BY_CODE[one["code"]].priority, -one["age_s"], one["code"]))


def _reading(reading: Reading) -> dict[str, Any]:
    value = None if math.isnan(reading.value) else round(reading.value, 4)
    return {"value": value, "quality": reading.quality.value}


def _progress(plant: Plant, scanned: Scanned) -> dict[str, float]:
    run = scanned.decision.state.run
    if run is None:
        return {}
    recipe = run.recipe
    progress = {
        "run_s": run.run_s,
        "phase_s": run.phase_s,
        "water_m3": run.water_l / 1000.0,
        "planned_water_m3": recipe.water_l / 1000.0,
        "stock_l": run.injected_l,
        "planned_stock_l": sum(channel.stock_l for channel in recipe.channels),
    }
    for dose in doses(plant.site, run, scanned.decision.state.lines):
        progress[f"{dose.block}.{dose.nutrient}.delivered_kg"] = dose.delivered_mg / 1e6
        progress[f"{dose.block}.{dose.nutrient}.planned_kg"] = dose.planned_mg / 1e6
    return {name: round(value, 4) for name, value in progress.items()}


def _estimates(plant: Plant, state: State) -> list[dict[str, Any]]:
    """Return what speaks of each channel's stock so far."""
    run = state.run
    if run is None:
        return []
    shown = []
    for plan in run.recipe.channels:
        if run.channels[plan.channel].injected_l <= 0.0:
            continue
        seen = witnesses_of(plant.site, run, plan, is_blind=state.lines.is_blind)
        said = {"meter": seen.meter, "tank": seen.tank, "ec": seen.ec, "together": reconcile(seen).dose}
        litres = {
            name: None if one is None else {"litres": round(one.value, 2), "u_k2_litres": round(one.u, 2)}
            for name, one in said.items()
        }
        shown.append({"channel": plan.channel, **litres, "tank_silent": seen.tank_silent, "ec_silent": seen.ec_silent})
    return shown


def _counters(counters: Counters) -> dict[str, Any]:
    return {
        "requests": counters.requests,
        "ok": counters.ok,
        "timeouts": counters.timeouts,
        "exceptions": counters.exceptions,
        "protocol": counters.protocol,
        "failures_in_a_row": counters.consecutive_failures,
        "last_failure": counters.last_failure,
    }
