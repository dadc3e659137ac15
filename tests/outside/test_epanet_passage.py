"""Arrivals found in EPANET 2.2's breakthrough curves (by wntr; L. Rossman et al., EPA/600/R-20/133, 2020).

What a far probe would read at a block's outermost emitter is EPANET's concentration there, with a probe's noise and
drift added. Compared is the half rise, which EPANET's own curve has without them.
"""

import random

import numpy as np
import pytest

from daemon.commissioning.transit_test import Sample, passage
from tests.outside import epanet
from tests.outside.networks import THREE_PARTS, Network, generated

TRANSIT = 0.01
NETWORKS = {
    "three parts": THREE_PARTS,
    "one long lateral": generated(102, 1, laterals=(1, 1), emitters=(400, 400)),
    "two blocks": generated(300, 2, laterals=(1, 40), emitters=(20, 400)),
}
_RISE, _GROUND, _DRIFT_A_S = 1.1, 0.62, 0.05 / 3600.0


@pytest.mark.parametrize("network", NETWORKS.values(), ids=NETWORKS)
@pytest.mark.parametrize(("noise", "every"), [(0.004, 1), (0.03, 1), (0.02, 30)], ids=["probe", "rough", "by hand"])
def test_arrivals_in_epanets_curves(network: Network, noise: float, every: int) -> None:
    """A probe every 10 s finds it within 1 %; a meter in the hand every 5 min within its own band."""
    pulse_s = 2400 * (1 + (network is not THREE_PARTS))
    found = epanet.run_pulse(network, pulse_s, 3 * pulse_s)
    dice = random.Random(7)
    for name, expected_s in found.arrival_s.items():
        passed = np.gradient(found.outermost[name], found.time_s) * pulse_s
        samples = [
            Sample(float(at), _GROUND + _DRIFT_A_S * float(at) + _RISE * float(part) + dice.gauss(0.0, noise))
            for at, part in zip(found.time_s[::every], passed[::every], strict=True)
        ]
        half = passage(samples, float(pulse_s)).half
        assert abs(half.value - expected_s) <= (TRANSIT * expected_s if every == 1 else half.u)
