"""Group U of the chaos list: what people do, at the machine and from the software, in each phase, over real Modbus."""

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.control.states import ACTIVE, Phase, ProcedureState
from daemon.evidence import AlarmRaised, CommandAnswered, LeaseEnded, RunStarted
from daemon.ledger.reading import evidence, reading
from daemon.messages import Answer, Command, Verb
from tests.chaos.plants import LONGEST, SCAN_S, TINY_NIGHT, TINY_PIPES, ChaosPlant, Seen, chaos_plant
from tests.night.sites import PROGRAM
from tests.night.spoilt import is_active, is_injecting

pytestmark = pytest.mark.chaos

_AT_ONCE_S = 2.0 * SCAN_S
_LEASE: dict[str, Any] = {"minutes": 1.0, "reason": "a look"}


def _run(night: Awaitable[None]) -> None:
    uvloop.run(night)  # type: ignore[arg-type]


async def _answer(plant: ChaosPlant, verb: Verb, name: str, role: str = "operator", **arguments: Any) -> Answer:
    """Return the answer to a command of this id, whatever it is."""
    asked = asyncio.ensure_future(plant.spoilt.service.command(Command(name, "test", role, verb, arguments)))
    await asyncio.sleep(0)
    await plant.scan()
    return await asked


async def _in_each_phase(plant: ChaosPlant, act: Callable[[], Awaitable[None]], **how: Any) -> dict[Phase, Seen]:
    return {phase: await plant.faulty_run(phase, act, **how) for phase in Phase}


def test_u1_hand_in_each_phase(tmp_path: Path) -> None:
    """The selector to Hand and back: all outputs let go at once, and nothing starts until a person starts it."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            for phase in Phase:
                await plant.begin(phase)
                await plant.fault("selector_hand")
                await plant.scans(3)
                truth = await plant.truth()
                assert not any((*truth["outputs"].values(), *truth["contactors"].values()))
                await plant.fault("selector_hand", on=False)
                scanned = await plant.scans(30)
                assert scanned.decision.state.unit.procedure is ProcedureState.HELD
                assert not any((await plant.truth())["outputs"].values()), "something started by itself"
                await plant.spoilt.command(Verb.START)
                run = await plant.to_the_end()
                assert run.water_l >= run.recipe.water_l

    _run(night())


@pytest.mark.parametrize("target", ["valve.creek", "pump"])
def test_u1_an_output_that_is_forced_off_in_each_phase(target: str, tmp_path: Path) -> None:
    """Forced off in a run: the injector goes first, in the same scan; the run ends lawfully, its flush owed."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:

            async def force() -> None:
                await plant.spoilt.command(Verb.FORCE, target=target, on=False, minutes=60.0, reason="a look")

            async def release() -> None:
                await plant.spoilt.command(Verb.RELEASE)

            for phase, seen in (await _in_each_phase(plant, force, mend=release)).items():
                assert seen.commanded_off_s <= _AT_ONCE_S, seen
                assert phase is not Phase.INJECT or (seen.owed and seen.off_s <= _AT_ONCE_S), seen

    _run(night())


def test_u2_a_lease_expires_in_each_phase(tmp_path: Path) -> None:
    """An injector held off by a lease in a run: it ends by its time, is told, and the run has all of its water."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:

            async def hold_off() -> None:
                await plant.spoilt.command(Verb.FORCE, target="injector.a", on=False, minutes=0.2, reason="a look")

            for seen in (await _in_each_phase(plant, hold_off)).values():
                assert [row.why for row in seen.rows if isinstance(row, LeaseEnded)] == ["its time is over"]
                assert seen.state is ProcedureState.COMPLETE
                assert not plant.spoilt.service.scanner.state.leases

    _run(night())


def test_u3_the_emergency_stop_pressed_released_and_bounced(tmp_path: Path) -> None:
    """In each phase: all energy off in the scan that sees it; released or bounced, it stays latched until its reset."""

    async def night(phase: Phase) -> None:
        async with chaos_plant(tmp_path / phase.name) as plant:

            async def bounce() -> None:
                for on in (True, False, True, False):
                    await plant.fault("estop", on=on)
                    await plant.scans(1)

            seen = await plant.faulty_run(phase, bounce)
            assert seen.state is ProcedureState.ABORTED and seen.on_again_s > LONGEST
            assert "emergency-stop" in {row.code for row in await plant.rows() if isinstance(row, AlarmRaised)}

    for phase in Phase:
        _run(night(phase))


def test_u4_a_reset_from_afar_is_refused_and_recorded(tmp_path: Path) -> None:
    """What wants the button at the machine is not reset by a command, whoever gives it; the record has the try."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(Phase.INJECT)
            await plant.fault("estop")
            await plant.to_the_end(any_end=True)
            await plant.fault("estop", on=False)
            await plant.scans(5)
            for role in ("operator", "technician"):
                answer = await _answer(plant, Verb.RESET, f"reset-{role}", role)
                assert not answer.accepted and "at the machine" in answer.reason
            assert not (await _answer(plant, Verb.START, "again", programs=[PROGRAM])).accepted
            assert plant.spoilt.service.is_on_record()
            with reading(plant.spoilt.service.ledger.path) as connection:
                tried = [found.row for found in evidence(connection, CommandAnswered)]
            assert {row.command for row in tried if not row.accepted} >= {"reset-operator", "reset-technician", "again"}
            await plant.make_well()
            assert (await _answer(plant, Verb.START, "now", programs=[PROGRAM])).accepted
            await plant.to_the_end()

    _run(night())


