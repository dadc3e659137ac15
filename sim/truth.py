"""What really happened in the plant: for tests and for the last line of a demo, never on Modbus."""

from collections.abc import Iterable, Mapping
from typing import Any

from sim.plant import Plant
from sim.site import Site


def truth(plant: Plant) -> dict[str, Any]:
    """Return the whole account; masses in kg by nutrient, stock in litres, times in plant seconds."""
    blocks, delivered, in_pipes = {}, dict[int, float](), dict(plant.held_l)
    for name, line in plant.lines.items():
        out_l, in_l = line.delivered_l(), line.in_pipes_l()
        blocks[name] = {
            "delivered_kg": _mass_kg(plant, out_l),
            "in_pipes_kg": _mass_kg(plant, in_l),
            "delivered_stock_l": sum(out_l.values()),
            "in_pipes_stock_l": sum(in_l.values()),
            "void_l": plant.water.blocks[name].void_l,
        }
        _add(delivered, out_l)
        _add(in_pipes, in_l)
    return {
        "time_s": plant.time_s,
        "water_m3": plant.water_l / 1000.0,
        "blocks": blocks,
        "injected_kg": _mass_kg(plant, plant.injected_l),
        "in_pipes_kg": _mass_kg(plant, in_pipes),
        "lost_kg": _mass_kg(plant, plant.lost_l),
        "stock_injected_l": {name: injector.drawn_l for name, injector in plant.injectors.items()},
        "tank_l": {name: tank.shown_l for name, tank in plant.tanks.items()},
        "residual": _residual(plant, (delivered, in_pipes, plant.lost_l)),
        "line": _line(plant),
        **_outputs(plant),
        "faults": sorted(plant.faults.active),
        "hidden": dict(plant.tolerances.drawn),
    }


def _line(plant: Plant) -> dict[str, float]:
    return {
        "flow_m3_h": plant.main_l_s * 3.6,
        "pressure_kpa": plant.water.pressure_kpa,
        "ec_rise_ms_cm": plant.ec_rise_ms_cm,
        "pump_speed": plant.water.speed,
    }


def _outputs(plant: Plant) -> dict[str, Any]:
    relays = _relays(plant.site)
    drops = {}
    for name, ref in relays.items():
        drop = plant.modules[ref.partition(".")[0]].drops.get(ref)
        if drop is not None:
            drops[name] = {"at_s": drop.at_s, "watchdog": drop.watchdog}
    contactors = {f"injector.{name}": injector.contactor_in for name, injector in plant.injectors.items()}
    return {
        "outputs": {name: plant.output_is_on(ref) for name, ref in relays.items()},
        "contactors": {"pump": plant.pump_contactor, **contactors},
        "drops": drops,
    }


def _relays(site: Site) -> dict[str, str]:
    """Return the relay of every output by the name it has in the account."""
    relays = {"pump": site.pump_run}
    relays |= {f"block.{name}": block.valve for name, block in site.block.items()}
    for name, injector in site.injector.items():
        relays |= {f"injector.{name}": injector.run, f"injector.{name}.valve": injector.valve}
    return relays


def _mass_kg(plant: Plant, stock_l: Mapping[int, float]) -> dict[str, float]:
    total: dict[str, float] = {}
    for batch, litres in stock_l.items():
        for nutrient, g_l in plant.batches[batch].nutrients_g_l.items():
            total[nutrient] = total.get(nutrient, 0.0) + litres * g_l / 1000.0
    return total


def _residual(plant: Plant, parts: Iterable[Mapping[int, float]]) -> float:
    """Return the stock that the account misses, as a share of what was injected."""
    injected_l = sum(injector.drawn_l for injector in plant.injectors.values())
    found_l = sum(litres for part in parts for litres in part.values())
    return abs(injected_l - found_l) / injected_l if injected_l else found_l


def _add(total: dict[int, float], stock_l: Mapping[int, float]) -> None:
    for batch, litres in stock_l.items():
        total[batch] = total.get(batch, 0.0) + litres
