"""Whether the plant is the simulator: every bus is asked first, and outputs are kept safe meanwhile."""

import asyncio
from collections.abc import Callable

from daemon.clock import Clock
from daemon.runtime.field import SIMULATOR, Field
from daemon.site import Plant

_LOOK_AGAIN_S = 2.0


class StartError(Exception):
    """The daemon cannot start. Says what to do."""

    code = "daemon.start"


async def is_simulator(
    plant: Plant, field: Field, clock: Clock, say: Callable[[str], None], stop: asyncio.Event | None
) -> bool | None:
    """Wait until every bus answers; return whether they are the simulator. None when `stop` was set before that.

    In simulated time there is no waiting. Raises StartError when buses differ, or when simulated time meets a plant
    that is not the simulator.
    """
    told: set[str] = set()
    while True:
        found = await field.identities()
        missing = [name for name in plant.site.bus if name not in found]
        if not missing:
            break
        for name in (name for name in missing if name not in told):
            text = _silence(plant, field, name)
            if clock.kind != "real":
                raise StartError(f"{text}, or start the simulator (shiftwright sim, or run --all).")
            say(f"{text}. Trying again.")
            told.add(name)
        if stop is not None and stop.is_set():
            return None
        await asyncio.sleep(_LOOK_AGAIN_S)
        await field.safe()
    simulated = {name for name, who in found.items() if who is not None and who.product_code == SIMULATOR}
    if simulated and len(simulated) < len(found):
        raise StartError(f"buses {sorted(simulated)} answer as the simulator and others do not: never mix them.")
    if not simulated and clock.kind != "real":
        raise StartError(f"{clock.kind} time is for the simulator alone, and this plant is not the simulator.")
    return bool(simulated)


def _silence(plant: Plant, field: Field, name: str) -> str:
    """Say of a bus that does not answer what it does instead, and what to look at."""
    bus, health = plant.site.bus[name], field.health()[name]
    if health.protocol:
        return f"bus {name}: {bus.endpoint} does not talk Modbus. Check the address: something else listens"
    return f"bus {name}: nothing answers at {bus.endpoint}. Check power, cable and address"
