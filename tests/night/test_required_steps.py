"""What the site requires before anything is injected, over real Modbus TCP: without it water runs alone."""

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from daemon.messages import Verb
from tests.night import steps_answered as enter
from tests.night.places import kestrel
from tests.night.technician import Technician, at_the_plant

_REQUIRED = '\n[commissioning]\nrequired = ["injector.a"]\nvalid_days = { injector = 40 }\n'


@pytest.fixture
async def technician(tmp_path: Path) -> AsyncIterator[Technician]:
    """Give a technician at a Kestrel Bend that requires the calibration of one injector."""
    place = kestrel(tmp_path, "kestrel_bend")
    place.site_file.write_text(place.site_file.read_text("utf-8") + _REQUIRED, "utf-8")
    decisions = tmp_path / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(place.site_file, decisions, tmp_path / "db", seed=7) as found:
        yield found


async def _run(technician: Technician) -> tuple[str, dict[str, float], float]:
    """Run the low shift's program to its end; return what was said, the stock of each injector and the water in m3."""
    before = await technician.truth()
    answer = await technician.command(Verb.START, programs=["low_night"])
    assert answer.accepted, answer.reason
    for _ in range(20_000):
        await technician.service.step()
        if technician.service.scanner.is_at_rest():
            break
    after = await technician.truth()
    stock = {name: after["stock_injected_l"][name] - before["stock_injected_l"][name] for name in ("a", "b")}
    return answer.reason, stock, after["water_m3"] - before["water_m3"]


def _notices(technician: Technician) -> list[str]:
    snapshot = technician.service.snapshot()
    assert snapshot is not None
    told = snapshot.tonight["notices"]
    return [one for one in told if one.startswith("Commissioning:")]


async def test_water_runs_and_fertiliser_does_not_until_the_step_is_done(technician: Technician) -> None:
    """Guards the crop and the creek: the block is watered in full, nothing is injected; once it is done, both."""
    _, stock, water_m3 = await _run(technician)
    assert stock == {"a": 0.0, "b": 0.0} and water_m3 > 5.0
    told = "Commissioning: injector calibration of a: never done: no fertiliser until it is done."
    assert _notices(technician) == [told]
    result = await technician.lead("injector", "a", enter.injector)
    assert result["verdict"] == "PASSED"
    _, stock, _ = await _run(technician)
    assert stock["a"] > 1.0


async def test_a_measured_curve_is_what_the_injector_is_driven_by(technician: Technician) -> None:
    """Guards the dose: from its acceptance on, control and plan go by the curve that was measured."""
    before = technician.service.scanner.plant.site.injector["a"]
    result = await technician.lead("injector", "a", enter.injector)
    assert await technician.at_rest()
    after: Any = technician.service.scanner.plant.site.injector["a"]
    assert after.curve != getattr(before, "curve", ())
    assert [list(point) for point in after.curve] == result["curve"]
    assert technician.service.scanner.plant.digest == technician.service.plant.digest
