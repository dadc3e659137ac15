"""Small plants of other kinds than the demo's, and nights for them by litres of stock, for the tests of the core."""

import functools
from collections.abc import Mapping

from daemon.decisions.base import Decision
from daemon.decisions.watering import Injection, Program, Shift
from daemon.planning.night import plan_run
from daemon.recipe import Recipe
from daemon.site import Plant
from tests.daemon.control.plant import EVERY_KIND, SMALL, WIDE, make_plant, site_text
from tests.daemon.decisions.tanks import NOW, tank_of

N_G_L = 100.0
"""Nitrogen in every stock here."""

_SHORT = {
    "length_m = 180.0": "length_m = 4.0",
    "length_m = 60.0, bore_mm = 103.6": "length_m = 2.0, bore_mm = 103.6",
    "length_m = 80.0, bore_mm = 75.4": "length_m = 2.0, bore_mm = 75.4",
    "length_m = 25.0": "length_m = 1.0",
    "length_m = 90.0": "length_m = 3.0",
    "length_m = 100.0": "length_m = 2.5",
    "length_m = 120.0": "length_m = 3.0",
    "length_m = 80.0, bore_mm = 20.4": "length_m = 2.0, bore_mm = 20.4",
    "min_off_s = 120.0": "min_off_s = 20.0",
    "settle_s = 20.0": "settle_s = 5.0",
    "fill_max_s = 900.0": "fill_max_s = 120.0",
    "pause_max_s = 300.0": "pause_max_s = 100.0",
    "hold_max_s = 1800.0": "hold_max_s = 60.0",
    "volume_l = 120.0": "volume_l = 10.0",  # the displacement tank
}

_HILL = """
[block.hill]
area_ha = 1.8
valve = "relays.out8"
travel_s = 6.0
pipes = [{ length_m = 5.0, bore_mm = 103.6 }]
submain = { length_m = 3.0, bore_mm = 75.4, laterals = 60 }
lateral = { length_m = 2.5, bore_mm = 13.6, emitters = 200, emitter_l_h = 1.6 }
volume_accuracy_pct = 12.0
flow_accuracy_pct = 10.0
drains = true
"""

_WEATHER = """
[weather]
rain = "relays.in5"
wind = "relays.in6"
"""

_FILTER = """
[filter]
{washer}
backwash_s = 20.0
recover_s = 10.0
volume_l = 30.0
"""
OURS = """
backwash = "relays.out5"
pressure_difference = { point = "signals.ai7", at_low = 0.0, at_high = 200.0, accuracy_pct_of_span = 1.0 }
wash_at_kpa = 50.0
wash_every_m3 = 100.0
"""
CONTACT = 'backwashing = "relays.in5"'

_PUMP = """[pump]
kind = "fixed_speed"
run = "relays.out1"
running = "relays.in3"
capacity_m3_h = 90.0
start_s = 10.0
run_down_s = 10.0
min_off_s = 20.0
max_starts_per_hour = 6
"""
_DRIVE = """[pump]
kind = "variable_speed"
run = "relays.out1"
running = "relays.in3"
speed = "signals.ao2"
lowest_speed = 0.3
pressure_kpa = 300.0
ramp_s = 20.0
capacity_m3_h = 90.0
start_s = 10.0
run_down_s = 10.0
min_off_s = 20.0
max_starts_per_hour = 6
"""


@functools.cache
def every() -> Plant:
    """Return the plant with one of each kind of injector, with short pipes and times."""
    return make_plant(site_text(_SHORT, base=EVERY_KIND))


@functools.cache
def orchard(*changes: tuple[str, str]) -> Plant:
    """Return a plant of three blocks, two channels, rain and wind: creek 33.9, ridge 17.0 and hill 19.2 m3/h."""
    spans = {"at_high = 60.0": "at_high = 100.0", "flow_band_pct = 20.0": "flow_band_pct = 10.0"}
    return make_plant(site_text({**SMALL, **spans, **dict(changes)}, WIDE + _HILL + _WEATHER))


@functools.cache
def filtered(washer: str, order: str) -> Plant:
    """Return the small plant of one block with a filter; `order` is the water's way without the probe."""
    stages = ", ".join(f'"{stage}"' for stage in (*order.split(), "probe"))
    changes = {
        'order = ["meter", "injection", "probe"]': f"order = [{stages}]",
        "pause_max_s = 40.0": "pause_max_s = 60.0",
    }
    return make_plant(_changed_again(changes, _FILTER.replace("{washer}", washer)))


@functools.cache
def supplied(supply: str) -> Plant:
    """Return the small plant with another supply: "gravity" or "drive", "pulses" (no flow signal) or "no ec"."""
    lines = site_text(SMALL).splitlines()
    if supply == "gravity":
        return make_plant(_changed_again({_PUMP: ""}))
    if supply == "drive":
        return make_plant(_changed_again({_PUMP: _DRIVE}))
    left_out = ("flow = {",) if supply == "pulses" else ("background_ec", "line_ec")
    text = "\n".join(line for line in lines if not line.startswith(left_out))
    return make_plant(text.replace(', "probe"', "") if supply == "no ec" else text)


def _changed_again(changes: Mapping[str, str], more: str = "") -> str:
    text = site_text(SMALL)
    for old, new in changes.items():
        if old not in text:
            raise ValueError(f"the small site holds no {old!r}")
        text = text.replace(old, new)
    return text + more


def night(
    plant: Plant,
    blocks: tuple[str, ...],
    water_m3: float,
    *doses: tuple[str, float, float],
    order: str = "together",
    run: str = "run-1",
) -> Recipe:
    """Return a run of `blocks`; each dose is (channel, litres of stock, water in m3 to spread it over)."""
    site = plant.site
    area_ha = sum(site.block[name].area_ha for name in blocks)
    decisions: dict[tuple[str, str], Decision] = {("shift", "shift"): Shift(blocks=blocks)}
    for name, tank in site.tank.items():
        decisions |= tank_of(
            f"stock_{name}",
            name,
            {"N": N_G_L},
            product_g_l=300.0,
            ec_ms_cm_per_g_l=1.0,
            litres=tank.volume_l,
        )
    decisions["program", "program"] = Program.model_validate(
        {
            "shift": "shift",
            "water_m3": water_m3,
            "injections": [
                Injection(
                    stock=f"stock_{site.injector[channel].tank}",
                    nutrient="N",
                    dose_kg_ha=stock_l * N_G_L / 1000.0 / area_ha,
                    inject_m3=inject_m3,
                )
                for channel, stock_l, inject_m3 in doses
            ],
            "order": order,
        }
    )
    return plan_run(plant, decisions, "program", run, NOW).recipe
