"""One block's valve, void and emitters."""

import pytest

from sim.block_water import BlockWater
from sim.site import Site

STEP_S = 0.0937
ROOT_KPA = 350.0**0.5


def _block(site: Site, name: str) -> BlockWater:
    return BlockWater(site.block[name], 300.0, 1.0, 1.0)


def _run(block: BlockWater, start_s: float, duration_s: float, root_kpa: float = ROOT_KPA) -> float:
    now_s = start_s
    for _ in range(round(duration_s / STEP_S)):
        now_s += STEP_S
        block.travel(STEP_S)
        block.set_conductance(now_s)
        block.take(root_kpa, STEP_S, now_s)
    return now_s


def test_a_regulated_block_flows_its_own_flow(orchard: Site) -> None:
    """Guards the regulating valve: nominal flow from 300 kPa on however much there is, the root of it below."""
    block = _block(orchard, "bridge")
    block.valve_on = True
    now_s = _run(block, 0.0, 600.0)
    nominal_l_s = orchard.block["bridge"].nominal_l_s
    for kpa, share in ((390.0, 1.0), (301.0, 1.0), (150.0, 0.5**0.5), (75.0, 0.5)):
        now_s = _run(block, now_s, STEP_S, kpa**0.5)
        assert block.inflow_l_s == block.emitting_l_s == pytest.approx(share * nominal_l_s)


@pytest.mark.parametrize("slowness", [1.0, 5.0])
def test_a_valve_takes_its_travel_time(orchard: Site, slowness: float) -> None:
    """Guards the travel: half open after half of the site's time, shut after the whole of it; slow when faulty."""
    block = _block(orchard, "creek")
    block.slowness = slowness
    travel_s = slowness * orchard.block["creek"].travel_s
    block.valve_on = True
    now_s = _run(block, 0.0, travel_s / 2.0)
    assert block.opening == pytest.approx(0.5, abs=0.02)
    block.valve_on = False
    _run(block, now_s, travel_s)
    assert block.opening == 0.0


def test_fill_goes_to_the_void_and_displaces_nothing(orchard: Site) -> None:
    """Guards the fill: at every step inflow = emitted + what the void lost, to its last drop."""
    block = _block(orchard, "creek")
    block.valve_on = True
    now_s, before_l = 0.0, block.void_l(0.0)
    while before_l:
        now_s = _run(block, now_s, STEP_S)
        after_l = block.void_l(now_s)
        assert block.inflow_l_s * STEP_S == pytest.approx(block.emitting_l_s * STEP_S + before_l - after_l)
        assert block.emitting_l_s >= 0.0
        before_l = after_l
    assert 100.0 < now_s < 400.0


@pytest.mark.parametrize(("name", "left"), [("creek", 0.3679), ("bridge", 1.0)])
def test_rest(orchard: Site, name: str, left: float) -> None:
    """Guards the low emitters: after 600 s 37 % is left in a block that drains, while the other holds its stock."""
    block = _block(orchard, name)
    block.valve_on = True
    now_s = _run(block, 0.0, 900.0)
    assert block.void_l(now_s) == 0.0
    now_s = _run(block, now_s, STEP_S, 0.0)
    assert block.kept_by(now_s + 600.0) == pytest.approx(left, rel=1e-3)
    empty_share = block.void_l(now_s + 600.0) / block.void_max_l
    assert empty_share == pytest.approx(0.632 if name == "creek" else 0.283, abs=0.001)
    assert block.void_l(now_s + 1e6) == pytest.approx(block.void_max_l)


def test_asking_disturbs_nothing(orchard: Site) -> None:
    """Guards the truth: a rest is the same whether or not somebody looked on the way."""
    watched, unwatched = _block(orchard, "creek"), _block(orchard, "creek")
    for block in (watched, unwatched):
        block.valve_on = True
        _run(block, 0.0, 900.0)
        _run(block, 900.0, STEP_S, 0.0)
        if block is watched:
            assert block.void_l(1000.0) > 0.0
            assert block.kept_by(1000.0) < 1.0
        block.set_conductance(1200.0)
    assert watched.void_l(1200.0) == unwatched.void_l(1200.0)
    assert watched.kept == unwatched.kept < 1.0
