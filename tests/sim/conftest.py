"""Sites as the simulator reads them, and plants made of them."""

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
KESTREL_BEND = ROOT / "daemon" / "cli" / "kestrel_bend" / "site.toml"
EVERY_KIND = ROOT / "tests" / "every_kind.toml"
CALCIUM_NITRATE = Batch({"N": 31.0, "Ca": 37.0}, 200.0, 1.2)


@pytest.fixture(scope="session")
def site() -> Site:
    """The one-block plant, its relays and signals on two buses."""
    return read_site(SITE, PROFILES)


@pytest.fixture(scope="session")
def orchard() -> Site:
    """Kestrel Bend with its six blocks, two channels and filter."""
    return read_site(KESTREL_BEND, PROFILES)


@pytest.fixture(scope="session")
def every_kind() -> Site:
    """A plant with every kind of injector, a pump on a drive and a block that drains."""
    return read_site(EVERY_KIND, PROFILES)


@pytest.fixture
def plant(site: Site) -> Plant:
    """A plant without hidden tolerances whose output modules never time out, its tank charged with 800 L."""
    plant = ready(site)
    plant.charge("a", 800.0, CALCIUM_NITRATE)
    return plant


def ready(site: Site, tolerances: Tolerances | None = None) -> Plant:
    """Return a plant, perfect unless told otherwise, whose output modules never time out."""
    plant = Plant(site, tolerances or Tolerances(1, perfect=True))
    for module in plant.modules.values():
        module.setting_s = 0.0
    return plant


def turn(plant: Plant, on: bool, *refs: str) -> None:
    """Switch relays as a master would."""
    for ref in refs:
        plant.modules[ref.partition(".")[0]].write({ref: on}, plant.time_s)


def trouble(plant: Plant, name: str, on: bool = True, **given: float | str) -> None:
    """Put a fault on or off."""
    plant.fault(plant.faults.check(name, on, given))


@pytest.fixture
def switch(plant: Plant) -> Callable[..., None]:
    """Switch relays of `plant` as a master would: switch(on, ref...)."""

    def switch(on: bool, *refs: str) -> None:
        turn(plant, on, *refs)

    return switch
