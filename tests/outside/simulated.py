"""The same pulse through the simulator's whole plant without hidden tolerances: relays, pump, injector and pipes."""

from dataclasses import replace
from pathlib import Path

import numpy as np

import drivers
from sim.parts import read_block, read_main
from sim.plant import Plant
from sim.site import read_site
from sim.stock import Batch
from sim.tolerances import Tolerances
from tests.outside.networks import SITE_FILE, Network, Passage

PUMP, INTAKE, INJECTOR, DRIVE = "station.out1", "station.out8", "station.out9", "station.ao1"
"""As Kestrel Bend's site file wires them."""
_PROFILES = Path(drivers.__file__).parent / "profiles"
_LOOK_S = 5
_DONE = 1.0 - 1e-9
"""Share of its dose from which on a block has it all: less is missing than the outermost emitter's last drop."""


def run_pulse(network: Network, pulse_s: int, after_s: int) -> Passage:
    """Fill Kestrel Bend's plant with main and blocks exchanged, inject for `pulse_s`, let water follow for `after_s`.

    The pulse takes as long to the outermost emitter as its last drop does, which is seen up to 5 s late.
    """
    plant = _filled(network)
    began_s = plant.time_s
    time_s, delivered_l = [], {name: list[float]() for name in network.block}
    for second in range(0, pulse_s + after_s, _LOOK_S):
        if second in (0, pulse_s):
            plant.modules["station"].write(dict.fromkeys([INTAKE, INJECTOR], second < pulse_s), plant.time_s)
        plant.advance(_LOOK_S)
        time_s.append(plant.time_s - began_s)
        for name, line in plant.pipes.lines.items():
            delivered_l[name].append(sum(line.delivered_l().values()))
    injected_l = sum(plant.pipes.injected_l.values())
    delivered = {name: np.array(litres) / injected_l for name, litres in delivered_l.items()}
    arrival_s = {name: time_s[int(np.argmax(part >= part[-1] * _DONE))] - pulse_s for name, part in delivered.items()}
    return Passage(np.array(time_s), arrival_s, delivered)


def _filled(network: Network) -> Plant:
    """Return a plant that waters all blocks of the network through full pipes, its injector set and off."""
    blocks = {name: read_block(block) for name, block in network.block.items()}
    site = replace(read_site(SITE_FILE, _PROFILES), main=read_main(network.main), filter=None, block=blocks)
    plant = Plant(site, Tolerances(1, perfect=True))
    plant.charge("a", 1000.0, Batch({"N": 31.0}, 200.0, 1.2))
    plant.set_drive(DRIVE, 1.0)
    station = plant.modules["station"]
    station.setting_s = 0.0  # nobody feeds its watchdog
    station.write(dict.fromkeys([PUMP, *(block.valve for block in blocks.values())], True), plant.time_s)
    plant.advance(60.0)
    while plant.water.moving:
        plant.advance(10.0)
    return plant