def test_u5_a_reset_button_that_is_held_down(tmp_path: Path) -> None:
    """Held, or stuck, it resets nothing and is told; let go and pressed anew it resets."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.fault("reset_pressed")
            for _ in range(20):
                scanned = await plant.scan()
            assert "reset-stuck" in scanned.decision.verdict.causes
            await plant.begin(Phase.INJECT)
            await plant.fault("estop")
            await plant.to_the_end(any_end=True)
            await plant.fault("estop", on=False)
            scanned = await plant.scans(20)
            await plant.fault("reset_pressed", on=False)
            scanned = await plant.scans(5)
            assert "emergency-stop" in scanned.decision.verdict.causes, "a button that was stuck has reset it"
            await plant.make_well()

    _run(night())


def test_u6_a_start_while_a_flush_is_owed(tmp_path: Path) -> None:
    """It is taken, and the debt of the path is paid with water before the first litre of stock."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            await plant.begin(Phase.INJECT)
            await plant.spoilt.command(Verb.STOP_EVERYTHING)
            await plant.to_the_end(any_end=True)
            plant.plans_l.pop()
            owed = plant.spoilt.service.scanner.state.lines.owed
            assert {item.segment for item in owed} == {"main", "creek"}
            await plant.spoilt.start_run()
            for _ in range(LONGEST):
                scanned = await plant.scan()
                state = scanned.decision.state
                if is_injecting(scanned):
                    assert state.run is not None
                    assert all(item.run == state.run.recipe.run for item in state.lines.owed), "onto a foreign debt"
                if not is_active(scanned):
                    break
            assert state.unit.procedure is ProcedureState.COMPLETE and not state.lines.owed

    _run(night())


def test_u7_two_operators_at_once(tmp_path: Path) -> None:
    """Two starts, a hold and a stop, a start and a stop, in one scan each: stop wins, one run begins."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:

            async def both(*commands: Command) -> list[Answer]:
                asked = [asyncio.ensure_future(plant.spoilt.service.command(command)) for command in commands]
                await asyncio.sleep(0)
                await plant.scan()
                return await asyncio.gather(*asked)

            def command(name: str, who: str, verb: Verb, **arguments: Any) -> Command:
                return Command(name, who, "operator", verb, arguments)

            start = {"programs": [PROGRAM]}
            answers = await both(command("a1", "Ana", Verb.START, **start), command("b1", "Ben", Verb.START, **start))
            assert sorted(answer.accepted for answer in answers) == [False, True]
            await plant.until(Phase.INJECT)
            answers = await both(command("a2", "Ana", Verb.HOLD), command("b2", "Ben", Verb.STOP_EVERYTHING))
            assert answers[1].accepted
            assert plant.spoilt.service.scanner.state.unit.procedure in (
                ProcedureState.STOPPING,
                ProcedureState.STOPPED,
            )
            await plant.to_the_end(any_end=True)
            answers = await both(command("a3", "Ana", Verb.START, **start), command("b3", "Ben", Verb.STOP_EVERYTHING))
            await plant.scans(5)
            assert plant.spoilt.service.scanner.state.unit.procedure not in ACTIVE - {ProcedureState.STOPPING}

    _run(night())


def test_u8_a_double_click_and_a_repeat_with_the_same_id(tmp_path: Path) -> None:
    """The same command twice, at once or an hour later, is done once and answered alike."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            click = Command("click", "test", "operator", Verb.START, {"programs": [PROGRAM]})
            asked = [asyncio.ensure_future(plant.spoilt.service.command(click)) for _ in range(2)]
            await asyncio.sleep(0)
            await plant.scan()
            first, second = await asyncio.gather(*asked)
            assert first.accepted and first == second
            await plant.to_the_end()
            assert await plant.spoilt.service.command(click) == first
            await plant.scans(5)
            assert plant.spoilt.service.is_on_record()
            with reading(plant.spoilt.service.ledger.path) as connection:
                assert len(evidence(connection, RunStarted)) == 1

    _run(night())


