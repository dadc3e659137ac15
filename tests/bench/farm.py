"""A farm of 64 blocks, made up by rule: 16 shifts of four blocks, two injectors, two crops with recommendations."""

import tomllib
from datetime import date, timedelta
from pathlib import Path

from daemon.decisions.base import Decision, Decisions
from daemon.decisions.kinds import KINDS
from daemon.site import Plant
from daemon.site_file import parse_site
from drivers.profile import load_profiles

TWO_BUSES = Path(__file__).parents[1] / "two_buses.toml"
SHIFTS, BLOCKS_A_SHIFT, NIGHTS = 16, 4, 200
FIRST = date(2026, 9, 1)
LAST = FIRST + timedelta(days=NIGHTS - 1)

_CHANGES = {
    "[[0.1, 50.0],": "[[0.1, 5.0],",
    "min_flow_m3_h = 15.0": "min_flow_m3_h = 5.0",
    "flow_band_pct = 20.0": "flow_band_pct = 10.0",
}
"""What 64 small blocks ask of the plant."""
_CHANNEL_B = """
[injector.b]
kind = "metering_pump"
tank = "b"
valve = "valves_0.out1"
run = "valves_0.out2"
drive = "signals.ao2"
meter = { point = "signals.count3", per_count = 0.01, accuracy_pct_of_reading = 1.0 }
curve = [[0.1, 5.0], [0.5, 250.0], [1.0, 500.0]]
curve_accuracy_pct = 3.0
stroke_window_s = 10.0
pressure_kpa = 800.0

[tank.b]
volume_l = 1000.0
content = { point = "signals.ai6", at_low = 0.0, at_high = 1200.0, accuracy_pct_of_span = 0.5 }
low_l = 40.0
"""
_MODULE = """
[device.{name}]
bus = "relays"
unit = {unit}
profile = "relay_block"
"""
_BLOCK = """
[block.{name}]
area_ha = {area_ha}
valve = "{valve}"
travel_s = 8.0
pipes = [{{ length_m = {pipe_m}, bore_mm = 75.4 }}]
submain = {{ length_m = 60.0, bore_mm = 50.8, laterals = {laterals} }}
lateral = {{ length_m = 60.0, bore_mm = 13.6, emitters = 120, emitter_l_h = 1.6 }}
volume_accuracy_pct = 12.0
flow_accuracy_pct = 10.0
drains = false
"""
_DECISIONS = """
[water.dam]
on = 2026-08-20
ec_ms_cm = 0.6
ph = 7.1
ca_mg_l = 18.0
mg_mg_l = 8.0
na_mg_l = 85.0
hco3_mg_l = 60.0
so4_mg_l = 14.0
cl_mg_l = 128.0
nitrate_mg_l = 0.6
nitrate_as = "N"

[stock.calcium]
tank = "a"
products_g_l = { calcium_nitrate_double_salt = 200.0 }
coldest_c = 8.0
strength_accuracy_pct = 2.0

[stock.potassium]
tank = "b"
products_g_l = { potassium_nitrate = 120.0 }
coldest_c = 8.0
strength_accuracy_pct = 2.0

[cap.nitrogen]
nutrient = "N"
kg_ha = 200.0
over = "year"
year_starts = "07-01"
basis = "each_hectare"
strict = "hard"
why = "the owner's own"

[cap.nitrogen_farm]
nutrient = "N"
kg_ha = 180.0
over = "cycle"
basis = "farm_average"
strict = "hard"
why = "the owner's own"

[cap.nitrogen_a_day]
nutrient = "N"
kg_ha = 20.0
over = "day"
basis = "each_hectare"
strict = "advisory"
why = "the owner's own"

[tariff.night]
cheap = [{ begin = "21:00:00", end = "07:00:00" }]
why = "the contract"

[allocation.season]
m3 = 300000.0
first = 2026-07-01
last = 2027-06-30
why = "the licence"
"""


