"""Mistakes as a technician meets them, planted at Kestrel Bend, and what the commissioning names of them.

The steps go in the order in which they build on each other, and stop at the first that names something: that is put
right before anybody goes on.
"""

import random
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from daemon.messages import Verb
from tests.night import steps_answered as enter
from tests.night.places import kestrel
from tests.night.sites import edited
from tests.night.technician import Answers, StageError, Technician, at_the_plant

PROFILES = Path(__file__).parents[2] / "drivers" / "profiles"
BLOCKS = ("creek", "bridge", "ridge", "hill", "house", "river")
NOTHING: Final = "nothing"
KINDS: Final = (
    "word order", "scale", "valves swapped", "meter", "probe", "airlock", "check valve", "pipe size", "valve shut",
    "watchdog",
)  # fmt: skip
_STEPS: Final[tuple[tuple[str, str, Answers], ...]] = (
    ("points", "inputs", enter.inputs),
    ("points", "outputs", enter.outputs),
    ("points", "watchdog", enter.watchdog),
    ("fill", "creek", enter.fill),
    ("meter", "main.water", enter.meter),
    ("probe", "main.line_ec", enter.probe),
    ("injector", "a", enter.injector),
    ("transit", "creek", enter.transit_far),
)
_SAID: Final = {
    "word order is wrong": "word order",
    "scale is off by": "scale",
    "the scale of one of them is wrong": "scale",
    "are swapped": "valves swapped",
    "The meter shows": "meter",
    "rather the main meter": "meter",
    "main.water: shows": "meter",
    "main.flow: shows": "meter",
    "calibrate it at its transmitter": "probe",
    "main.line_ec: shows": "probe",
    "look for air (airlock)": "airlock",
    "check valve": "check valve",
    "a pipe may be": "pipe size",
    "a valve in it is shut": "valve shut",
    "block valve": "valve shut",
    "without a word these were still on": "watchdog",
}
"""What is told, and which mistake it names; the first that is met counts."""
_NO_MISTAKE: Final = ("the measured ones go into the plan", "Test the main meter first")
_SPANS: Final = {
    "main.flow": ('point = "station.ai1", at_low = 0.0, at_high = 120.0', "at_high = 1200.0"),
    "main.pressure": ('point = "station.ai2", at_low = 0.0, at_high = 600.0', "at_high = 6000.0"),
    "main.background_ec": ('point = "station.ai3", at_low = 0.0, at_high = 5.0', "at_high = 50.0"),
    "main.line_ec": ('point = "station.ai4", at_low = 0.0, at_high = 5.0', "at_high = 50.0"),
    "tank.a": ('point = "station.ai5", at_low = 0.0, at_high = 1600.0', "at_high = 16000.0"),
    "tank.b": ('point = "station.ai6", at_low = 0.0, at_high = 1600.0', "at_high = 16000.0"),
    "far": ('point = "station.ai8", at_low = 0.0, at_high = 5.0', "at_high = 50.0"),
    "count": ('point = "station.count1", per_count = 10.0', "per_count = 100.0"),
}


class Planted(NamedTuple):
    """A mistake: what the plant is otherwise than its site file says, hidden factors, a fault."""

    otherwise: Mapping[str, str] = {}
    options: tuple[str, ...] = ()
    fault: Mapping[str, Any] = {}


class Named(NamedTuple):
    """What was named first, where, and the words; "nothing" where all steps went through."""

    what: str
    step: str
    told: tuple[str, ...]


def plant(kind: str, seed: int, folder: Path) -> Planted:
    """Return a mistake of a kind, drawn by seed."""
    dice = random.Random(f"{seed}/{kind}")
    match kind:
        case "word order":
            return Planted(options=("--profiles", str(_turned(folder))))
        case "scale":
            old, span = _SPANS[dice.choice(sorted(_SPANS))]
            return Planted({old: old[: old.rindex(", ") + 2] + span})
        case "valves swapped":
            one, other = dice.sample(range(2, 8), 2)
            names = [f'valve = "station.out{number}"\ntravel_s' for number in (one, other)]
            return Planted({names[0]: "turned", names[1]: names[0], "turned": names[1]})
        case "meter":
            return Planted(options=("--hidden", f"main_meter={dice.choice((0.85, 1.15))}"))
        case "probe":
            return Planted(options=("--hidden", f"line_ec={dice.choice((0.8, 0.85, 1.15, 1.2))}"))
        case "airlock":
            return Planted(fault={"name": "airlock", "injector": "a", "share": dice.uniform(0.2, 0.5)})
        case "check valve":
            return Planted(fault={"name": "backflow", "l_h": dice.uniform(300.0, 1000.0)})
        case "pipe size":
            # Creek's laterals, of 20 mm pipe where the site file says 16 mm.
            old = "laterals = 106 }\nlateral = { length_m = 5, bore_mm = "
            return Planted({old + "13.6": old + "17.6"})
        case "valve shut":
            return Planted(fault={"name": "valve_stuck_shut", "block": dice.choice(BLOCKS)})
        case "watchdog":
            return Planted(fault={"name": "other_master"})
        case _:
            return Planted()


def _turned(folder: Path) -> Path:
    """Return the profiles with the words of the first counter the other way round."""
    made = folder / "profiles"
    shutil.copytree(PROFILES, made)
    sheet = made / "io_station.toml"
    sheet.write_text(edited(sheet.read_text("utf-8"), {"[point.count1]\n": '[point.count1]\nword_order = "little"\n'}))
    return made


def name_of(told: tuple[str, ...]) -> str:
    """Return which mistake these words name; nothing where they only say what was measured, or what to test next."""
    told = tuple(text for text in told if not any(said in text for said in _NO_MISTAKE))
    text = " ".join(told)
    return next((name for said, name in _SAID.items() if said in text), "something else" if told else NOTHING)


async def commission(kind: str, seed: int, folder: Path) -> Named:
    """Go through the steps at a Kestrel Bend with one mistake, until one of them names something."""
    place, made = kestrel(folder, "kestrel_bend"), plant(kind, seed, folder)
    decisions = folder / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(
        place.site_file, decisions, folder / "db", seed=seed, options=made.options, otherwise=made.otherwise
    ) as technician:
        if made.fault:
            await technician.simulator.ask("fault", on=True, **made.fault)
        for step, subject, answers in _STEPS:
            told = await _told(technician, step, subject, answers)
            what = name_of(told)
            if what != NOTHING:
                return Named(what, f"{step} {subject}", told)
    return Named(NOTHING, "", ())


async def _told(technician: Technician, step: str, subject: str, answers: Answers) -> tuple[str, ...]:
    """Return what a step finds wrong; nothing where it passes."""
    try:
        result = await technician.lead(step, subject, answers)
    except StageError as cut:
        await technician.ask("abort", why="cut off")
        await technician.command(Verb.RESET)
        return (str(cut),) if subject != "inputs" else await _at_rest(technician, str(cut))
    return () if result["verdict"] == "PASSED" else tuple(result["told"])


async def _at_rest(technician: Technician, why: str) -> tuple[str, ...]:
    """Hold the readings against gauges with all at rest, once water was refused: what is wrong may show there."""
    technician.water = "none: all is at rest"
    result = await technician.lead("points", "inputs", enter.inputs)
    return (*result["told"], why)
