"""The pipe's verbs, without a pipe."""

import json
from typing import Any

import pytest

from sim.plant import STEP_S, Plant
from sim.site import Site
from sim.tolerances import Tolerances
from sim.verbs import Verbs


@pytest.fixture
def verbs(plant: Plant) -> Verbs:
    """The verbs on a perfect plant."""
    return Verbs(plant, plant.advance, lambda: {"relays": 3, "signals": 4})


def _ask(verbs: Verbs, **request: Any) -> dict[str, Any]:
    reply = verbs.answer(json.dumps(request).encode())
    assert reply.endswith(b"\n")
    assert reply.count(b"\n") == 1
    return dict(json.loads(reply))


def test_advance_moves_the_plant_and_says_no_more_than_ok(verbs: Verbs, plant: Plant) -> None:
    """Guards the verb that is asked once in every simulated second."""
    assert verbs.answer(b'{"do":"advance","s":1.0}') == b'{"ok":true}\n'
    assert plant.time_s == pytest.approx(1.0, abs=STEP_S)


def test_charge_fills_the_tank(verbs: Verbs, plant: Plant) -> None:
    """Guards the charge: litres, nutrients, product and EC as the request names them."""
    plant.tanks["a"].litres = 0.0
    request = {"nutrients_g_l": {"N": 31.0, "Ca": 37.0}, "product_g_l": 200, "ec_ms_cm_per_g_l": 1.2}
    assert _ask(verbs, do="charge", tank="a", litres=500, **request) == {"ok": True}
    assert plant.tanks["a"].litres == 500.0
    batch = plant.batches[plant.tanks["a"].batch]
    assert (batch.nutrients_g_l, batch.product_g_l, batch.ec_ms_cm_per_g_l) == ({"N": 31.0, "Ca": 37.0}, 200.0, 1.2)


def test_charge_takes_how_well_its_strength_is_known(site: Site) -> None:
    """Guards the hidden strength: the charge's own k = 2 rules it, 2 % where the charge says none."""
    request = {"tank": "a", "litres": 1, "nutrients_g_l": {"N": 100.0}, "product_g_l": 200, "ec_ms_cm_per_g_l": 1.2}
    real = []
    for more in ({}, {"strength_accuracy_pct": 10.0}):
        plant = Plant(site, Tolerances(3))
        assert _ask(Verbs(plant, plant.advance, dict), do="charge", **request, **more) == {"ok": True}
        real.append(plant.batches[1].nutrients_g_l["N"] / 100.0 - 1.0)
    assert real[1] == pytest.approx(5.0 * real[0])


def test_fault_now_later_and_for_a_time(verbs: Verbs, plant: Plant) -> None:
    """Guards on, off, at_s and for_s."""
    assert _ask(verbs, do="fault", name="estop", on=True) == {"ok": True}
    assert _ask(verbs, do="fault", name="estop", on=False) == {"ok": True}
    assert not plant.faults.active
    assert _ask(verbs, do="fault", name="siphon", l_h=30, at_s=100) == {"ok": True}
    assert _ask(verbs, do="fault", name="reset_pressed", for_s=3) == {"ok": True}
    assert list(plant.faults.active) == ["reset_pressed"]
    plant.advance(4.0)
    assert not plant.faults.active
    plant.advance(100.0)
    assert plant.injectors["a"].siphon_l_h == 30.0


def test_truth_has_the_account_and_the_requests(verbs: Verbs) -> None:
    """Guards what tests and the demo read."""
    account = _ask(verbs, do="truth")
    assert account["ok"] is True
    assert account["requests"] == {"relays": 3, "signals": 4}
    assert {"time_s", "water_m3", "blocks", "injected_kg", "lost_kg", "tank_l", "residual", "outputs", "drops"} <= set(
        account
    )


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b'{"do":"advance","s":-1}', "got s = -1; expected a number from 0"),
        (b'{"do":"advance"}', "got s = None"),
        (b'{"do":"advance","s":NaN}', "got s = nan"),
        (b'{"do":"advance","s":true}', "got s = True"),
        (b'{"do":"dance"}', "expected one of advance, charge, dip, fault, truth, quit"),
        (b'{"do":["advance"]}', "expected one of advance"),
        (b'{"do":"advance"', "not JSON"),
        (b'{"do":"fault","name":"flood"}', "known are airlock"),
        (b'{"do":"fault","name":"estop","on":1}', "expected true or false"),
        (b'{"do":"fault","name":"estop","at_s":"soon"}', "got at_s = 'soon'"),
        (b'{"do":"charge","tank":"a","litres":10}', "expected g/L by element"),
        (
            b'{"do":"charge","tank":"z","litres":9,"nutrients_g_l":{"N":1},"product_g_l":9,"ec_ms_cm_per_g_l":1}',
            "known are a",
        ),
    ],
)
def test_a_request_that_cannot_be_done_says_why(verbs: Verbs, plant: Plant, line: bytes, says: str) -> None:
    """Guards the errors: what was got, what was expected; the plant stays as it was."""
    before = plant.revision
    reply = json.loads(verbs.answer(line))
    assert reply["ok"] is False
    assert says in reply["error"]
    assert plant.revision == before


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (b"advance 60", "ok at 60.0 s"),
        (b"fault airlock on", "ok at 0.0 s"),
        (b"fault siphon on l_h=30 at_s=5", "ok at 0.0 s"),
        (b"truth", "0.0 s; on: nothing; water 0.000 m3; creek delivered nothing"),
        (b"fault flood on", "error: got the fault 'flood'; known are airlock"),
        (b"advance soon", "error: got s = 'soon'"),
        (b"hello", "error: got 'hello'; expected advance SECONDS"),
    ],
)
def test_plain_words_get_plain_words(verbs: Verbs, line: bytes, says: str) -> None:
    """Guards the prompt: a technician types words and reads one line."""
    reply = verbs.answer(line).decode()
    assert reply.startswith(says)
    assert reply.count("\n") == 1


def test_quit_is_remembered(verbs: Verbs) -> None:
    """Guards the end."""
    assert not verbs.quitting
    assert _ask(verbs, do="quit") == {"ok": True}
    assert verbs.quitting
