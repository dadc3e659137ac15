"""What the open valves take as a multiple of the shift's own flow, when somebody has forced one."""

import math

import pytest

from daemon.control.forcing import joint_fit, path_fit
from daemon.control.image import SAFE
from daemon.control.run import begin
from tests.daemon.control.plant import changed
from tests.daemon.control.sites import night, orchard


@pytest.mark.parametrize(
    ("opened", "fit"),
    [
        ((), 1.0),
        (("creek", "hill"), 1.0),
        (("creek",), 33.92 / 53.12),
        (("creek", "hill", "ridge"), 70.08 / 53.12),
        (("creek", "ridge"), math.inf),
        (("ridge",), math.inf),
    ],
)
def test_a_valve_that_is_forced_changes_what_the_shift_may_take(opened: tuple[str, ...], fit: float) -> None:
    """Guards the plausibility of a forced path: one more or one less is known, one for another is not."""
    site = orchard().site
    run = begin(night(orchard(), ("creek", "hill"), 4.4))
    assert path_fit(site, run, changed(SAFE, blocks=frozenset(opened))) == pytest.approx(fit)


@pytest.mark.parametrize(
    ("path", "flow", "fit"), [(1.0, 0.7, 0.7), (1.0, 1.4, 1.4), (1.5, 1.2, 1.5), (1.5, 1.8, 1.8), (0.5, 0.8, 0.5)]
)
def test_of_valves_and_meter_the_farther_off_holds(path: float, flow: float, fit: float) -> None:
    """Guards the same: a meter that shows less than the open valves take does not hide them."""
    assert joint_fit(path, flow) == fit
