"""The account of what really happened."""

import json
from collections.abc import Callable

from sim.plant import Plant
from sim.site import Site
from sim.truth import truth
from tests.sim.conftest import CALCIUM_NITRATE, INJECTOR, INTAKE, PUMP, VALVE, ready


def test_outputs_and_drops_have_the_plant_s_names(plant: Plant, switch: Callable[..., None]) -> None:
    """Guards the names that tests and the demo read, and that a drop says when and by whom."""
    switch(True, PUMP, VALVE, INTAKE, INJECTOR)
    plant.advance(10.0)
    assert truth(plant)["outputs"] == {
        "pump": True,
        "block.creek": True,
        "injector.a": True,
        "injector.a.valve": True,
    }
    switch(False, INJECTOR)
    account = truth(plant)
    assert account["drops"] == {"injector.a": {"at_s": plant.time_s, "watchdog": False}}
    assert account["contactors"] == {"pump": True, "injector.a": False}


def test_the_account_is_json(plant: Plant) -> None:
    """Guards the pipe: whatever the account holds goes over it and comes back the same."""
    account = truth(plant)
    assert json.loads(json.dumps(account, allow_nan=False)) == account
    assert account["residual"] == 0.0
    assert account["tank_l"] == {"a": 800.0}


def test_the_account_of_several_blocks(orchard: Site) -> None:
    """Guards what tests and the demo read of every block, every hose and the shared main."""
    plant = ready(orchard)
    plant.charge("a", 100.0, CALCIUM_NITRATE)
    account = truth(plant)
    assert list(account["blocks"]) == ["creek", "bridge", "ridge", "hill", "house", "river"]
    for block in account["blocks"].values():
        assert block["delivered_kg"] == block["drained_kg"] == block["in_pipes_kg"] == {}
    assert account["trunk_kg"] == account["lost_kg"] == account["injected_kg"] == {}
    hose_l = orchard.injector["a"].hose_l
    assert account["hose_kg"] == {"a": {"N": hose_l * 31.0 / 1000.0, "Ca": hose_l * 37.0 / 1000.0}, "b": {}}
    assert account["backwash_m3"] == account["backflow_m3"] == 0.0
    assert {"backwash", "block.river", "injector.b.valve"} <= account["outputs"].keys()
    assert account["contactors"] == {"pump": False, "injector.a": False, "injector.b": False}
