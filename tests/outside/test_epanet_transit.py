"""What plans go by, against EPANET 2.2 (by wntr; L. Rossman et al., EPA/600/R-20/133, 2020) on generated networks.

Each has a main, and a block or two with own pipes, a submain with 1 to 40 laterals and 20 to 400 emitters on each.
Compared are the transit to the outermost emitter, what a flush that is cut short leaves behind, and the head lost.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from daemon.equipment import Block, MainLine
from daemon.hydraulics.cut import received
from daemon.hydraulics.friction import SMOOTH_MM
from daemon.hydraulics.pipes import line_path, shared_main_l
from daemon.hydraulics.pressure import last_emitter_kpa
from tests.outside import epanet
from tests.outside.networks import THREE_PARTS, Network, Passage, block_flow_l_s, generated

TRANSIT = 0.01
"""Of the time to the outermost emitter."""
SHARE = 0.03
"""Points of a block's dose, and of its outermost emitter's."""
LOSS, LOSS_M = 0.06, 0.05
"""Of the head lost, or metres: EPANET goes from laminar to turbulent on another curve, which ends at 4,000."""
CUTS = (0.0, 0.2, 0.4, 0.6, 0.8, 0.9, 1.0, 1.1)
"""When the water stops after the injection, in transits of the shift's slowest block."""

_ALL = {"laterals": (1, 40), "emitters": (20, 400)}
NETWORKS = {
    "three parts": THREE_PARTS,
    "one short lateral": generated(101, 1, laterals=(1, 1), emitters=(20, 20)),
    "one long lateral": generated(102, 1, laterals=(1, 1), emitters=(400, 400)),
    "forty short laterals": generated(103, 1, laterals=(40, 40), emitters=(20, 20)),
    "forty long laterals": generated(104, 1, laterals=(40, 40), emitters=(400, 400)),
    **{f"drawn {seed}": generated(seed, 1, **_ALL) for seed in range(200, 216)},
    **{f"drawn {seed}, two blocks": generated(seed, 2, **_ALL) for seed in range(300, 305)},
}


@dataclass(frozen=True)
class Case:
    """One network, and EPANET's account of a pulse through it."""

    network: Network
    main: MainLine
    block: dict[str, Block]
    pulse_s: int
    epanet: Passage

    def share(self, name: str) -> float:
        """Return a block's part of the flow."""
        return block_flow_l_s(self.network.block[name]) / self.network.flow_l_s


def _transit_s(network: Network, name: str) -> float:
    """Return how long the daemon takes a block's outermost emitter to be away."""
    flow_l_s = block_flow_l_s(network.block[name])
    shared_l = shared_main_l(MainLine.model_validate(network.main)) * flow_l_s / network.flow_l_s
    return line_path(Block.model_validate(network.block[name]), shared_l).transit_l / flow_l_s


@pytest.fixture(scope="module", params=list(NETWORKS))
def case(request: pytest.FixtureRequest) -> Case:
    """Each network in turn: injection for about the slowest block's transit, then water for 1.1 of it."""
    network = NETWORKS[request.param]
    longest_s = max(_transit_s(network, name) for name in network.block)
    pulse_s = math.ceil(longest_s / epanet.BEFORE_S) * epanet.BEFORE_S
    after_s = math.ceil(CUTS[-1] * longest_s / epanet.BEFORE_S) * epanet.BEFORE_S
    main = MainLine.model_validate(network.main)
    blocks = {name: Block.model_validate(block) for name, block in network.block.items()}
    return Case(network, main, blocks, pulse_s, epanet.run_pulse(network, pulse_s, after_s))


def test_the_transit_is_epanet_s_arrival(case: Case) -> None:
    """Guards the transit that pre-wet and flush go by, to 1 %."""
    for name in case.block:
        assert _transit_s(case.network, name) == pytest.approx(case.epanet.arrival_s[name], rel=TRANSIT), name


def test_a_flush_cut_short_leaves_what_epanet_says(case: Case) -> None:
    """Guards the predicted miss: block and outermost emitter at every cut, within 3 points of the dose."""
    flow_l_s, time_s = case.network.flow_l_s, case.epanet.time_s
    longest_s = max(_transit_s(case.network, name) for name in case.block)
    for name, block in case.block.items():
        share = case.share(name)
        for cut in CUTS:
            got = received(block, share, shared_main_l(case.main), case.pulse_s * flow_l_s, cut * longest_s * flow_l_s)
            stops_s = case.pulse_s + cut * longest_s
            mean = float(np.interp(stops_s, time_s, case.epanet.delivered[name])) / share
            last = float(np.interp(stops_s, time_s, case.epanet.outermost[name]))
            assert (got.mean, got.last) == pytest.approx((mean, last), abs=SHARE), (name, cut)


def test_the_cuts_reach_from_little_to_all() -> None:
    """Guards the comparison above: on the sheet's network the outermost emitter goes from a part of its dose to all."""
    block = Block.model_validate(THREE_PARTS.block["only"])
    shared_l = shared_main_l(MainLine.model_validate(THREE_PARTS.main))
    transit_l = line_path(block, shared_l).transit_l
    last = [received(block, 1.0, shared_l, transit_l, cut * transit_l).last for cut in CUTS]
    assert last == sorted(last) and last[0] < 0.01 and 0.3 < last[2] < 0.5 and last[-1] == 1.0


def test_the_head_lost_is_epanet_s(case: Case) -> None:
    """Guards the pressure at the last emitter: Darcy-Weisbach along every segment, flows as the emitters draw them."""
    lost_m = epanet.lost_m(case.network, SMOOTH_MM)
    main = case.main.model_copy(update={"working_kpa": 400.0})
    for name, block in case.block.items():
        left_kpa = last_emitter_kpa(main, block, case.network.flow_l_s * 3.6)
        ours_m = (400.0 - left_kpa) / 9.789 - block.lift_m
        assert ours_m == pytest.approx(lost_m[name], rel=LOSS, abs=LOSS_M), name
