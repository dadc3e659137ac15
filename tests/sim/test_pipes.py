"""Shared main, blocks, burst and drain: who gets how much of the stock."""

from dataclasses import replace

import pytest

from sim.block_water import BlockWater
from sim.filter import Filter
from sim.pipes import Pipes
from sim.plug import Stock
from sim.site import Site
from sim.supply import Supply
from sim.transport import BlockLine
from sim.water import Water

STEP_S = 0.1
BATCH = 1


class _Shed:
    """Kestrel Bend's water and pipes, two blocks open and steady."""

    def __init__(self, site: Site, body_l: float = 0.0) -> None:
        assert site.filter is not None
        supply = Supply(None, 0.0, 30.0)
        self.water = Water(
            supply,
            Filter(site.filter, 30.0),
            {name: BlockWater(block, supply.need_kpa, 1.0, 1.0) for name, block in site.block.items()},
            10.0,
        )
        lines = {name: BlockLine(block) for name, block in site.block.items()}
        order = ("meter", "injection", "filter", "probe") if body_l else site.main.order
        self.pipes = Pipes(replace(site.main, order=order), 1.0, body_l, lines, 10.0)
        self.takes_stock = bool(body_l)
        self.now_s = 0.0
        for name in ("creek", "house"):
            self.water.set_valve(name, True)
        self.flow(900.0)

    def flow(self, duration_s: float) -> None:
        """Run water alone."""
        for _ in range(round(duration_s / STEP_S)):
            self.step()

    def step(self, stock_l: float = 0.0) -> list[tuple[int, float]]:
        """Move on by one step."""
        self.now_s += STEP_S
        self.water.step(STEP_S, self.now_s)
        self.pipes.take_flows(self.water, STEP_S, self.water.drain_l_s if self.takes_stock else 0.0)
        return list(self.pipes.carry([(BATCH, stock_l)] if stock_l else []))

    def into(self, name: str) -> float:
        """Return the stock that has gone into a block's pipes."""
        line = self.pipes.lines[name]
        parts: tuple[Stock, ...] = (line.delivered_l(), line.in_pipes_l(), line.drained_l())
        return sum(part.get(BATCH, 0.0) for part in parts)


def test_open_blocks_share_by_their_inflow(orchard: Site) -> None:
    """Guards the split: what comes out of the shared main goes to its blocks as the flow does."""
    shed = _Shed(orchard)
    shed.step(3.0)
    shed.flow(600.0)
    creek, house = shed.water.blocks["creek"].inflow_l_s, shed.water.blocks["house"].inflow_l_s
    assert shed.into("creek") == pytest.approx(3.0 * creek / (creek + house))
    assert shed.into("house") == pytest.approx(3.0 * house / (creek + house))


def test_the_shared_main_delays_by_its_volume(orchard: Site) -> None:
    """Guards the trunk: 240 m of 150.6 mm are 4275 L, and until they have passed no block has a gram."""
    shed = _Shed(orchard)
    shed.step(3.0)
    passed_l = 0.0
    while not shed.into("creek"):
        shed.step()
        passed_l += shed.pipes.through_l
    assert passed_l == pytest.approx(4275.0, abs=11.0)


def test_a_change_of_shift_takes_the_trunk_s_content_along(orchard: Site) -> None:
    """Guards the overlap: stock that is still in the shared main goes to the next shift's blocks."""
    shed = _Shed(orchard)
    shed.step(3.0)
    for name, on in (("river", True), ("creek", False), ("house", False)):
        shed.water.set_valve(name, on)
    shed.flow(900.0)
    assert shed.into("river") == pytest.approx(3.0)
    assert shed.into("creek") == shed.into("house") == 0.0


def test_a_burst_takes_stock_by_its_flow(orchard: Site) -> None:
    """Guards the loss at the shed: the burst's share of the flow, before the shared main."""
    shed = _Shed(orchard)
    shed.water.burst(0.6)
    shed.step()
    share = shed.water.burst_l_s / shed.water.flow_l_s
    shed.step(3.0)
    assert shed.pipes.lost_l[BATCH] == pytest.approx(3.0 * share)
    assert shed.pipes.trunk.held_l()[BATCH] == pytest.approx(3.0 * (1.0 - share))


@pytest.mark.parametrize("body_l", [0.0, 120.0], ids=["filter before injection", "filter behind injection"])
def test_a_backwash_takes_stock_only_behind_the_injection(orchard: Site, body_l: float) -> None:
    """Guards the order of the main: the drain loses its share of what the filter's body mixes, or nothing at all."""
    shed = _Shed(orchard, body_l)
    shed.water.set_backwash(True, False)
    shed.step()
    shed.step(3.0)
    shed.flow(60.0)
    lost = shed.pipes.lost_l.get(BATCH, 0.0)
    if not body_l:
        assert lost == 0.0
        return
    water = shed.water
    assert lost == pytest.approx(3.0 * water.drain_l_s / (water.drain_l_s + water.flow_l_s), rel=5e-3)
    assert shed.pipes.body_l[BATCH] < 1e-3


def test_the_filter_s_body_mixes(orchard: Site) -> None:
    """Guards the body: after one of its volumes 37 % is still in it, and the probe behind it sees what leaves."""
    shed = _Shed(orchard, 120.0)
    seen_l = sum(litres for _, litres in shed.step(3.0))
    passed_l = shed.pipes.through_l
    while passed_l < 120.0:
        seen_l += sum(litres for _, litres in shed.step())
        passed_l += shed.pipes.through_l
    assert shed.pipes.body_l[BATCH] == pytest.approx(3.0 * 0.3679, rel=0.02)
    assert seen_l == pytest.approx(3.0 - shed.pipes.body_l[BATCH])


def test_water_that_runs_back_loses_what_waits_and_what_came_last(orchard: Site) -> None:
    """Guards the backflow: first what waits at the injection point, then what entered the main last."""
    shed = _Shed(orchard)
    shed.step(3.0)
    shed.pipes.hold([(BATCH, 0.5)])
    shed.pipes.run_back(20.0)
    assert shed.pipes.lost_l[BATCH] == pytest.approx(3.5)
    assert shed.pipes.backflow_l == 20.0
