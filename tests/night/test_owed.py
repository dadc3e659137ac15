"""What a run that was cut off leaves owed, given later over real Modbus TCP: its flush, and its rest (invariant 2)."""

import json
import math
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli.main import main
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import RunStarted
from daemon.ledger.reading import evidence, reading
from daemon.messages import Verb
from tests.chaos.plants import TINY_NIGHT, TINY_PIPES, ChaosPlant, chaos_plant
from tests.night.sites import TWO_BUSES, edited
from tests.night.spoilt import is_active

pytestmark = pytest.mark.plant

_BY_ITSELF = {"[limits]": "[limits]\nflush_by_itself = true"}
_QUIET_SCANS = 130
"""Longer than the two minutes of quiet before a flush begins by itself."""
_LIKE_PLAN = 0.06
"""A part of the planned stock: what the meter counts while nobody reads it is estimated."""


async def _cut_off(plant: ChaosPlant, phase: Phase = Phase.INJECT) -> str:
    """Press the emergency stop in `phase`, make all well again, and return the run's name."""
    run = (await plant.begin(phase)).decision.state.run
    assert run is not None
    await plant.fault("estop")
    await plant.to_the_end(any_end=True)
    await plant.fault("estop", on=False)
    await plant.make_well()
    return run.recipe.run


def _owed(plant: ChaosPlant) -> set[str]:
    return {owed.segment for owed in plant.spoilt.service.scanner.state.lines.owed}


def _in_pipes_kg(truth: dict[str, Any]) -> float:
    held = (truth["trunk_kg"], truth["blocks"]["creek"]["in_pipes_kg"])
    return math.fsum(sum(part.values()) for part in held)


