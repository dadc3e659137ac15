"""Where the stock is, against EPANET 2.2 (by wntr; L. Rossman et al., EPA/600/R-20/133, 2020) on five networks.

The pulse lasts one transit to the outermost emitter and water follows for one and a half. At the end all is delivered,
which proves little beyond each block's share; so delivered is compared at every look in between, to the same limit.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from daemon.equipment import Block, MainLine
from daemon.hydraulics.pipes import line_path, shared_main_l
from daemon.hydraulics.transport import clean_line, displace
from daemon.recipe import LinePath
from tests.outside import epanet
from tests.outside.networks import NETWORKS, THREE_PARTS, Curve, Network, Passage, block_flow_l_s
from tests.outside.simulated import run_pulse

ARRIVAL = 0.02
"""Of the time to the outermost emitter."""
DELIVERED = 0.005
"""Of the dose: a block's own, or the total of all blocks."""


@dataclass(frozen=True)
class Case:
    """One network and EPANET's account of its pulse."""

    network: Network
    pulse_s: int
    after_s: int
    epanet: Passage

    def assert_delivers_alike(self, time_s: Curve, delivered: Mapping[str, Curve]) -> None:
        """Compare every block and their total with EPANET at each of these times."""
        total = np.zeros_like(time_s)
        for name, block in self.network.block.items():
            expected = np.interp(time_s, self.epanet.time_s, self.epanet.delivered[name])
            share = block_flow_l_s(block) / self.network.flow_l_s
            assert delivered[name] == pytest.approx(expected, abs=DELIVERED * share), name
            assert delivered[name][-1] == pytest.approx(share, rel=DELIVERED), name
            total += delivered[name] - expected
        assert total == pytest.approx(0.0, abs=DELIVERED)


def _path(network: Network, name: str) -> LinePath:
    """Return the daemon's own account of a block's way from the injection point."""
    block = network.block[name]
    shared_l = shared_main_l(MainLine.model_validate(network.main))
    return line_path(Block.model_validate(block), shared_l * block_flow_l_s(block) / network.flow_l_s)


def _transit_s(network: Network, name: str) -> float:
    return _path(network, name).transit_l / block_flow_l_s(network.block[name])


def _times_s(network: Network) -> tuple[int, int]:
    """Return how long to inject and how long to let water follow, in whole steps of EPANET's pattern."""
    step_s = epanet.BEFORE_S
    longest_s = max(_transit_s(network, name) for name in network.block)
    return math.ceil(longest_s / step_s) * step_s, math.ceil(1.5 * longest_s / step_s) * step_s


@pytest.fixture(scope="module", params=list(NETWORKS))
def case(request: pytest.FixtureRequest) -> Case:
    """Each network in turn, with EPANET's account of it."""
    network = NETWORKS[request.param]
    pulse_s, after_s = _times_s(network)
    return Case(network, pulse_s, after_s, epanet.run_pulse(network, pulse_s, after_s))


def test_lumped_laterals_are_explicit_ones() -> None:
    """Guards the yardstick: with all 2,000 emitters laid, EPANET delivers the same at every instant, to 0.1 %."""
    pulse_s, after_s = epanet.BEFORE_S, _times_s(THREE_PARTS)[1]
    lumped = epanet.run_pulse(THREE_PARTS, pulse_s, after_s)
    explicit = epanet.run_pulse(THREE_PARTS, pulse_s, after_s, lumped=False)
    assert lumped.arrival_s == pytest.approx(explicit.arrival_s, rel=1e-5)
    assert lumped.delivered["only"] == pytest.approx(explicit.delivered["only"], abs=1e-3)


def test_epanet_delivers_all_that_is_injected(case: Case) -> None:
    """Guards the yardstick: every block receives its share of the flow, to 0.01 %."""
    for name, delivered in case.epanet.delivered.items():
        share = block_flow_l_s(case.network.block[name]) / case.network.flow_l_s
        assert delivered[-1] == pytest.approx(share, rel=1e-4)


def test_the_simulator_carries_as_epanet(case: Case) -> None:
    """Guards the simulator's whole way from the injection point to the outermost emitters."""
    simulated = run_pulse(case.network, case.pulse_s, case.after_s)
    assert simulated.arrival_s == pytest.approx(case.epanet.arrival_s, rel=ARRIVAL)
    case.assert_delivers_alike(simulated.time_s, simulated.delivered)


def test_the_daemon_s_transit_is_epanet_s_arrival(case: Case) -> None:
    """Guards the transit volume that plans and flushes go by."""
    transit_s = {name: _transit_s(case.network, name) for name in case.network.block}
    assert transit_s == pytest.approx(case.epanet.arrival_s, rel=ARRIVAL)


def test_the_daemon_delivers_as_epanet(case: Case) -> None:
    """Guards the daemon's account after every scan of a second."""
    seconds = np.arange(1.0, case.pulse_s + case.after_s + 1.0)
    delivered = {}
    for name, block in case.network.block.items():
        flow_l_s = block_flow_l_s(block)
        stock_l = flow_l_s / case.network.flow_l_s / case.pulse_s
        line = clean_line(_path(case.network, name))
        out_l = []
        for second in seconds:
            line = displace(line, flow_l_s, stock_l if second <= case.pulse_s else 0.0)
            out_l.append(line.delivered_l)
        delivered[name] = np.array(out_l)
    case.assert_delivers_alike(seconds, delivered)
