"""The technician's steps at the simulated plant, over real Modbus TCP: what they find beside what is hidden there."""

import math
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daemon.control.image import Image
from daemon.ledger.attempts import accepted
from drivers.reading import Quality, Reading
from tests.night import steps_answered as enter
from tests.night.places import kestrel
from tests.night.technician import A_PROGRAM, A_RUN, HELD, Technician, at_the_plant, u_of, value_of
from tests.night.whole import transit_l


@pytest.fixture
async def technician(tmp_path: Path) -> AsyncIterator[Technician]:
    """Give a technician at a Kestrel Bend of short pipes."""
    place = kestrel(tmp_path, "kestrel_bend")
    decisions = tmp_path / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(place.site_file, decisions, tmp_path / "db", seed=7) as found:
        yield found


async def test_injector(technician: Technician) -> None:
    """The curve that is found is the injector's own, which is hidden, and goes into the plan."""
    result = await technician.lead("injector", "a", enter.injector)
    hidden = (await technician.truth())["hidden"]["injector_curve.a"]
    assert value_of(result, "rate at 100 %") == pytest.approx(500.0 * hidden, rel=0.02), result
    assert ("curve", "a") in technician.service.decided.newest
    assert technician.service.scanner.is_at_rest()
    found = accepted(technician.service.ledger.path)
    assert [one.begun.row.step for one in found] == ["injector"]
    assert u_of(result, "rate at 100 %") > 0.0


async def test_transit(technician: Technician) -> None:
    """The transit that is found is the pipes' own, whose volume is hidden."""
    result = await technician.lead("transit", "creek", enter.transit_far)
    hidden = (await technician.truth())["hidden"]
    computed = value_of(result, "computed transit")
    assert value_of(result, "transit") == pytest.approx(computed * hidden["pipe_volume.creek"], rel=0.05), (
        hidden,
        result,
    )
    assert ("transit", "creek") in technician.service.decided.newest


async def test_a_pulse_that_one_lost_reading_breaks_off(technician: Technician) -> None:
    """A reading that is lost right after the injector came on closes it: the pulse counts from where it came again."""
    field = technician.service.field
    see, lost = field.image, list[float]()

    def image(*given: Any, **more: Any) -> Image:
        seen = see(*given, **more)
        is_on = any(channel.run for channel in technician.service.scanner.state.outputs.channels.values())
        if is_on and not lost:
            lost.append(technician.service.clock.monotonic_s())
            return replace(seen, flow_m3_h=Reading(math.nan, Quality.BAD, lost[0]))
        return seen

    field.image = image  # type: ignore[method-assign]
    result = await technician.lead("transit", "creek", enter.transit_far)
    truth_l = transit_l(technician, (await technician.truth())["hidden"])
    assert lost and value_of(result, "transit") == pytest.approx(truth_l, rel=0.025), result


async def test_meter(technician: Technician) -> None:
    """The meter's error is the hidden one."""
    result = await technician.lead("meter", "main.water", enter.meter)
    hidden = (await technician.truth())["hidden"]["main_meter"]
    assert value_of(result, "error") == pytest.approx(100.0 * (hidden - 1.0), abs=0.5), result


async def test_probe(technician: Technician) -> None:
    """The probe's slope is the hidden one, turned round."""
    result = await technician.lead("probe", "main.line_ec", enter.probe)
    hidden = (await technician.truth())["hidden"]["line_ec"]
    assert value_of(result, "slope, true over shown") == pytest.approx(1.0 / hidden, rel=0.025), result


async def test_pump(technician: Technician) -> None:
    """The pump's efficiency is the hidden one, within its own band, at two duty points."""
    result = await technician.lead("pump", "pump", enter.pump)
    hidden = 70.0 * (await technician.truth())["hidden"]["pump_efficiency"]
    for duty in ("efficiency, duty 1", "efficiency, duty 2"):
        assert abs(value_of(result, duty) - hidden) <= u_of(result, duty), (hidden, result)


async def test_fill(technician: Technician) -> None:
    """A block that is sound fills in its time, and its flow is its own."""
    result = await technician.lead("fill", "creek", enter.fill)
    assert result["verdict"] == "PASSED", result


async def test_outputs(technician: Technician) -> None:
    """On a sound plant every valve wets its own block."""
    result = await technician.lead("points", "outputs", enter.outputs)
    assert result["verdict"] == "PASSED", result


async def test_watchdog(technician: Technician) -> None:
    """A module that lets go is seen to, by silence."""
    result = await technician.lead("points", "watchdog", enter.watchdog)
    assert result["verdict"] == "PASSED", result


async def test_dry_night(technician: Technician) -> None:
    """Water alone, then a program: both come to their end with nothing to tell."""
    result = await technician.lead("dry_night", "creek", enter.dry_night)
    assert result["verdict"] == "PASSED", result


@pytest.mark.parametrize(
    ("code", "fault", "during"),
    [
        ("no-flow", "valve_stuck_shut", A_RUN),
        ("no-flow", "valve_stuck_shut", HELD),
        ("burst", "burst", A_RUN),
        ("emergency-stop", "estop", A_RUN),
        ("selector-not-auto", "selector_hand", A_RUN),
        ("pressure-low", "low_pressure", A_PROGRAM),
        ("injector-silent", "airlock", A_PROGRAM),
    ],
)
async def test_proof(technician: Technician, code: str, fault: str, during: str) -> None:
    """An interlock that is provoked at the plant answers within its time, and its certificate is kept."""
    technician.fault, technician.during = fault, during
    result = await technician.lead("proof", code, enter.proof)
    assert result["verdict"] == "PASSED", result
    assert accepted(technician.service.ledger.path)[0].begun.row.subject == code


async def test_inputs(technician: Technician) -> None:
    """On a sound plant every point reads what is true."""
    result = await technician.lead("points", "inputs", enter.inputs)
    assert result["verdict"] == "PASSED", result
