"""Three shifts of two blocks each on one running pump, through Modbus TCP: what a change of shift does in the plant.

The next valves open before the last close, the pump starts once, no block gets another shift's stock, and a fault that
ends one shift's injection is none of the next one's business. All of it by the plant's own account, scan by scan.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import uvloop

from daemon.cli import night
from daemon.cli.night import Night, ledger_of, on_free_ports, run_night
from daemon.cli.simulator import Simulator
from daemon.control.states import Phase
from daemon.dosing.outcome import block_doses
from daemon.ledger.reports import RunReport, run_report
from daemon.runtime.scan import Scanned
from daemon.runtime.service import Service
from sim.plant import STEP_S
from tests.night.core import shorter_site
from tests.night.sites import KESTREL_BEND, START, cut

pytestmark = pytest.mark.plant

_SHIFTS = {"low_night": ("bridge", "creek"), "high_night": ("hill", "ridge"), "grove_night": ("house", "river")}
_PHASES = ["FILL", "PREWET", "INJECT", "FLUSH"]
_SHARE = 0.08
"""Of the night's water and doses."""
_SITE = {"min_off_s = 300.0": "min_off_s = 5.0", "settle_s = 20.0": "settle_s = 10.0"}


@dataclass(frozen=True, slots=True)
class _Look:
    """One scan: which run was under way, and the plant's account of the moment."""

    run: str
    account: Mapping[str, Any]

    def valves(self) -> set[str]:
        """Return the blocks whose valves have energy."""
        return {block for block in self.account["blocks"] if self.account["outputs"][f"block.{block}"]}

    def stock_kg(self, block: str) -> float:
        """Return all that has come into a block's pipes so far."""
        parts = self.account["blocks"][block]
        return sum(sum(parts[key].values()) for key in ("delivered_kg", "in_pipes_kg", "drained_kg"))


@dataclass(slots=True)
class _Watched:
    """A night that has been run, with a look at each of its scans."""

    ran: Night
    reports: Sequence[RunReport]
    looks: list[_Look] = field(default_factory=list)

    def of_run(self, number: int) -> list[_Look]:
        """Return the looks at one run."""
        return [look for look in self.looks if look.run == self.ran.runs[number]]