def block_names(shifts: int = SHIFTS) -> list[str]:
    """Return the blocks, shift after shift."""
    return [f"b{shift}_{place}" for shift in range(shifts) for place in range(BLOCKS_A_SHIFT)]


def farm() -> Plant:
    """Return the plant."""
    return parse_site(farm_text(), load_profiles())


def farm_text(shifts: int = SHIFTS) -> str:
    """Return the plant's site file: a relay block to eight valves, and one for the second injector."""
    names = block_names(shifts)
    text = TWO_BUSES.read_text("utf-8")
    head, _, rest = text.partition("[block.creek]")
    limits = rest[rest.index("[limits]") :]
    for old, new in _CHANGES.items():
        head = head.replace(old, new)
    modules = "".join(_MODULE.format(name=f"valves_{i}", unit=i + 3) for i in range(1 + -(-len(names) // 8)))
    blocks = "".join(
        _BLOCK.format(
            name=name,
            area_ha=2.0 + 0.01 * i,
            valve=f"valves_{i // 8 + 1}.out{i % 8 + 1}",
            pipe_m=20.0 + i,
            laterals=45 + i % BLOCKS_A_SHIFT,
        )
        for i, name in enumerate(names)
    )
    return head + _CHANNEL_B + modules + blocks + limits


def season() -> Decisions:
    """Return what is decided for it: each shift has three hours every fourth night, for there is one pump."""
    content = tomllib.loads(_DECISIONS)
    blocks = block_names()
    half = NIGHTS // 2
    content["cycle"] = {
        f"crop_{part}": {
            "crop": "mandarins",
            "blocks": blocks[part * 32 : part * 32 + 32],
            "starts": FIRST,
            "ends": LAST,
            "stages": [
                {"name": "bloom", "starts": FIRST},
                {"name": "fruit", "starts": FIRST + timedelta(days=half)},
            ],
        }
        for part in range(2)
    }
    content["recommendation"] = {
        f"plan_{part}": {
            "cycle": f"crop_{part}",
            "by": "R. Okafor",
            "on": FIRST,
            "basis": "leaf test",
            "every_days": 4,
            "needs": {"N": {"kg_ha": 120.0, "shares": [0.5, 0.5]}, "K": {"kg_ha": 130.0, "shares": [0.4, 0.6]}},
        }
        for part in range(2)
    }
    content["mix"] = {
        f"{tank}_1": {
            "tank": tank,
            "did": "filled",
            "at": "2026-08-30T08:00:00+09:30",
            "by": "Mina",
            "heel_l": 0.0,
            "stock": stock,
            "portions": [{"product": product, "kg": kg}],
            "filled_to_l": 1000.0,
        }
        for tank, stock, product, kg in (
            ("a", "calcium", "calcium_nitrate_double_salt", 200.0),
            ("b", "potassium", "potassium_nitrate", 120.0),
        )
    }
    content["shift"], content["program"], content["timetable"] = {}, {}, {}
    for shift in range(SHIFTS):
        names = blocks[shift * BLOCKS_A_SHIFT : (shift + 1) * BLOCKS_A_SHIFT]
        content["shift"][f"s{shift}"] = {"blocks": names}
        plan = f"plan_{shift // 8}"
        content["program"][f"p{shift}"] = {
            "shift": f"s{shift}",
            "water_min": 180.0,
            "injections": [
                {"stock": "calcium", "nutrient": "N", "recommendation": plan},
                {"stock": "potassium", "nutrient": "K", "recommendation": plan},
            ],
            "order": "together",
            "source": "dam",
        }
    for turn in range(4):
        content["timetable"][f"t{turn}"] = {
            "programs": [f"p{shift}" for shift in range(turn, SHIFTS, 4)],
            "starts": ["19:00:00"],
            "every_days": 4,
            "first": FIRST + timedelta(days=turn),
        }
    found: dict[tuple[str, str], Decision] = {}
    for kind, items in content.items():
        for key, body in items.items():
            found[kind, key] = KINDS[kind].model_validate(body)
    return found
