"""Kestrel Bend as the simulator reads it, and plants made of it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from sim.plant import Plant
from sim.site import Site, read_site
from sim.stock import Batch
from sim.tolerances import Tolerances

ROOT = Path(__file__).parents[2]
SITE = ROOT / "tests" / "two_buses.toml"
PROFILES = ROOT / "drivers" / "profiles"
PUMP, VALVE, INTAKE, INJECTOR = "relays.out1", "relays.out2", "relays.out3", "relays.out4"
CALCIUM_NITRATE = Batch({"N": 31.0, "Ca": 37.0}, 200.0, 1.2)


@pytest.fixture(scope="session")
def site() -> Site:
    """Kestrel Bend's site file with the profiles of the tree."""
    return read_site(SITE, PROFILES)


@pytest.fixture
def plant(site: Site) -> Plant:
    """A plant without hidden tolerances whose output modules never time out, its tank charged with 800 L."""
    plant = Plant(site, Tolerances(1, perfect=True))
    plant.modules["relays"].setting_s = 0.0
    plant.charge("a", 800.0, CALCIUM_NITRATE)
    return plant


@pytest.fixture
def switch(plant: Plant) -> Callable[..., None]:
    """Switch relays of `plant` as a master would: switch(on, ref...)."""

    def switch(on: bool, *refs: str) -> None:
        plant.modules["relays"].write(dict.fromkeys(refs, on), plant.time_s)

    return switch