def test_u9_a_decision_that_is_changed_under_a_run(tmp_path: Path) -> None:
    """The dose is raised while it runs: this run gives what it was started with, the next one the new dose."""

    async def night() -> None:
        async with chaos_plant(tmp_path) as plant:
            decided = plant.spoilt.service.decided
            await plant.begin(Phase.PREWET)
            run = plant.spoilt.service.scanner.state.run
            assert run is not None
            planned_l = run.recipe.channels[0].stock_l
            program = decided.newest["program", PROGRAM].model_dump(mode="json", exclude_defaults=True)
            injections = [{**part, "dose_kg_ha": 1.3 * part["dose_kg_ha"]} for part in program["injections"]]
            body = {**program, "injections": injections}
            version = decided.version_of("program", PROGRAM)
            change = {"kind": "program", "key": PROGRAM, "body": body, "expected_version": version}
            await decided.record({"id": "change", "who": "test", "decisions": [change]})
            ended = await plant.to_the_end()
            assert ended.recipe.channels[0].stock_l == planned_l
            assert ended.channels["a"].injected_l == pytest.approx(planned_l, rel=0.05)
            await plant.spoilt.start_run()
            run = plant.spoilt.service.scanner.state.run
            assert run is not None
            assert run.recipe.channels[0].stock_l == pytest.approx(1.3 * planned_l, rel=0.01)
            plant.plans_l.append(1.3 * planned_l)
            await plant.to_the_end()

    _run(night())


def test_u11_acknowledging_without_reading_changes_nothing(tmp_path: Path) -> None:
    """In each phase with a cause in force: acknowledged or shelved, the injector stays off and the run ends alike."""
    ends = []

    async def night(is_acknowledged: bool) -> None:
        async with chaos_plant(tmp_path / str(is_acknowledged)) as plant:

            async def break_wire() -> None:
                await plant.fault("pressure_broken_wire")
                if is_acknowledged:
                    await plant.scans(2)
                    await plant.spoilt.command(Verb.ACKNOWLEDGE)
                    await plant.spoilt.command(Verb.SHELVE, code="pressure-bad", minutes=60.0, reason="tired")

            async def mend() -> None:
                await plant.fault("pressure_broken_wire", on=False)

            seen = await _in_each_phase(plant, break_wire, mend=mend)
            ends.append([(one.state, one.ended.outcome, one.owed) for one in seen.values()])
            assert all(one.on_again_s > LONGEST for one in seen.values())

    for is_acknowledged in (False, True):
        _run(night(is_acknowledged))
    assert ends[0] == ends[1]


def test_u12_out_of_service_that_is_forgotten(tmp_path: Path) -> None:
    """Nothing starts, nobody forces anything, and whoever asks is told why; back in service it runs."""

    async def night() -> None:
        async with chaos_plant(tmp_path, TINY_PIPES, TINY_NIGHT) as plant:
            await plant.spoilt.command(Verb.MODE, mode="OUT_OF_SERVICE")
            await plant.scans(200)
            answer = await _answer(plant, Verb.START, "start", programs=[PROGRAM])
            assert not answer.accepted and "OUT_OF_SERVICE" in answer.reason.upper().replace(" ", "_")
            assert not (await _answer(plant, Verb.FORCE, "force", target="pump", on=True, **_LEASE)).accepted
            assert not any((await plant.truth())["outputs"].values())
            await plant.spoilt.command(Verb.MODE, mode="SEMI_AUTOMATIC")
            await plant.spoilt.start_run()
            await plant.to_the_end()

    _run(night())
