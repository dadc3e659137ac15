"""Attempts that do not go as they should, over real Modbus TCP: aborted, cut off, interrupted by a restart."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daemon.ledger.attempts import ABORTED, attempts
from tests.night import steps_answered as enter
from tests.night.places import kestrel
from tests.night.technician import A_RUN, Answers, StageError, Technician, at_the_plant

_STEPS: dict[str, tuple[str, str, Answers]] = {
    "inputs": ("points", "inputs", enter.inputs),
    "outputs": ("points", "outputs", enter.outputs),
    "watchdog": ("points", "watchdog", enter.watchdog),
    "pump": ("pump", "pump", enter.pump),
    "fill": ("fill", "creek", enter.fill),
    "meter": ("meter", "main.water", enter.meter),
    "probe": ("probe", "main.line_ec", enter.probe),
    "injector": ("injector", "a", enter.injector),
    "transit": ("transit", "creek", enter.transit_far),
    "uniformity": ("uniformity", "creek", enter.uniformity),
    "proof": ("proof", "burst", enter.proof),
    "dry_night": ("dry_night", "creek", enter.dry_night),
}


@pytest.fixture
async def technician(tmp_path: Path) -> AsyncIterator[Technician]:
    """Give a technician at a Kestrel Bend of short pipes."""
    place = kestrel(tmp_path, "kestrel_bend")
    decisions = tmp_path / "decided.toml"
    decisions.write_text(place.decisions, "utf-8")
    async with at_the_plant(place.site_file, decisions, tmp_path / "db", seed=3) as found:
        found.fault, found.during = "burst", A_RUN
        yield found


async def _to_stage(technician: Technician, name: str, number: int) -> int:
    """Begin a step and go on until so many stages are behind; return how many really are."""
    step, subject, answers = _STEPS[name]
    assert (await technician.ask("begin", step=step, subject=subject)).accepted
    for _ in range(3000):
        view = technician.view
        behind = len(view["behind"])
        stage = view["stage"]
        if stage is None or (behind >= number and (not stage["holds"] or stage["on_s"] > 4.0)):
            return behind
        if stage["by_daemon"]:
            await technician.service.step()
        else:
            values = await answers(technician, stage["name"])
            assert (await technician.ask("enter", stage=stage["name"], values=values)).accepted
    raise AssertionError(technician.view)


@pytest.mark.parametrize("name", list(_STEPS))
async def test_an_abort_leaves_the_plant_safe_and_the_evidence_kept(technician: Technician, name: str) -> None:
    """Guards the plant: in the third stage of every step, everything is let go, and what was entered stays."""
    behind = await _to_stage(technician, name, 2)
    answer = await technician.ask("abort", why="thunder")
    assert answer.accepted and technician.view == {}
    assert await technician.at_rest()
    (kept,) = attempts(technician.service.ledger.path)
    assert kept.ended is not None and (kept.ended.row.state, kept.ended.row.why) == (ABORTED, "thunder")
    assert len(dict(kept.entries)) == behind >= 2


@pytest.mark.parametrize("name", ["injector", "transit", "outputs"])
async def test_a_restart_resumes_the_step(technician: Technician, name: str) -> None:
    """Guards the work done: all is off after it, what was entered stands, and the step goes on to its result."""
    step, subject, answers = _STEPS[name]
    behind = await _to_stage(technician, name, 4)
    await technician.restart()
    view = technician.view
    assert (view["step"], view["subject"]) == (step, subject) and "started anew" in view["cut_off"]
    assert 1 <= len(view["behind"]) <= behind and await technician.at_rest()
    assert (await technician.ask("again")).accepted
    while stage := await technician.to_entry():
        values = await answers(technician, stage)
        assert (await technician.ask("enter", stage=stage, values=values)).accepted
    assert technician.view["result"]["verdict"] == "PASSED", technician.view
    assert (await technician.ask("accept")).accepted


async def test_an_interlock_cuts_a_stage_off(technician: Technician) -> None:
    """Guards everybody: nothing is held on again by itself, and the technician reads why and what to look at."""
    await _to_stage(technician, "outputs", 2)
    await technician.simulator.ask("fault", name="estop", on=True)
    with pytest.raises(StageError, match="emergency-stop"):
        for _ in range(60):
            await technician.to_entry(1000)
            await technician.service.step()
    assert await technician.at_rest()
    again = await technician.ask("again")
    assert technician.view["cut_off"], again
    assert await technician.at_rest()


async def test_a_step_needs_a_plant_at_rest_and_a_technician(technician: Technician) -> None:
    """Guards the night: no step begins beside a run, in AUTOMATIC, or by an operator; one attempt at a time."""
    await technician.command_run()
    refused = await technician.ask("begin", step="pump", subject="pump")
    assert not refused.accepted and "run is under way" in refused.reason
    await technician.command_stop()
    assert await technician.at_rest()
    operator = {"id": "o1", "who": "Mina", "role": "operator", "do": "begin", "step": "pump", "subject": "pump"}
    assert not (await technician.until(technician.service.commissioning.answer(operator))).accepted
    assert (await technician.ask("begin", step="probe", subject="main.line_ec")).accepted
    second = await technician.ask("begin", step="pump", subject="pump")
    assert not second.accepted and "under way" in second.reason
