"""Nights of the core on the simulator's plant: a flush by the line's EC, and rain that begins between shifts."""

from pathlib import Path

import pytest

from daemon.control.states import ProcedureState
from daemon.evidence import Event, PhaseEnded, RunEnded
from daemon.recipe import Recipe
from sim.truth import truth
from tests.daemon.control.plant import changed, of_kind
from tests.night.core import CoreNight, kestrel_night, shorter_site

_CHANGES = {
    "min_off_s = 300.0": "min_off_s = 5.0",
    "settle_s = 20.0": "settle_s = 10.0",
    "[safety]": '[weather]\nrain = "station.in6"\n\n[safety]',
}
_WITHIN_MS_CM = 0.05
_SHIFTS = ("low_night", "grove_night")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a site where a night takes minutes, with a rain gauge."""
    return shorter_site(tmp_path_factory.mktemp("flush"), 0.05, _CHANGES)


def _night(site: Path, *programs: str) -> tuple[CoreNight, tuple[Recipe, ...]]:
    night, recipes = kestrel_night(site, 3, programs, share=0.05)
    return night, tuple(
        changed(recipe, flush_ec_ms_cm=_WITHIN_MS_CM, flush_most_l=1.5 * recipe.flush_l) for recipe in recipes
    )


def _flush(night: CoreNight) -> PhaseEnded:
    return next(row for row in of_kind(night.rows, PhaseEnded) if row.phase == "FLUSH")


def _unclear(night: CoreNight) -> list[Event]:
    return [row for row in of_kind(night.rows, Event) if row.code == "flush-not-clear"]


def test_a_flush_that_reaches_the_emitters_is_clear_at_the_shed_by_its_volume(site: Path) -> None:
    """Guards the noise and the lag of real probes: with their errors the EC is back before the volume has passed."""
    night, recipes = _night(site, "low_night")
    for _ in night.run(*recipes):
        pass
    assert "the line's EC is back" in _flush(night).why and not _unclear(night)
    injected_kg = truth(night.sim)["injected_kg"]["N"]
    in_pipes_kg = sum(block["in_pipes_kg"].get("N", 0.0) for block in truth(night.sim)["blocks"].values())
    assert in_pipes_kg < 1e-3 * injected_kg


def test_a_probe_that_drifts_costs_water_up_to_the_most_and_says_so(site: Path) -> None:
    """Guards bounded water: an EC that never comes back ends the flush at `flush_most_l`, flagged, dose and all."""
    night, recipes = _night(site, "low_night")
    night.sim.fault(night.sim.faults.check("probe_drift", True, {"ms_cm_h": 2.0}), 300.0)
    for _ in night.run(*recipes):
        pass
    run = night.state.run
    assert run is not None and night.state.unit.procedure is ProcedureState.COMPLETE
    scan_l = recipes[0].flow_m3_h / 3.6 * night.scan_s
    assert 0.0 <= run.since_injected_l - recipes[0].flush_most_l <= 3.0 * scan_l
    assert len(_unclear(night)) == 1 and "is not back" in _flush(night).why
    assert [row.outcome for row in of_kind(night.rows, RunEnded)] == ["DELIVERED"]


def test_rain_that_begins_in_one_shift_keeps_the_next_one_out(site: Path) -> None:
    """Guards the contact from the gauge to the record: the shift under way is whole, and the next one is not begun."""
    night, recipes = _night(site, *_SHIFTS)
    night.sim.fault(night.sim.faults.check("rain", True, {}), 200.0)
    for _ in night.run(recipes[0], changed(recipes[1], inhibited_by=("rain",))):
        pass
    ended = [(row.state, row.outcome, row.why) for row in of_kind(night.rows, RunEnded)]
    assert [end[:2] for end in ended] == [("COMPLETE", "DELIVERED"), ("IDLE", "NOT_RUN")]
    assert ended[1][2] == "it rains"
    assert not night.state.outputs.pump
