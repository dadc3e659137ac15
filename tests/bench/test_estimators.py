"""What the estimates cost a scan, beside the same scan's own decision, in one run."""

import statistics

import pytest

from daemon.clock import real_seconds
from daemon.control.decide import decide
from daemon.control.image import Now
from daemon.control.witness import watched
from tests.bench.figures import keep
from tests.daemon.control.plant import Rig, is_injecting, wide, wide_recipe

pytestmark = pytest.mark.bench

ROUNDS, SCANS = 30, 400
MOST_US = 50.0


def test_the_estimates_cost_little_of_a_scan() -> None:
    """Two channels, both with level and EC, while they inject: all estimators within 50 us, and a part of `decide`."""
    rig = Rig(wide())
    assert rig.start(wide_recipe()).accepted
    rig.until(is_injecting)
    rig.scan()
    decision = rig.scan()
    state, facts = decision.state, decision.facts
    run, image = state.run, rig.see()
    assert run is not None and len(run.channels) == 2
    loading, now = frozenset(run.channels), Now(1.0, rig.at_s)
    witness_s, whole_s = [], []
    for _ in range(ROUNDS):
        began_s = real_seconds()
        for _ in range(SCANS):
            watched(run, facts, loading, state.unit.phase)
        witness_s.append((real_seconds() - began_s) / SCANS)
        began_s = real_seconds()
        for _ in range(SCANS):
            decide(rig.plant, state, image, (), now)
        whole_s.append((real_seconds() - began_s) / SCANS)
    one, whole = 1e6 * statistics.median(witness_s), 1e6 * statistics.median(whole_s)
    keep(7, "all estimators of a scan", one, "µs", "50 µs", "the scan's whole decision", whole)
    assert one <= MOST_US