def _run(folder: Path, fault: Mapping[str, Any] | None = None) -> _Watched:
    """Run the three shifts; `fault` begins in the second one's PREWET and stays."""
    looks: list[_Look] = []
    services: list[Service] = []
    asked: list[str] = []

    class Witness(Simulator):
        """Asked for its account right before it moves on: at the very instant that the scan saw."""

        async def advance(self, seconds: float) -> None:
            state = services[0].scanner.state if services else None
            if state is not None and state.run is not None:
                looks.append(_Look(state.run.recipe.run, await self.ask("truth")))
                is_due = state.run.recipe.shift == "high" and state.unit.phase is Phase.PREWET
                if fault is not None and is_due and not asked:
                    asked.append(state.run.recipe.run)
                    await self.ask("fault", **fault)
            await super().advance(seconds)

    def watch(service: Service, simulator: Simulator, scanned: Scanned) -> None:
        if not services:
            services.append(service)

    site_file = shorter_site(folder, 0.05, _SITE)
    site_file.write_text(on_free_ports(site_file.read_text("utf-8")), "utf-8")
    decisions_file = folder / "decisions.toml"
    decisions_file.write_text(cut((KESTREL_BEND / "decisions.toml").read_text("utf-8"), _SHARE), "utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "Simulator", Witness)
        ran = uvloop.run(
            run_night(site_file, decisions_file, list(_SHIFTS), folder, START, options=["--perfect"], watch=watch)
        )
    reports = [report for run in ran.runs if (report := run_report(ledger_of(folder), run)) is not None]
    return _Watched(ran, reports, looks)


@pytest.fixture(scope="module")
def well(tmp_path_factory: pytest.TempPathFactory) -> _Watched:
    """Run the night in which nothing goes wrong."""
    return _run(tmp_path_factory.mktemp("well"))


def test_every_shift_goes_through_its_phases_and_gets_its_dose(well: _Watched) -> None:
    """Guards the order of a night: three runs, four phases each, nothing owed between them, no alarm."""
    assert [[phase.row.phase for phase in report.phases] for report in well.reports] == [_PHASES] * 3
    assert [report.ended.row.outcome for report in well.reports if report.ended is not None] == ["DELIVERED"] * 3
    assert not any(report.alarms for report in well.reports)
    assert list(dict.fromkeys(look.run for look in well.looks)) == list(well.ran.runs)
    for report in well.reports:
        for dose in block_doses(stamped.row for stamped in report.doses):
            true_mg = 1e6 * well.ran.truth["blocks"][dose.block]["delivered_kg"][dose.nutrient]
            assert abs(dose.delivered_mg - true_mg) <= 0.01 * dose.planned_mg
            assert abs(true_mg - dose.planned_mg) <= 0.02 * dose.planned_mg


def test_the_pump_starts_once_for_the_night(well: _Watched) -> None:
    """Guards `at_changeover = "keep"`: its contactor closes once and opens once."""
    ins = [look.account["contactors"]["pump"] for look in well.looks]
    assert [after for before, after in pairwise(ins) if before != after] == [True, False]


def test_valves_overlap_at_each_change_and_there_is_water_all_the_time(well: _Watched) -> None:
    """Guards the change of shift: both shifts' valves open for the travel and the overlap, and the flow never fails."""
    site = well.ran.plant.site
    for number, (before, after) in enumerate(pairwise(_SHIFTS.values()), 1):
        looks = well.of_run(number)
        both = [look for look in looks if look.valves() == {*before, *after}]
        assert looks[: len(both)] == both, "in one go, from the first scan of the run on"
        overlap_s = looks[len(both)].account["time_s"] - both[0].account["time_s"]
        least_s = max(site.block[name].travel_s for name in after) + site.limits.overlap_s
        assert least_s - STEP_S <= overlap_s <= least_s + 2.0 * site.site.scan_s
        pumped = [look for look in looks if look.account["outputs"]["pump"]]
        assert all(look.valves() == set(after) for look in pumped[len(both) :])
        for look in pumped:
            assert look.account["line"]["flow_m3_h"] >= site.main.min_flow_m3_h
            assert look.account["line"]["pressure_kpa"] >= site.main.min_pressure_kpa


def test_no_block_gets_another_shifts_stock(well: _Watched) -> None:
    """Guards the path: what a block has got changes in its own shift alone, and calcium never enters the third's."""
    for number, run in enumerate(_SHIFTS):
        for other, blocks in enumerate(_SHIFTS.values()):
            for block in blocks:
                looks = well.of_run(number)
                came_kg = looks[-1].stock_kg(block) - looks[0].stock_kg(block)
                assert (came_kg > 0.1) if number == other else abs(came_kg) <= 1e-9, (run, block)
    for block in _SHIFTS["grove_night"]:
        assert not well.ran.truth["blocks"][block]["delivered_kg"].get("Ca")
    assert well.ran.truth["residual"] <= 1e-9


def test_no_injector_has_energy_while_two_shifts_valves_are_open(well: _Watched) -> None:
    """Guards rule 14, in the plant."""
    for look in well.looks:
        if any(on for name, on in look.account["contactors"].items() if name != "pump"):
            assert look.valves() in map(set, _SHIFTS.values())


def test_a_fault_of_the_second_shift_leaves_the_third_unharmed(well: _Watched, tmp_path: Path) -> None:
    """Guards the next shift: air in one pump ends the second's injection, not that of the third, by another."""
    faulty = _run(tmp_path, {"name": "airlock", "injector": "a"})
    ends = [report.ended.row for report in faulty.reports if report.ended is not None]
    assert [(end.state, end.outcome) for end in ends] == [
        ("COMPLETE", "DELIVERED"),
        ("COMPLETE", "NOT_RUN"),
        ("COMPLETE", "DELIVERED"),
    ]
    assert [stamped.row.code for stamped in faulty.reports[1].alarms] == [*["injector-silent"] * 2, "airlock"]
    assert ends[1].water_ml >= 1e6 * _SHARE * 194.0, "the shift without fertiliser has all of its water"
    for block in _SHIFTS["grove_night"]:
        as_ever, now = (night.ran.truth["blocks"][block]["delivered_kg"]["K"] for night in (well, faulty))
        assert now == pytest.approx(as_ever, rel=2e-3)
    ins = [look.account["contactors"]["pump"] for look in faulty.looks]
    assert [after for before, after in pairwise(ins) if before != after] == [True, False]
