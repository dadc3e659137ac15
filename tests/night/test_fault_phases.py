"""Every fault of the plant that the simulator knows, begun in every phase of a night, ends as fault_table.py says.

Invariants 1, 2, 3 and 7 in the plant itself: the injector is off in time, what is owed is recorded and what is not owed
is clean, all is off in the end, the truth lies in the record's band and no mass is lost. Core only, for speed; the same
through Modbus, for INJECT, is test_faults.py.
"""

from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon.control.image import SAFE
from daemon.control.states import Phase, ProcedureState
from daemon.dosing.outcome import block_doses
from daemon.evidence import AlarmRaised, Dose, RunEnded, Unscheduled
from sim.faults import PARAMETERS
from sim.truth import truth
from tests.night.core import CoreNight, kestrel_night, shorter_site
from tests.night.fault_table import BLOCKS, TABLE, End, Row

_WAITS = {
    "min_off_s = 300.0": "min_off_s = 5.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "fill_max_s = 900.0": "fill_max_s = 120.0",
    "pause_max_s = 300.0": "pause_max_s = 100.0",
    "[safety]": '[weather]\nrain = "station.in6"\nwind = "station.in7"\n\n[safety]',
}
_AFTER_S = {Phase.FILL: 20.0, Phase.PREWET: 20.0, Phase.INJECT: 60.0, Phase.FLUSH: 20.0}
"""From the beginning of a phase to the fault: in FILL the pump runs by then, in INJECT stock is in all the pipes."""
_AT_THE_START_S = 2.0
"""The same in FILL for a fault that only a start shows: no valve has opened yet."""
_AT_REST_SCANS = 20


@dataclass(frozen=True, slots=True)
class _Seen:
    """A night that is over, and how long an injector or its valve still had energy after the fault."""

    night: CoreNight
    planned_l: float
    energy_s: float


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a site where a night, and what is waited for in it, takes minutes."""
    return shorter_site(tmp_path_factory.mktemp("phases"), 0.05, _WAITS)


def _play(site: Path, row: Row, phase: Phase) -> _Seen:
    """Run a night whose fault begins in `phase`, and some scans at rest."""
    night, recipes = kestrel_night(site, 1, ("low_night",), share=0.05, perfect=True)
    wait_s = _AT_THE_START_S if row.at_start and phase is Phase.FILL else _AFTER_S[phase]
    entered_s, is_faulty, energy_s = None, False, 0.0
    for decision in night.run(*recipes):
        if decision.state.unit.phase is phase and entered_s is None:
            entered_s = night.at_s
        if is_faulty and any(one.contactor_in or one.valve_open for one in night.sim.injectors.values()):
            energy_s += night.scan_s
        if not is_faulty and entered_s is not None and night.at_s - entered_s >= wait_s:
            is_faulty = True
            night.sim.fault(night.sim.faults.check(row.fault, True, row.parameters))
    assert is_faulty
    for _ in range(_AT_REST_SCANS):
        assert night.scan().outputs == SAFE
    return _Seen(night, recipes[0].water_l, energy_s)


def test_every_fault_is_in_the_table() -> None:
    """Guards the table: a fault that the simulator learns must be judged here."""
    assert {row.fault for row in TABLE} == set(PARAMETERS)


_CASES = [
    pytest.param(row, phase, end, id=f"{row.id}-{phase.value}")
    for row in TABLE
    for phase, end in zip(Phase, row.ends, strict=True)
]


@pytest.mark.parametrize(("row", "phase", "end"), _CASES)
def test_a_fault_ends_a_night_as_the_table_says(site: Path, row: Row, phase: Phase, end: End) -> None:
    """State, outcome, alarm, injector, and what is owed."""
    seen = _play(site, row, phase)
    night = seen.night
    (ended,) = (entry for entry in night.rows if isinstance(entry, RunEnded))
    alarms = [entry.code for entry in night.rows if isinstance(entry, AlarmRaised)]
    assert (night.state.unit.procedure, ended.outcome) == (end.state, end.outcome), (ended.why, alarms)
    assert end.alarm in alarms if end.alarm else not alarms, alarms
    if end.state is ProcedureState.COMPLETE:
        assert ended.water_ml >= 1000.0 * seen.planned_l, "losing fertiliser lost water"
    assert end.energy_s is None or seen.energy_s <= end.energy_s
    assert tuple(sorted({item.segment for item in night.state.lines.owed})) == end.owed
    _assert_the_plant_is_at_rest_and_conserves(night)
    _assert_clean_where_nothing_is_owed(night, end)
    _assert_the_record_adds_up(night, end)


def test_stock_of_a_channel_that_is_not_of_the_run_is_booked(site: Path) -> None:
    """Invariant 7: the shift injects with b, and what siphons from a meanwhile is in the record to its last 0.1 L."""
    night, recipes = kestrel_night(site, 1, ("grove_night",), share=0.08, perfect=True)
    night.sim.fault(night.sim.faults.check("siphon", True, {"injector": "a", "l_h": 200.0}))
    for _ in night.run(*recipes):
        pass
    moved_l = night.sim.injectors["a"].metered_l
    booked_ml = sum(row.volume_ml for row in night.rows if isinstance(row, Unscheduled) and row.channel == "a")
    assert moved_l > 10.0
    assert booked_ml / 1000.0 == pytest.approx(moved_l, abs=0.2)


def _assert_the_plant_is_at_rest_and_conserves(night: CoreNight) -> None:
    account = truth(night.sim)
    assert not any(account["outputs"].values()) and not any(account["contactors"].values())
    assert not any(drop["watchdog"] for drop in account["drops"].values())
    assert account["residual"] <= 1e-9


def _assert_clean_where_nothing_is_owed(night: CoreNight, end: End) -> None:
    """Invariant 2, in the plant: pipes that owe no flush hold none of the stock."""
    account = truth(night.sim)
    held_kg = {"main": account["trunk_kg"], **{name: account["blocks"][name]["in_pipes_kg"] for name in BLOCKS}}
    injected_kg = sum(account["injected_kg"].values())
    for segment in held_kg.keys() - set(end.owed):
        assert sum(held_kg[segment].values()) <= 1e-3 * injected_kg, segment


def _assert_the_record_adds_up(night: CoreNight, end: End) -> None:
    """Invariant 7: each row to the milligram; what left the emitters is in the k = 2 band where that can be known."""
    rows = [entry for entry in night.rows if isinstance(entry, Dose)]
    for row in rows:
        assert row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg
    true_kg = night.truth_kg()
    for row in block_doses(rows) if end.is_told else ():
        assert abs(row.delivered_mg - 1e6 * true_kg[row.block].get(row.nutrient, 0.0)) <= row.u_delivered_mg + 1.0, row
