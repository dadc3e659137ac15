"""Supply, filter and blocks together: flows and pressures."""

from itertools import combinations

import pytest

from sim.block_water import BlockWater
from sim.filter import CLEAN_KPA, Filter
from sim.parts import Pump
from sim.site import Site
from sim.supply import DUTY_KPA, Supply
from sim.water import Water

STEP_S = 0.0937
SHIFTS = (("creek", "bridge"), ("ridge", "hill"), ("house", "river"))


def _water(site: Site, pump: Pump | None) -> Water:
    flows_l_s = [block.nominal_l_s for block in site.block.values()]
    supply = Supply(pump, CLEAN_KPA, sum(flows_l_s))
    blocks = {name: BlockWater(block, supply.need_kpa, 1.0, 1.0) for name, block in site.block.items()}
    assert site.filter is not None
    return Water(supply, Filter(site.filter, supply.design_l_s), blocks, max(flows_l_s))


@pytest.fixture
def water(orchard: Site) -> Water:
    """Kestrel Bend's water side, all off."""
    return _water(orchard, orchard.pump)


class _Run:
    """Steps a water side as the plant does: only when something moves or is due."""

    def __init__(self, water: Water) -> None:
        self.water = water
        self.now_s = 0.0
        self.solved = 0

    def __call__(self, duration_s: float) -> None:
        for _ in range(round(duration_s / STEP_S)):
            self.now_s += STEP_S
            if self.water.moving or self.now_s >= self.water.due_s:
                self.solved += 1
                self.water.step(STEP_S, self.now_s)


def _running(water: Water, *blocks: str) -> _Run:
    water.set_pump(True)
    for name in blocks:
        water.set_valve(name, True)
    run = _Run(water)
    run(600.0)
    return run


def _nominal_l_s(site: Site, *blocks: str) -> float:
    return sum(site.block[name].nominal_l_s for name in blocks)


@pytest.mark.parametrize("shift", [*SHIFTS, *combinations(("creek", "house", "river"), 1)], ids="+".join)
@pytest.mark.parametrize("supply", ["pump", "scheme"])
def test_every_shift_flows_its_nominal_flow(orchard: Site, shift: tuple[str, ...], supply: str) -> None:
    """Guards the calibration: each block at its emitters' flow within 0.5 %, alone or together, and then all stands."""
    water = _water(orchard, orchard.pump if supply == "pump" else None)
    run = _running(water, *shift)
    for name in shift:
        assert water.blocks[name].emitting_l_s == pytest.approx(orchard.block[name].nominal_l_s, rel=5e-3)
    assert water.flow_l_s == pytest.approx(_nominal_l_s(orchard, *shift), rel=5e-3)
    assert water.pressure_kpa > DUTY_KPA
    solved = run.solved
    run(30.0)
    assert run.solved <= solved + 1, "only the filter's dirt is due now and then"


def test_the_supply_gives_what_is_taken(water: Water) -> None:
    """Guards the balance: pressure at the shed = the pump's head at the flow, less the filter's loss at it."""
    _running(water, "creek", "bridge", "hill")
    assert water.filter is not None
    head_kpa = water.supply.head_kpa - water.supply.curve * water.flow_l_s**2
    assert water.pressure_kpa == pytest.approx(head_kpa - water.filter.loss * water.flow_l_s**2)
    assert water.difference_kpa == pytest.approx(head_kpa - water.pressure_kpa)
    assert water.flow_l_s == pytest.approx(sum(block.inflow_l_s for block in water.blocks.values()))


def test_too_many_blocks_share_what_there_is(orchard: Site, water: Water) -> None:
    """Guards the shortage: four blocks that ask for 130 m3/h of a pump of 85 get less each, and the pressure tells."""
    _running(water, "creek", "bridge", "ridge", "hill")
    assert water.pressure_kpa < DUTY_KPA
    for name in ("creek", "bridge", "ridge", "hill"):
        assert water.blocks[name].inflow_l_s < 0.95 * orchard.block[name].nominal_l_s


def test_closed_valves_pass_nothing(water: Water) -> None:
    """Guards that flow through closed valves is 0 and that the pump then stands at its dead head."""
    water.set_pump(True)
    _Run(water)(60.0)
    assert water.flow_l_s == 0.0
    assert water.pressure_kpa == pytest.approx(1.3 * DUTY_KPA, rel=1e-3)