def test_a_flush_that_is_owed_is_listed_and_given(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Guards invariant 2: what an emergency stop left in the pipes is owed, shown with its command, and flushed out."""

    site = tmp_path / "site.toml"
    site.write_text(edited(TWO_BUSES.read_text("utf-8"), TINY_PIPES), "utf-8")

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            run = await _cut_off(plant)
            assert _owed(plant) == {"main", "creek"}
            before = await plant.truth()
            assert _in_pipes_kg(before) > 0.0
            assert plant.spoilt.service.is_on_record()
            assert main(["owed", str(site), "--db", str(tmp_path / "db"), "--json"]) == 0
            shown = json.loads(capsys.readouterr().out)
            assert {(debt["segment"], tuple(debt["bars"])) for debt in shown["flush"]} == {
                ("main", ("creek",)),
                ("creek", ("creek",)),
            }
            assert [found["run"] for found in shown["runs"]] == [run]
            await plant.spoilt.command(Verb.START, flush=["creek"])
            flush = await plant.to_the_end()
            assert not flush.recipe.channels and flush.water_l > 0.0
            after = await plant.truth()
            assert not _owed(plant) and _in_pipes_kg(after) <= 0.02 * _in_pipes_kg(before)
            assert after["stock_injected_l"] == before["stock_injected_l"], "a flush is of water alone"
            assert plant.spoilt.service.is_on_record()
            assert main(["owed", str(site), "--db", str(tmp_path / "db")]) == 0
            assert "No flush is owed." in capsys.readouterr().out

    uvloop.run(night())


@pytest.mark.parametrize("phase", [Phase.PREWET, Phase.INJECT, Phase.FLUSH], ids=lambda phase: phase.value)
def test_the_rest_of_a_run_is_given_once(phase: Phase, tmp_path: Path) -> None:
    """Guards invariant 8 and recovery: run and rest together inject the plan, the flush that is owed goes first."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            run = await _cut_off(plant, phase)
            planned_l = plant.plans_l[-1]
            await plant.spoilt.command(Verb.START, rest=run)
            rest = await plant.to_the_end()
            assert rest.recipe.run != run and rest.recipe.shift == "creek"
            given_l = (await plant.truth())["stock_injected_l"]["a"]
            assert given_l == pytest.approx(planned_l, rel=_LIKE_PLAN) and given_l <= 1.02 * planned_l
            refused = await _refused(plant, rest=run)
            assert run in refused or "rest" in refused, refused

    uvloop.run(night())


async def _refused(plant: ChaosPlant, **arguments: Any) -> str:
    with pytest.raises(AssertionError) as told:
        await plant.spoilt.command(Verb.START, **arguments)
    return str(told.value)


def test_a_flush_begins_by_itself_only_where_nobody_put_a_hand_to_it(tmp_path: Path) -> None:
    """Guards the first safe chance: two quiet minutes, AUTOMATIC, selector in Auto; after Hand it is left to people."""

    async def night() -> None:
        async with chaos_plant(tmp_path, {**TINY_PIPES, **_BY_ITSELF}, TINY_NIGHT) as plant:
            await plant.spoilt.command(Verb.MODE, mode="AUTOMATIC")
            await _cut_off(plant)
            await _wait(plant, until_active=True)
            flush = await plant.to_the_end()
            assert not flush.recipe.channels and not _owed(plant)
            await _cut_off(plant)
            await plant.fault("selector_hand")
            await plant.scans(5)
            await plant.fault("selector_hand", on=False)
            await _wait(plant, until_active=False)
            assert _owed(plant), "somebody was at the machine: nothing starts by itself after that"
        with reading(tmp_path / "db" / "ledger.db") as connection:
            started = [found.row.run for found in evidence(connection, RunStarted)]
        assert sum("flush" in run for run in started) == 1

    uvloop.run(night())


async def _wait(plant: ChaosPlant, *, until_active: bool) -> None:
    for _ in range(2 * _QUIET_SCANS):
        if is_active(await plant.scan()):
            assert until_active, "it started by itself"
            return
    assert not until_active, "it never began"


def test_forced_water_and_stock_over_the_wire(tmp_path: Path) -> None:
    """Guards invariants 1, 2 and 9 under override: no stock without proven water, all booked, all off at the end."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            lease = {"minutes": 2.0, "reason": "a look"}
            await plant.spoilt.command(Verb.MODE, mode="MANUAL")
            await plant.spoilt.command(Verb.FORCE, target="injector.a", on=True, drive=0.5, **lease)
            await plant.scans(20)
            assert (await plant.truth())["stock_injected_l"]["a"] == 0.0, "stock without water"
            await plant.spoilt.command(Verb.FORCE, target="valve.creek", on=True, **lease)
            await plant.spoilt.command(Verb.FORCE, target="pump", on=True, **lease)
            await plant.scans(40)
            truth = await plant.truth()
            assert truth["stock_injected_l"]["a"] > 0.0 and truth["contactors"]["injector.a"]
            assert _owed(plant) == {"main", "creek"}
            await plant.scans(100)
            truth = await plant.truth()
            assert not any((*truth["outputs"].values(), *truth["contactors"].values())), "a lease outlived its time"
            assert not plant.spoilt.service.scanner.state.leases
            lines = plant.spoilt.service.scanner.state.lines
            rows = [row for row in await plant.rows() if type(row).__name__ == "Unscheduled" and row.channel == "a"]
            booked_l = sum(row.volume_ml for row in rows) / 1000.0 + lines.unscheduled_l.get("a", 0.0)
            assert booked_l == pytest.approx(truth["stock_injected_l"]["a"], abs=0.03)
            await plant.spoilt.command(Verb.MODE, mode="SEMI_AUTOMATIC")
            await plant.spoilt.command(Verb.START, flush=[])
            assert (await plant.to_the_end()).recipe.channels == () and not _owed(plant)

    uvloop.run(night())


def test_a_bypass_lets_one_run_go_on(tmp_path: Path) -> None:
    """Guards what a technician may set aside: one advice about the rate is silent meanwhile; a burst never is."""

    async def night() -> None:
        async with chaos_plant(tmp_path, counts=False) as plant:  # a meter that shows less books less
            assert plant.spoilt.service.scanner.newest is not None
            with pytest.raises(AssertionError, match="Nobody may set"):
                await plant.spoilt.command(Verb.BYPASS, code="burst", minutes=5.0, reason="a look")
            await plant.spoilt.command(Verb.BYPASS, code="injector-rate", minutes=5.0, reason="meter to be exchanged")
            seen = await plant.faulty_run(Phase.INJECT, lambda: plant.fault("injector_meter_low"))
            assert seen.state is ProcedureState.COMPLETE and "injector-rate" not in seen.alarms

    uvloop.run(night())
