"""What really happened in the plant: for tests and for the last line of a demo, never on Modbus."""

from collections.abc import Iterable, Mapping
from typing import Any

from sim.plant import Plant
from sim.plug import Stock, add
from sim.site import Site


def truth(plant: Plant) -> dict[str, Any]:
    """Return the whole account; masses in kg by nutrient, stock in litres, times in plant seconds.

    What was injected is delivered, in the pipes or lost; `residual` is the share of it that the account misses.
    """
    pipes = plant.pipes
    blocks, delivered, in_pipes, lost = {}, Stock(), _trunk_l(plant), dict(pipes.lost_l)
    for name, line in pipes.lines.items():
        water = plant.water.blocks[name]
        kept = water.kept_by(plant.time_s)
        out_l, in_l, drained_l = line.delivered_l(), line.in_pipes_l(kept), line.drained_l(kept)
        blocks[name] = {
            "delivered_kg": _mass_kg(plant, out_l),
            "drained_kg": _mass_kg(plant, drained_l),
            "in_pipes_kg": _mass_kg(plant, in_l),
            "delivered_stock_l": sum(out_l.values()),
            "in_pipes_stock_l": sum(in_l.values()),
            "void_l": water.void_l(plant.time_s),
        }
        for total, part in ((delivered, out_l), (in_pipes, in_l), (lost, drained_l)):
            add(total, part.items(), 1.0)
    return {
        "time_s": plant.time_s,
        "water_m3": plant.meter.passed_l / 1000.0,
        "backwash_m3": plant.water.backwash_l / 1000.0,
        "backflow_m3": pipes.backflow_l / 1000.0,
        "blocks": blocks,
        "injected_kg": _mass_kg(plant, pipes.injected_l),
        "trunk_kg": _mass_kg(plant, _trunk_l(plant)),
        "in_pipes_kg": _mass_kg(plant, in_pipes),
        "lost_kg": _mass_kg(plant, lost),
        "far_ec_rise_ms_cm": {name: plant.far_rise_ms_cm(name) for name in plant.site.block},
        "hose_kg": {name: _mass_kg(plant, injector.hose.held_l()) for name, injector in plant.injectors.items()},
        "stock_injected_l": {name: injector.drawn_l for name, injector in plant.injectors.items()},
        "leaked_l": {name: tank.leaked_l for name, tank in plant.tanks.items()},
        "tank_l": {name: tank.shown_l for name, tank in plant.tanks.items()},
        "residual": _residual(plant, (delivered, in_pipes, lost)),
        "line": _line(plant),
        **_outputs(plant),
        "faults": sorted(plant.faults.active),
        "hidden": dict(plant.tolerances.drawn),
    }


def _trunk_l(plant: Plant) -> Stock:
    """Return the stock in what all blocks share: filter body, main, and what waits at the injection point."""
    total = plant.pipes.trunk.held_l()
    add(total, plant.pipes.held_l.items(), 1.0)
    add(total, plant.pipes.body_l.items(), 1.0)
    return total


def _line(plant: Plant) -> dict[str, float]:
    return {
        "flow_m3_h": plant.meter.flow_l_s * 3.6,
        "pressure_kpa": plant.water.pressure_kpa,
        "filter_kpa": plant.water.difference_kpa,
        "ec_rise_ms_cm": plant.ec_rise_ms_cm,
        "pump_speed": plant.water.supply.speed,
        "power_kw": plant.power_kw,
    }


def _outputs(plant: Plant) -> dict[str, Any]:
    relays = _relays(plant.site)
    drops = {}
    for name, ref in relays.items():
        drop = plant.modules[ref.partition(".")[0]].drops.get(ref)
        if drop is not None:
            drops[name] = {"at_s": drop.at_s, "watchdog": drop.watchdog}
    contactors = {f"injector.{name}": injector.contactor_in for name, injector in plant.injectors.items()}
    if plant.site.pump is not None:
        contactors["pump"] = plant.pump_contactor
    return {
        "outputs": {name: plant.output_is_on(ref) for name, ref in relays.items()},
        "contactors": contactors,
        "drops": drops,
    }


def _relays(site: Site) -> dict[str, str]:
    """Return the relay of every output by the name it has in the account."""
    relays = {
        "pump": site.pump.run if site.pump is not None else None,
        "backwash": site.filter.backwash if site.filter is not None else None,
        **{f"block.{name}": block.valve for name, block in site.block.items()},
    }
    for name, injector in site.injector.items():
        relays |= {f"injector.{name}": injector.run, f"injector.{name}.valve": injector.valve}
    return {name: ref for name, ref in relays.items() if ref is not None}


def _mass_kg(plant: Plant, stock_l: Mapping[int, float]) -> dict[str, float]:
    total: dict[str, float] = {}
    for batch, litres in stock_l.items():
        for nutrient, g_l in plant.batches[batch].nutrients_g_l.items():
            total[nutrient] = total.get(nutrient, 0.0) + litres * g_l / 1000.0
    return total


def _residual(plant: Plant, parts: Iterable[Mapping[int, float]]) -> float:
    """Return the stock that the account misses, hoses and all, as a share of what left tanks and primed hoses."""
    given_l = found_l = 0.0
    for injector in plant.injectors.values():
        given_l += injector.drawn_l + sum(injector.hose.primed_l.values())
        found_l += sum(injector.hose.held_l().values())
    found_l += sum(litres for part in parts for litres in part.values())
    return abs(given_l - found_l) / given_l if given_l else found_l