def test_a_slower_pump(every_kind: Site) -> None:
    """Guards the drive: the blocks have their flow at the pressure to hold, and the root of it at half of that."""
    water = _water(every_kind, every_kind.pump)
    water.set_speed(0.95)
    run = _running(water, "terrace", "flat")
    nominal_l_s = _nominal_l_s(every_kind, "terrace", "flat")
    assert water.flow_l_s == pytest.approx(nominal_l_s, rel=5e-3)
    water.set_speed(0.5)
    run(60.0)
    assert water.pressure_kpa < 100.0
    assert water.flow_l_s == pytest.approx(nominal_l_s * (water.pressure_kpa / 288.0) ** 0.5)


def test_an_overlap_of_two_shifts_is_seamless(orchard: Site, water: Water) -> None:
    """Guards a change of shift: with the next valves open before the last close the main never runs dry."""
    run = _running(water, "creek", "bridge")
    least_l_s = water.flow_l_s
    for name, on in (("ridge", True), ("hill", True), ("creek", False), ("bridge", False)):
        water.set_valve(name, on)
        for _ in range(60):
            run(STEP_S)
            least_l_s = min(least_l_s, water.flow_l_s)
    run(600.0)
    assert least_l_s > 0.9 * _nominal_l_s(orchard, "ridge", "hill")
    assert water.flow_l_s == pytest.approx(_nominal_l_s(orchard, "ridge", "hill"), rel=5e-3)


def test_a_backwash_takes_its_share_from_the_field(orchard: Site, water: Water) -> None:
    """Guards the wash: a third of the pump's capacity to the drain, less for the field, less pressure; then clean."""
    run = _running(water, "creek", "bridge")
    run(4 * 3600.0)
    dirty_kpa, field_l_s = water.difference_kpa, water.flow_l_s
    assert dirty_kpa > 30.0
    water.set_backwash(True, False)
    run(5.0)
    assert 0.3 < water.drain_l_s * 3.6 / 85.0 < 0.35
    assert water.flow_l_s < 0.97 * field_l_s
    run(55.0)
    assert water.backwash_l == pytest.approx(60.0 * water.drain_l_s, rel=0.1)
    water.set_backwash(False, False)
    run(1.0)
    assert water.drain_l_s == 0.0
    assert water.difference_kpa < 0.4 * dirty_kpa
    assert water.flow_l_s == pytest.approx(field_l_s, rel=5e-3)


@pytest.mark.parametrize("shift", SHIFTS, ids="+".join)
def test_a_blocked_filter_takes_flow_and_gives_it_back(orchard: Site, water: Water, shift: tuple[str, ...]) -> None:
    """Guards that the fault brings any shift's flow down to the share asked for, seen across it; off mends it."""
    run = _running(water, *shift)
    flow_l_s, clean_kpa = water.flow_l_s, water.difference_kpa
    water.block_filter(0.6)
    run(1.0)
    assert water.flow_l_s == pytest.approx(0.6 * flow_l_s)
    assert water.difference_kpa > clean_kpa + 100.0
    water.block_filter(1.0)
    run(1.0)
    assert water.flow_l_s == pytest.approx(flow_l_s)


def test_a_burst_takes_more_flow_at_less_pressure(water: Water) -> None:
    """Guards the burst's two signs, and that the flow is what goes to the block and out of it."""
    run = _running(water, "creek", "bridge")
    flow_l_s, kpa = water.flow_l_s, water.pressure_kpa
    water.burst(0.6)
    run(1.0)
    assert water.flow_l_s > 1.25 * flow_l_s
    assert water.pressure_kpa < 0.9 * kpa
    inflow_l_s = sum(block.inflow_l_s for block in water.blocks.values())
    assert water.flow_l_s == pytest.approx(water.burst_l_s + inflow_l_s)


def test_a_weak_supply(water: Water) -> None:
    """Guards the low-pressure fault: below what the blocks need, flow goes with the root of the pressure."""
    run = _running(water, "creek")
    flow_l_s = water.flow_l_s
    water.weaken(0.4)
    run(1.0)
    assert water.pressure_kpa < 150.0
    assert water.flow_l_s == pytest.approx(flow_l_s * (water.pressure_kpa / DUTY_KPA) ** 0.5)
