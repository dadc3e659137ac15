"""Nothing is lost and nothing is made: over a whole night at Kestrel Bend with all that disturbs it.

Three shifts on one running pump, backwashes in them, blocks that run empty, and an emergency stop in the last one's
INJECT. In the plant mass is conserved at any instant; in the record every row adds up to the milligram (invariant 7).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from daemon.agronomy.products import substance_of
from daemon.control.states import Phase, ProcedureState
from daemon.evidence import Dose, RunEnded, Unscheduled
from sim.truth import truth
from tests.night.core import CoreNight, kestrel_night, shorter_site

_PROGRAMS = ("grove_night", "high_night", "low_night")
"""The last shift has the block that drains and the one that does not."""
_CUT_S = 300.0
"""How long the last shift has injected before the emergency stop."""
_LOOK_EVERY = 25
_REST_S = 3600.0
"""Long enough for a block to run empty."""
_COUNT_L = 0.01
_PULSE_L = 10.0
_NITROGEN_G_L = {
    "a": 200.0 * substance_of("calcium_nitrate_double_salt", {}).nutrients_g_g["N"],
    "b": 120.0 * substance_of("potassium_nitrate", {}).nutrients_g_g["N"],
}

_SHORT = {
    "min_off_s = 300.0": "min_off_s = 5.0",
    "wash_every_m3 = 250.0": "wash_every_m3 = 11.0",
}
_ITS_OWN = {
    **_SHORT,
    'order = ["meter", "filter", "injection", "probe"]': 'order = ["meter", "injection", "filter", "probe"]',
    'backwash = "station.out12"\n': "",
}
"""A filter that washes itself, stock and all, behind the injection."""


@dataclass(slots=True)
class _Told:
    """A night that is over, what was seen of it on its way, and its account in the end."""

    night: CoreNight
    looks: list[Mapping[str, Any]] = field(default_factory=list)
    washes_in: set[Phase | None] = field(default_factory=set)
    account: Mapping[str, Any] = field(default_factory=dict)

    def rows(self, kind: type) -> list[Any]:
        """Return the rows of evidence of one kind."""
        return [row for row in self.night.rows if isinstance(row, kind)]


@pytest.fixture(scope="module", params=[_SHORT, _ITS_OWN], ids=["ours", "its own, behind the injection"])
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> _Told:
    """Run the night of a plant with tolerances and noise, press the emergency stop in it, and let it stand."""
    file = shorter_site(tmp_path_factory.mktemp("balance"), 0.15, request.param)
    night, recipes = kestrel_night(file, 11, _PROGRAMS, share=0.15)
    told = _Told(night)
    injecting_s = 0.0
    for number, decision in enumerate(night.run(*recipes)):
        if number % _LOOK_EVERY == 0:
            told.looks.append(truth(night.sim))
        state = decision.state
        if decision.facts.is_washing:
            told.washes_in.add(state.unit.phase)
        if not state.queue and any(channel.run for channel in decision.outputs.channels.values()):
            injecting_s += night.scan_s
            if injecting_s == _CUT_S:
                night.sim.fault(night.sim.faults.check("estop", True, {}))
    for _ in range(round(_REST_S / night.scan_s)):
        night.scan()
    told.account = truth(night.sim)
    told.looks.append(told.account)
    return told


def test_the_night_was_as_disturbed_as_it_should_be(told: _Told) -> None:
    """Guards the tests below: two shifts complete, one aborted with stock in the pipes, washes in INJECT too."""
    assert [row.state for row in told.rows(RunEnded)] == ["COMPLETE", "COMPLETE", "ABORTED"]
    assert told.night.state.unit.procedure is ProcedureState.ABORTED
    assert Phase.INJECT in told.washes_in
    assert told.account["backwash_m3"] > 0.5
    assert sum(told.account["blocks"]["creek"]["drained_kg"].values()) > 0.01
    assert sum(told.account["blocks"]["bridge"]["in_pipes_kg"].values()) > 0.01
    assert any(row.lost_mg for row in told.rows(Dose)) and any(row.in_lines_mg for row in told.rows(Dose))


def test_no_mass_is_lost_in_the_plant_at_any_instant(told: _Told) -> None:
    """Guards the simulator: injected is delivered, in the pipes or lost, to 1e-9 of it; so is what left the tanks."""
    assert len(told.looks) > 50
    for account in told.looks:
        assert account["residual"] <= 1e-9
        for nutrient, injected_kg in account["injected_kg"].items():
            parts = [account["in_pipes_kg"], account["lost_kg"]]
            parts += [block["delivered_kg"] for block in account["blocks"].values()]
            assert sum(part.get(nutrient, 0.0) for part in parts) == pytest.approx(injected_kg, rel=1e-9, abs=1e-12)


def test_what_a_backwash_took_along_is_lost(told: _Told, request: pytest.FixtureRequest) -> None:
    """Guards the drain: it takes stock where the stock passes the filter, and none where it enters behind it."""
    drained_kg = sum(sum(block["drained_kg"].values()) for block in told.account["blocks"].values())
    by_the_drain_kg = sum(told.account["lost_kg"].values()) - drained_kg
    if told.night.plant.site.main.comes_before("injection", "filter"):
        assert by_the_drain_kg > 1e-3
    else:
        assert by_the_drain_kg == pytest.approx(0.0, abs=1e-12)


def test_every_dose_row_adds_up_to_the_milligram(told: _Told) -> None:
    """Guards the record: injected is delivered, in the lines or lost, and nothing of it is negative."""
    rows = told.rows(Dose)
    assert len([row for row in rows if row.estimate == "METER"]) == 2 * 2 + 2 * 4 + 2 * 4
    assert {row.estimate for row in rows} == {"METER", "TANK", "EC"}
    for row in rows:
        assert row.injected_mg == row.delivered_mg + row.in_lines_mg + row.lost_mg
        assert row.estimate != "METER" or min(row.injected_mg, row.delivered_mg, row.in_lines_mg, row.lost_mg) >= 0


def test_the_record_s_sums_are_the_meters_own(told: _Told) -> None:
    """Guards invariant 7: the runs' stock and water, and what was unscheduled, are all that the meters counted."""
    unscheduled_l = {
        name: told.night.state.lines.unscheduled_l.get(name, 0.0)
        + sum(row.volume_ml for row in told.rows(Unscheduled) if row.channel == name) / 1000.0
        for name in ("main", "a", "b")
    }
    for name, nitrogen_g_l in _NITROGEN_G_L.items():
        rows = [row for row in told.rows(Dose) if row.estimate == "METER" and row.channel == name]
        injected_mg = sum(row.injected_mg for row in rows if row.nutrient == "N")
        recorded_l = injected_mg / 1000.0 / nitrogen_g_l + unscheduled_l[name]
        assert recorded_l == pytest.approx(told.night.sim.injectors[name].metered_l, abs=2.0 * _COUNT_L)
    water_l = sum(row.water_ml for row in told.rows(RunEnded)) / 1000.0
    assert water_l + unscheduled_l["main"] == pytest.approx(told.night.sim.meter.counted_l, abs=_PULSE_L)
