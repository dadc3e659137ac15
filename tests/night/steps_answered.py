"""What a technician enters at each stage of each step: from the plant's truth, with a person's reading noise."""

from typing import Any

from daemon.commissioning.meter_test import standard_ms_cm
from daemon.messages import Verb
from tests.night.technician import A_PROGRAM, Technician

BLOCK = "creek"
_EMITTERS = 106 * 200


async def transit_far(technician: Technician, stage: str) -> dict[str, Any]:
    """Enter what the transit test by the far probe asks for."""
    return {"way": {"how": "far probe", "instrument": "its own probe", "emitter": "the last of the last lateral"}}[
        stage
    ]


async def injector(technician: Technician, stage: str) -> dict[str, Any]:
    """Enter what the calibration of an injector asks for: a cylinder that is read to 5 mL."""
    channel = technician.view["subject"]
    truth = await technician.truth()
    if stage == "way":
        return {"instrument": "a cylinder of 30 L", "accuracy_ml": 10.0, "block": BLOCK}
    if stage.startswith("ready"):
        technician.before = truth
        return {}
    drawn_l = truth["stock_injected_l"][channel] - technician.before["stock_injected_l"][channel]
    return {"ml": technician.read(1000.0 * drawn_l, 5.0)}


async def meter(technician: Technician, stage: str) -> dict[str, Any]:
    """Enter what the test of the main meter asks for: a reference that is read to 0.2 %."""
    if stage == "way":
        return {"block": BLOCK, "instrument": "a verified meter"}
    truth = await technician.truth()
    if stage == "ready":
        technician.before = truth
        return {}
    if stage == "stop":
        technician.passed_l = 1000.0 * (truth["water_m3"] - technician.before["water_m3"])
        return {}
    passed_l = technician.passed_l
    return {"caught_l": technician.read(passed_l, 0.001 * passed_l), "caught_u_l": 0.002 * passed_l}


async def probe(technician: Technician, stage: str) -> dict[str, Any]:
    """Enter what the test of the probe asks for, and hold it in the standards."""
    if stage == "way":
        return {"instrument": "standards, lot 7"}
    held = {"ready.dry": 0.0, "ready.weak": standard_ms_cm(0.01, 25.0), "ready.strong": standard_ms_cm(0.1, 25.0)}
    if stage in held:
        await technician.simulator.ask("dip", ms_cm=held[stage])
        return {"at_c": technician.read(22.0, 0.1)}
    await technician.simulator.ask("dip")
    return {}


async def pump(technician: Technician, stage: str) -> dict[str, Any]:
    """Enter what the pump test asks for: a power meter that is read to 1 %."""
    if stage == "way":
        return {
            "instrument": "a clamp meter", "gauge_m": 0.0, "suction_loss_m": 0.0, "bore_mm": 150.6, "season_ml": 120.0,
            "tariff": 0.3, "block": BLOCK,
        }  # fmt: skip
    truth = await technician.truth()
    power_kw = truth["line"]["power_kw"]
    return {"power_kw": technician.read(power_kw, 0.005 * power_kw), "add": "bridge" if stage == "read.1" else "no"}


async def fill(technician: Technician, stage: str) -> dict[str, Any]:
    """Enter what filter and fill asks for, and wash the filter by hand for its minute."""
    if stage == "by_hand":
        await technician.simulator.ask("fault", name="backwash_stuck", on=True, for_s=60.0)
        return {}
    if stage == "look":
        return {"wet": "none of these"}
    return {"instrument": "the shed's own"}


async def outputs(technician: Technician, stage: str) -> dict[str, Any]:
    """Look which block is wet."""
    if stage == "way":
        return {"instrument": "eyes in the field"}
    truth = await technician.truth()
    wet = [name for name in truth["blocks"] if truth["outputs"][f"block.{name}"]]
    return {"wet": wet[0] if len(wet) == 1 else "none of these"}


async def watchdog(technician: Technician, stage: str) -> dict[str, Any]:
    """Read the module's setting, and say whether its relays dropped."""
    if stage == "way":
        return {"instrument": "the module's own software"}
    drops = (await technician.truth())["drops"]
    return {"setting_s": 5.0, "dropped": "yes" if any(one["watchdog"] for one in drops.values()) else "no"}


async def dry_night(technician: Technician, stage: str) -> dict[str, Any]:
    """Run the block's water, then its shift's program."""
    return {"minutes": 5.0, "tracer": "low_night"}


async def proof(technician: Technician, stage: str) -> dict[str, Any]:
    """Provoke an interlock by a fault of the plant, and end it once it has answered."""
    if stage == "way":
        way = {"how": f"the fault {technician.fault}", "block": BLOCK, "during": technician.during}
        return {**way, "program": "low_night"} if technician.during == A_PROGRAM else way
    assert technician.provoked_s is not None and technician.answered_s is not None
    await technician.simulator.ask("fault", name=technician.fault, on=False)
    await technician.command(Verb.STOP_EVERYTHING)
    return {"watch_s": technician.answered_s - technician.provoked_s, "answered": "yes"}


async def inputs(technician: Technician, stage: str) -> dict[str, Any]:
    """Read each instrument's own display, and move the contacts."""
    if stage == "way":
        return {"instrument": "gauges, a loop meter", "water": technician.water}
    if stage in ("emergency_stop_healthy", "selector_auto", "reset_button"):
        return {"followed": "yes"}
    truth = await technician.truth()
    line = truth["line"]
    true: dict[str, tuple[float, float]] = {
        # Nobody has a second flow meter: the flow is known by the emitters, and the count by the meter's own dial.
        "main.flow": (line["flow_m3_h"], max(0.5, 0.2 * line["flow_m3_h"])),
        "main.water": (1000.0 * truth["water_m3"] * truth["hidden"]["main_meter"], 40.0),
        "main.pressure": (line["pressure_kpa"], 5.0), "main.background_ec": (0.6, 0.05),
        "main.line_ec": (0.6 + line["ec_rise_ms_cm"], 0.05), "filter.pressure_difference": (line["filter_kpa"], 3.0),
    }  # fmt: skip
    kind, name, _ = (*stage.split("."), "")[:3]
    if kind == "injector":
        true[stage] = (truth["stock_injected_l"][name], 0.5)
    elif kind == "tank":
        true[stage] = (truth["tank_l"][name], 15.0)
    elif kind == "block":
        true[stage] = (0.6, 0.05)
    value, u = true[stage]
    return {"true": value, "true_u": u}


async def uniformity(technician: Technician, stage: str) -> dict[str, Any]:
    """Stand cans over a quarter of an hour of water, and read each: what an emitter gives is the plant's own flow."""
    if stage == "way":
        return {"instrument": "16 cans and a cylinder"}
    truth = await technician.truth()
    if stage == "ready":
        technician.before = truth
        return {}
    assert technician.cans is not None
    litres = 1000.0 * (truth["water_m3"] - technician.before["water_m3"])
    return {"ml": technician.cans.caught_ml(1000.0 * litres / _EMITTERS)}
