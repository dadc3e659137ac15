"""Invariant 7 against a plant that is not what the site file says: the record stays within what it claims to know.

The ledger follows displaced litres through computed pipes; the simulator moves stock through pipes of its own. A
hidden error of the plant must therefore move delivered - truth the way physics says, or they share a formula.
"""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.control.states import Phase
from daemon.evidence import Dose
from tests.night.nights import CREEK_AS_IT_IS, Cut, Watched, watched_night

pytestmark = pytest.mark.plant

_INSTANTS = sorted(random.Random(20261013).sample(range(2300, 9000), 10))
"""From the first stock in the pipes of the creek plant, about second 2290, to shortly before the end."""
_SHORT_INSTANTS = (480, 540, 600)
"""Of a short night: INJECT runs from about 260 to 700, and its stock fills the pipes after some 200."""


@pytest.fixture(scope="module")
def cut_night(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], Watched]:
    """Run the whole of the creek plant with a hidden factor of the pipe volume, once for each factor."""
    done: dict[float, Watched] = {}

    def night(factor: float) -> Watched:
        if factor not in done:
            options = ["--perfect", "--hidden", f"pipe_volume={factor}"]
            done[factor] = watched_night(
                tmp_path_factory.mktemp("cut"),
                site=CREEK_AS_IT_IS,
                decisions=CREEK_AS_IT_IS,
                options=options,
                cut_at=_INSTANTS,
            )
        return done[factor]

    return night


def _short(folder: Path, *hidden: str) -> Watched:
    return watched_night(folder, options=["--perfect", "--hidden", *hidden], cut_at=_SHORT_INSTANTS)


def _is_filled(cut: Cut) -> bool:
    """Whether the injection goes on and has filled the pipes: a seventh of the night's dose is then in them."""
    is_injecting = cut.scanned.decision.state.unit.phase is Phase.INJECT
    return is_injecting and all(cut.in_pipes_mg(dose) > dose.planned_mg / 10.0 for dose in cut.doses)


def _miss_mg(cut: Cut, dose: Dose) -> float:
    return dose.delivered_mg - cut.truth_mg(dose)


def test_a_perfect_plant_gets_what_was_planned(tmp_path: Path) -> None:
    """Figures of the end of a night: 0.5 % of planned against the truth, 1 % against the plan, for each nutrient."""
    watched = watched_night(tmp_path, options=["--perfect"])
    rows = [*watched.report.metered]
    assert {row.nutrient for row in rows} == {"N", "Ca"}
    for row in rows:
        assert abs(row.delivered_mg - 1e6 * watched.truth_kg(row.nutrient)) <= 0.005 * row.planned_mg
        assert abs(row.delivered_mg - row.planned_mg) <= 0.01 * row.planned_mg


@pytest.mark.parametrize("factor", [1.10, 0.90])
def test_the_truth_lies_in_the_band_at_any_instant(cut_night: Callable[[float], Watched], factor: float) -> None:
    """Pipes a tenth larger or smaller than drawn: the truth is in the k = 2 band, and within 3 % of planned."""
    cuts = cut_night(factor).cuts
    assert [cut.scan for cut in cuts] == _INSTANTS
    assert sum(0.0 < cut.in_pipes_mg(dose) for cut in cuts for dose in cut.doses[:1]) >= 4, (
        "too few with stock on its way"
    )
    for cut in cuts:
        for dose in cut.doses:
            miss_mg = _miss_mg(cut, dose)
            assert abs(miss_mg) <= dose.u_delivered_mg + 1.0, (cut.scan, dose)
            assert abs(miss_mg) <= 0.03 * dose.planned_mg, (cut.scan, dose)


@pytest.mark.parametrize(("factor", "sign"), [(1.10, 1.0), (0.90, -1.0)])
def test_larger_pipes_hold_back_what_the_ledger_calls_delivered(
    cut_night: Callable[[float], Watched], factor: float, sign: float
) -> None:
    """Once stock fills the pipes, the ledger is wrong by what the unknown part of them holds."""
    filled = [cut for cut in cut_night(factor).cuts if _is_filled(cut)]
    assert filled, "no instant with full pipes: choose others"
    for cut in filled:
        for dose in cut.doses:
            unknown_mg = cut.in_pipes_mg(dose) * (1.0 - 1.0 / factor)
            assert 0.5 * abs(unknown_mg) <= sign * _miss_mg(cut, dose) <= 1.5 * abs(unknown_mg), (cut.scan, dose)


def test_a_main_meter_that_reads_high_pushes_the_stock_too_far(tmp_path: Path) -> None:
    """15 % too many litres displace 15 % too much: the ledger is ahead by about that part of what is in the pipes."""
    for cut in _short(tmp_path, "main_meter=1.15").cuts:
        for dose in cut.doses:
            ahead_mg = cut.in_pipes_mg(dose) * (1.0 - 1.0 / 1.15)
            assert 0.5 * ahead_mg <= _miss_mg(cut, dose) <= 1.5 * ahead_mg, (cut.scan, dose)


def test_an_injector_meter_that_reads_high_overstates_the_dose(tmp_path: Path) -> None:
    """Every litre of stock counted as 1.15: the ledger overstates by 15 % in the middle of the night and at its end."""
    watched = _short(tmp_path, "injector_meter=1.15")
    for cut in watched.cuts:
        for dose in cut.doses:
            assert _miss_mg(cut, dose) == pytest.approx(0.15 * cut.truth_mg(dose), rel=0.1), (cut.scan, dose)
    for row in watched.report.metered:
        truth_mg = 1e6 * watched.truth_kg(row.nutrient)
        assert row.delivered_mg - truth_mg == pytest.approx(0.15 * truth_mg, rel=0.03)
