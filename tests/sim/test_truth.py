"""The account of what really happened."""

import json
from collections.abc import Callable

from sim.plant import Plant
from sim.truth import truth
from tests.sim.conftest import INJECTOR, INTAKE, PUMP, VALVE


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
