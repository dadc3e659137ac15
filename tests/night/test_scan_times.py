"""The dose does not depend on the pace of the scan, nor on how evenly it comes: what one step at a time would hide.

Figures of the project's own aims, in percent of planned: 0.2 between scans of 0.5, 1 and 2 s, and 0.5 with scans of any
length from 0.2 to 5 s. One shift of two blocks and two channels on pipes of moderate length, in the core alone.
"""

import random
from collections.abc import Callable, Iterator
from itertools import repeat
from pathlib import Path

import pytest

from daemon.control.states import ProcedureState
from daemon.dosing.outcome import block_doses
from daemon.evidence import AlarmRaised, Dose
from tests.night.core import kestrel_night, shorter_site

Doses = dict[tuple[str, str], tuple[float, float]]
"""By block and nutrient: what the record calls delivered and what was, as shares of planned."""
_WATCHDOG_S = 10.0
"""Of the output module, so that the longest scan does not trip it."""


def _doses(folder: Path, site_s: float, scans_s: Iterator[float]) -> Doses:
    """Run the night of a site that is scanned every `site_s`, with scans as they really come."""
    file = shorter_site(folder, 0.3, {"scan_s = 2.0": f"scan_s = {site_s:g}", "min_off_s = 300.0": "min_off_s = 5.0"})
    night, recipes = kestrel_night(file, 1, ("low_night",), share=0.3, perfect=True)
    for module in night.sim.modules.values():
        module.setting_s = _WATCHDOG_S
    night.scan_s = next(scans_s)
    for _ in night.run(*recipes):
        night.scan_s = next(scans_s)
    assert night.state.unit.procedure is ProcedureState.COMPLETE
    assert not [row for row in night.rows if isinstance(row, AlarmRaised)]
    true_kg = night.truth_kg()
    return {
        (dose.block, dose.nutrient): (
            dose.delivered_mg / dose.planned_mg,
            1e6 * true_kg[dose.block][dose.nutrient] / dose.planned_mg,
        )
        for dose in block_doses(row for row in night.rows if isinstance(row, Dose))
    }


@pytest.fixture(scope="module")
def evenly(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], Doses]:
    """Run the night with even scans, once for each length."""
    done: dict[float, Doses] = {}

    def night(scan_s: float) -> Doses:
        if scan_s not in done:
            done[scan_s] = _doses(tmp_path_factory.mktemp("evenly"), scan_s, repeat(scan_s))
        return done[scan_s]

    return night


def test_even_scans_of_any_length_give_the_same_doses(evenly: Callable[[float], Doses]) -> None:
    """Guards that the scan's length is in no dose: 0.2 % of planned between 0.5, 1 and 2 s, record and truth alike."""
    nights = [evenly(scan_s) for scan_s in (0.5, 1.0, 2.0)]
    assert len(nights[0]) == 6
    for key in nights[0]:
        for shares in zip(*(night[key] for night in nights), strict=True):
            assert max(shares) - min(shares) <= 0.002, key


@pytest.mark.parametrize("seed", range(8))
def test_scans_that_come_late_and_early_give_the_same_doses(
    evenly: Callable[[float], Doses], tmp_path: Path, seed: int
) -> None:
    """Guards missed and hurried scans: 0.5 % of planned from the even ones, with every scan of 0.2 to 5 s."""
    drawn = random.Random(seed)
    for key, shares in _doses(tmp_path, 1.0, iter(lambda: drawn.uniform(0.2, 5.0), None)).items():
        for share, even in zip(shares, evenly(1.0)[key], strict=True):
            assert abs(share - even) <= 0.005, key
