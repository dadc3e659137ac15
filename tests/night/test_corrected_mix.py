"""A mix that was entered wrong, or after the fact: once corrected, the record says what the plant really gave."""

from collections.abc import Callable, Coroutine, Mapping
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli import night
from daemon.cli.night import Night, ledger_of, run_night
from daemon.cli.simulator import Simulator
from daemon.clock import RealClock
from daemon.evidence import Dose
from daemon.ledger.accounts import read_past
from daemon.ledger.reports import RunReport, run_report, verify_file
from daemon.runtime.recording import record_offline
from daemon.runtime.service import Service
from tests.night.sites import BLOCK, PROGRAM, SHORT_NIGHT, START, write_scenario

pytestmark = pytest.mark.plant

_STRENGTHS = {"N": 31.0, "Ca": 37.0}
"""Of the creek's stock with all of its bags, in g/L."""
_EARLY, _HALF_WAY = 100, 480
"""Scans: before injection, and in the middle of it (it runs from about 260 to 700)."""

_Hand = Callable[[Service, Simulator], Coroutine[Any, Any, None]]


def _night(folder: Path, decisions: Mapping[str, str], scan: int, hand: _Hand) -> tuple[Night, RunReport]:
    """Run a short night on a perfect plant, with somebody at the tank in one scan."""
    services: list[Service] = []

    class Attended(Simulator):
        """The plant, and whoever comes to the tank right after one scan."""

        async def advance(self, seconds: float) -> None:
            newest = services[0].scanner.newest if services else None
            if newest is not None and newest.number == scan:
                await hand(services[0], self)
            await super().advance(seconds)

    def watch(service: Service, *_: object) -> None:
        if not services:
            services.append(service)

    files = write_scenario(folder, decisions={**SHORT_NIGHT, **decisions})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "Simulator", Attended)
        ran = uvloop.run(run_night(*files, [PROGRAM], folder / "db", START, options=["--perfect"], watch=watch))
    report = run_report(ledger_of(folder / "db"), ran.runs[0])
    assert report is not None
    return ran, report


def _assert_true(ran: Night, report: RunReport, off: float) -> None:
    """The restated rows are within 2 % of planned of the truth, where the originals are `off` by some part of it."""
    originals: dict[str, Dose] = {dose.nutrient: dose for dose in report.metered}
    restated = {stamped.row.nutrient: stamped.row for stamped in report.restated if stamped.row.estimate == "METER"}
    assert originals.keys() == restated.keys() == _STRENGTHS.keys()
    for nutrient, row in restated.items():
        original = originals[nutrient]
        true_mg = 1e6 * float(ran.truth["blocks"][BLOCK]["delivered_kg"][nutrient])
        assert (original.delivered_mg - true_mg) / true_mg == pytest.approx(off, abs=0.02)
        assert abs(row.delivered_mg - true_mg) <= 0.02 * true_mg
        assert abs(row.delivered_mg - true_mg) <= row.u_delivered_mg
        assert row.planned_mg == original.planned_mg


def test_a_wrong_mix_is_corrected_the_next_morning(tmp_path: Path) -> None:
    """Twice the bags that were entered: METER and the plan agreed on half of what the block really got."""

    async def second_bag(service: Service, simulator: Simulator) -> None:
        """Pour in what was not entered, so strong that it takes 4 L of the 804 L in the tank then."""
        missing = {name: (804.0 * g_l - 800.0 * g_l / 2.0) / 4.0 for name, g_l in _STRENGTHS.items()}
        await simulator.ask(
            "charge", tank="a", litres=4.0, nutrients_g_l=missing, product_g_l=10_000.0, ec_ms_cm_per_g_l=2.2
        )

    ran, before = _night(tmp_path, {"kg = 160.0": "kg = 80.0"}, _EARLY, second_bag)
    assert before.restated == ()
    path = ledger_of(tmp_path / "db")
    mixed = {
        "tank": "a",
        "did": "filled",
        "at": "2020-10-13T08:00:00+10:30",
        "by": "Mina",
        "heel_l": 0.0,
        "stock": "calcium",
        "portions": [{"product": "calcium_nitrate", "kg": 160.0}],
        "filled_to_l": 800.0,
        "why": "all eight bags went in, not four",
    }
    answer = record_offline(
        ran.plant,
        tmp_path / "db",
        [{"kind": "mix", "key": "a_1", "body": mixed, "expected_version": 1}],
        "Jo",
        command="correction-1",
        clock=RealClock(),
    )
    assert "mix a_1 as version 2. Restated 4 doses of 1 run." in answer.reason
    report = run_report(path, ran.runs[0])
    assert report is not None
    assert report.doses == before.doses
    _assert_true(ran, report, off=-0.5)
    given = {dose.nutrient: dose for dose in read_past(path).doses}
    restated = [stamped.row for stamped in report.restated if stamped.row.estimate == "METER"]
    assert all(given[row.nutrient].delivered_kg == row.delivered_mg / 1e6 for row in restated)
    assert {dose.is_revised for dose in given.values()} == {True}
    assert verify_file(path).broken_seq is None


def test_a_top_up_while_the_injector_runs_is_restated_when_the_run_ends(tmp_path: Path) -> None:
    """Water into the tank half-way: nobody corrects anything, the run's own end states what the later half was."""

    async def top_up(service: Service, simulator: Simulator) -> None:
        held_l = (await simulator.ask("truth"))["tank_l"]["a"]
        await simulator.ask(
            "charge", tank="a", litres=1000.0 - held_l, nutrients_g_l={"N": 0.0}, product_g_l=1e-6, ec_ms_cm_per_g_l=0.0
        )
        body = {
            "tank": "a",
            "did": "filled",
            "at": service.clock.stamp().utc.isoformat(),
            "by": "Mina",
            "heel_l": held_l,
            "stock": "calcium",
            "filled_to_l": 1000.0,
        }
        request = {"id": "top-up", "who": "Mina", "decisions": [{"kind": "mix", "key": "a_2", "body": body}]}
        answer = await service.decided.answer(request)
        assert answer.accepted, answer.reason
        assert "Restated" not in answer.reason

    ran, report = _night(tmp_path, {}, _HALF_WAY, top_up)
    _assert_true(ran, report, off=0.12)
    assert {(stamped.row.mix, stamped.row.who) for stamped in report.restated} == {("a_2", "Mina")}
    assert verify_file(ledger_of(tmp_path / "db")).broken_seq is None
