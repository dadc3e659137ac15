"""Plants of several blocks and injectors: no gram is made or lost, and every part does its part of a night."""

import statistics
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.faults import PARAMETERS, FaultError
from sim.plant import STEP_S, Plant
from sim.site import Site
from sim.stock import Batch
from sim.tolerances import Tolerances
from sim.truth import truth
from tests.sim.conftest import CALCIUM_NITRATE, ready, trouble, turn

POTASSIUM = Batch({"N": 16.6, "K": 46.4}, 120.0, 1.34)
PUMP, CREEK, BRIDGE, RIDGE, HILL, HOUSE, RIVER = (f"station.out{n}" for n in range(1, 8))
VALVE_A, RUN_A, VALVE_B, RUN_B, BACKWASH = (f"station.out{n}" for n in range(8, 13))
_FAULTS = sorted(PARAMETERS.keys() - {"rain", "wind"})
"""Those of the parts that every plant here has."""
_ACTIONS = st.one_of(
    st.tuples(st.just("relay"), st.integers(0, 11), st.booleans()),
    st.tuples(st.just("relay"), st.integers(0, 11), st.booleans()),
    st.tuples(st.just("drive"), st.integers(0, 1), st.floats(0.0, 1.0)),
    st.tuples(st.just("fault"), st.sampled_from(_FAULTS), st.booleans()),
    st.tuples(st.just("charge"), st.integers(0, 4), st.floats(1.0, 20.0)),
)


def _relays(site: Site) -> list[str]:
    """Return every relay of a site."""
    pump, strainer = site.pump, site.filter
    refs = [pump.run if pump else None, strainer.backwash if strainer else None]
    refs += [block.valve for block in site.block.values()]
    for injector in site.injector.values():
        refs += [injector.valve, injector.run]
    return [ref for ref in refs if ref is not None]


def _drives(site: Site) -> list[str]:
    """Return every analogue output of a site: the pump's set speed first."""
    refs = [site.pump.speed if site.pump else None, *(injector.drive for injector in site.injector.values())]
    return [ref for ref in refs if ref is not None]


@pytest.mark.parametrize("kind", ["orchard", "every_kind"])
@settings(max_examples=30, deadline=None)
@given(
    actions=st.lists(st.tuples(_ACTIONS, st.floats(0.0, 90.0)), max_size=25),
    order=st.sampled_from([("meter", "filter", "injection", "probe"), ("injection", "filter", "probe", "meter")]),
    seed=st.integers(0, 3),
)
def test_no_gram_is_made_or_lost(
    orchard: Site,
    every_kind: Site,
    kind: str,
    actions: list[tuple[tuple[str, object, object], float]],
    order: tuple[str, ...],
    seed: int,
) -> None:
    """Guards the balance after every action, to 1e-9, over pumps, valves, injectors, backwash, faults and charges."""
    site = orchard if kind == "orchard" else every_kind
    plant = ready(replace(site, main=replace(site.main, order=order)), Tolerances(seed))
    charged_l = dict.fromkeys(plant.tanks, 60.0)
    for tank in plant.tanks:
        plant.charge(tank, 60.0, CALCIUM_NITRATE)
    relays, drives = _relays(site), _drives(site)
    for ref in drives:
        plant.set_drive(ref, 1.0)
    turn(plant, True, *relays)
    plant.advance(120.0)
    for (act, what, value), duration_s in actions:
        if act == "relay" and isinstance(what, int):
            turn(plant, bool(value), relays[what % len(relays)])
        elif act == "drive" and isinstance(what, int) and isinstance(value, float):
            plant.set_drive(drives[what % len(drives)], value)
        elif act == "fault":
            trouble(plant, str(what), bool(value))
        elif isinstance(what, int) and isinstance(value, float):
            tank = list(plant.tanks)[what % len(plant.tanks)]
            if plant.tanks[tank].litres + value <= plant.tanks[tank].volume_l:
                plant.charge(tank, value, POTASSIUM)
                charged_l[tank] += value
        plant.advance(duration_s)
        account = truth(plant)
        assert account["residual"] < 1e-9
        for name, litres in account["stock_injected_l"].items():
            given_l = litres + account["leaked_l"][name]
            assert plant.tanks[name].litres + given_l == pytest.approx(charged_l[name], rel=1e-9)
        for nutrient, kg in account["injected_kg"].items():
            found_kg = account["in_pipes_kg"].get(nutrient, 0.0) + account["lost_kg"].get(nutrient, 0.0)
            found_kg += sum(block["delivered_kg"].get(nutrient, 0.0) for block in account["blocks"].values())
            assert found_kg == pytest.approx(kg, rel=1e-9, abs=1e-12)


def _orchard_running(orchard: Site, *blocks: str) -> Plant:
    plant = ready(orchard)
    plant.charge("a", 800.0, CALCIUM_NITRATE)
    plant.charge("b", 800.0, POTASSIUM)
    for ref in _drives(orchard):
        plant.set_drive(ref, 0.5)
    turn(plant, True, *blocks, PUMP)
    plant.advance(600.0)
    return plant


@pytest.mark.parametrize("shift", [(CREEK, BRIDGE), (RIDGE, HILL), (HOUSE, RIVER)])
def test_a_shift_flows_what_is_planned_and_splits_as_planned(orchard: Site, shift: tuple[str, ...]) -> None:
    """Guards a perfect shift: the meter shows the blocks' flow within 0.5 %, and each gets its share of each stock."""
    plant = _orchard_running(orchard, *shift)
    blocks = {name: block for name, block in orchard.block.items() if block.valve in shift}
    flow_l_s = sum(block.nominal_l_s for block in blocks.values())
    assert plant.meter.flow_l_s == pytest.approx(flow_l_s, rel=5e-3)
    turn(plant, True, VALVE_A, RUN_A, VALVE_B, RUN_B)
    plant.advance(900.0)
    turn(plant, False, RUN_A, VALVE_A, RUN_B, VALVE_B)
    plant.advance(3 * 3600.0)
    account = truth(plant)
    assert account["injected_kg"]["K"] == pytest.approx(250.0 / 4.0 * 0.0464, rel=2e-3)
    for name, block in blocks.items():
        for nutrient, kg in account["injected_kg"].items():
            delivered_kg = account["blocks"][name]["delivered_kg"][nutrient]
            assert delivered_kg == pytest.approx(kg * block.nominal_l_s / flow_l_s, rel=5e-3)
    assert account["in_pipes_kg"] == account["lost_kg"] == {}


def test_the_hose_s_old_content_comes_first(orchard: Site) -> None:
    """Guards the hose in place: 2.5 L of last week's batch enter the main before tonight's, which the meter counts."""
    plant = _orchard_running(orchard, CREEK, BRIDGE)
    plant.tanks["a"].litres = 0.0
    plant.charge("a", 100.0, POTASSIUM)
    turn(plant, True, VALVE_A, RUN_A)
    plant.advance(30.0)
    assert "K" not in truth(plant)["injected_kg"]
    plant.advance(10.0)
    account = truth(plant)
    assert account["injected_kg"]["Ca"] == pytest.approx(orchard.injector["a"].hose_l * 0.037)
    assert account["injected_kg"]["K"] > 0.0
    held_kg = account["hose_kg"]["a"]["K"] + account["injected_kg"]["K"]
    assert held_kg == pytest.approx(plant.injectors["a"].metered_l * 0.0464)


def test_a_block_that_drains_loses_what_is_behind_its_valve(orchard: Site) -> None:
    """Guards the low emitters: creek's pipes run empty after a stop and bridge's stay full; all of it is accounted."""
    plant = _orchard_running(orchard, CREEK, BRIDGE)
    turn(plant, True, VALVE_A, RUN_A)
    plant.advance(1500.0)
    turn(plant, False, RUN_A, VALVE_A, PUMP)
    plant.advance(20.0)
    turn(plant, False, CREEK, BRIDGE)
    before = truth(plant)
    plant.advance(4 * 3600.0)
    after = truth(plant)
    drained_kg = after["blocks"]["creek"]["drained_kg"]["N"]
    assert drained_kg > 0.2
    assert after["blocks"]["bridge"]["drained_kg"] == {}
    assert after["blocks"]["bridge"]["in_pipes_kg"] == before["blocks"]["bridge"]["in_pipes_kg"]
    assert after["blocks"]["creek"]["delivered_kg"] == before["blocks"]["creek"]["delivered_kg"]
    assert after["lost_kg"]["N"] == pytest.approx(drained_kg)
    assert after["trunk_kg"] == before["trunk_kg"]
    turn(plant, True, PUMP, CREEK, BRIDGE)
    plant.advance(3 * 3600.0)
    flushed = truth(plant)
    assert flushed["blocks"]["creek"]["drained_kg"]["N"] == pytest.approx(drained_kg)
    assert flushed["in_pipes_kg"].get("N", 0.0) < 1e-6


def test_looking_changes_nothing(orchard: Site) -> None:
    """Guards the truth: a plant that is looked at every minute goes on exactly as one that is not."""
    accounts = []
    for looks in (False, True):
        plant = _orchard_running(orchard, CREEK, BRIDGE)
        turn(plant, True, VALVE_A, RUN_A)
        for minute in range(60):
            if minute in (20, 30):
                turn(plant, minute == 30, PUMP)
            plant.advance(60.0)
            if looks:
                truth(plant)
        accounts.append(truth(plant))
    assert accounts[0] == accounts[1]


@pytest.mark.parametrize("order", ["meter before filter", "filter before meter"])
def test_a_meter_sees_the_drain_only_before_the_filter(orchard: Site, order: str) -> None:
    """Guards the backwash: upstream the meter shows field and drain, downstream the field, which gets less."""
    stages = ("meter", "filter", "injection", "probe") if order[0] == "m" else ("filter", "meter", "injection", "probe")
    plant = _orchard_running(replace(orchard, main=replace(orchard.main, order=stages)), CREEK, BRIDGE)
    field_l_s = plant.water.flow_l_s
    turn(plant, True, BACKWASH)
    plant.advance(30.0)
    water = plant.water
    assert water.flow_l_s < field_l_s
    seen_l_s = water.flow_l_s + (water.drain_l_s if order[0] == "m" else 0.0)
    assert plant.meter.flow_l_s == pytest.approx(seen_l_s)
    turn(plant, False, BACKWASH)
    plant.advance(30.0)
    assert plant.meter.flow_l_s == pytest.approx(field_l_s, rel=1e-3)
    assert truth(plant)["backwash_m3"] == pytest.approx(30.0 * 8.0 / 1000.0, rel=0.1)
    assert plant.water.blocks["creek"].inflow_l_s == pytest.approx(orchard.block["creek"].nominal_l_s)


def test_a_check_valve_that_leaks(orchard: Site) -> None:
    """Guards the backflow: nothing while the pump drives; then the main runs back and the meter counts."""
    plant = _orchard_running(orchard, CREEK, BRIDGE)
    turn(plant, True, VALVE_A, RUN_A)
    trouble(plant, "backflow", l_h=3600.0)
    plant.advance(60.0)
    assert plant.pipes.backflow_l == 0.0
    turn(plant, False, RUN_A, VALVE_A, PUMP)
    plant.advance(60.0)
    counted_l = plant.meter.counted_l
    plant.advance(60.0)
    assert plant.meter.counted_l - counted_l == pytest.approx(60.0, abs=0.2)
    assert plant.meter.flow_l_s == pytest.approx(1.0)
    account = truth(plant)
    assert account["lost_kg"]["N"] > 0.0
    assert account["backflow_m3"] > 0.06
    trouble(plant, "backflow", on=False)
    plant.advance(1.0)
    assert plant.meter.flow_l_s == 0.0


def test_a_slow_valve_and_a_stuck_backwash(orchard: Site) -> None:
    """Guards both faults in the plant: five times the travel, and a drain that stays open."""
    plant = ready(orchard)
    trouble(plant, "slow_valve", block="creek")
    turn(plant, True, CREEK, BRIDGE)
    plant.advance(10.0)
    assert plant.water.blocks["bridge"].opening == 1.0
    assert plant.water.blocks["creek"].opening == pytest.approx(0.25, abs=0.01)
    trouble(plant, "backwash_stuck")
    turn(plant, True, PUMP)
    plant.advance(60.0)
    assert plant.water.drain_l_s > 5.0
    assert not truth(plant)["outputs"]["backwash"]


def _every_kind_running(every_kind: Site) -> Plant:
    plant = ready(every_kind)
    for name, tank in plant.tanks.items():
        plant.charge(name, tank.volume_l, CALCIUM_NITRATE)
    for ref, value in zip(_drives(every_kind), (0.95, 0.4), strict=True):
        plant.set_drive(ref, value)
    assert every_kind.pump is not None
    turn(plant, True, every_kind.pump.run, *(block.valve for block in every_kind.block.values()))
    plant.advance(900.0)
    return plant


_RATES_L_H = {"a": 90.0, "b": 180.0, "c": 60.0}


@pytest.mark.parametrize("name", "abcde")
def test_every_injector_runs_on_its_outputs(every_kind: Site, name: str) -> None:
    """Guards the wiring of all kinds: its own outputs move it, the pump's or the emergency stop's loss ends it."""
    plant = _every_kind_running(every_kind)
    injector, sheet = plant.injectors[name], every_kind.injector[name]
    outputs = [ref for ref in (sheet.valve, sheet.run) if ref is not None]
    for missing in outputs:
        turn(plant, True, *(ref for ref in outputs if ref != missing))
        plant.advance(10.0)
        assert injector.metered_l == 0.0
        turn(plant, False, *outputs)
    turn(plant, True, *outputs)
    plant.advance(360.0)
    if name in _RATES_L_H:
        assert injector.metered_l == pytest.approx(_RATES_L_H[name] / 10.0, rel=5e-3)
    assert injector.metered_l > 0.0
    assert truth(plant)["contactors"][f"injector.{name}"]
    for stop in ("estop", "pump_trip"):
        trouble(plant, stop)
        plant.advance(60.0)
        counted_l = injector.metered_l
        plant.advance(60.0)
        assert injector.metered_l == counted_l
        trouble(plant, stop, on=False)
        plant.advance(60.0)
    assert injector.metered_l > counted_l


def test_a_displacement_tank_is_delivered_by_its_volumes(every_kind: Site) -> None:
    """Guards the whole way of a tank of 120 L at 400 L/h: 63 % is in after one of its volumes, 98 % after four."""
    plant = _every_kind_running(every_kind)
    passed_l = plant.meter.passed_l
    turn(plant, True, every_kind.injector["e"].valve)
    for volumes, share in ((1, 0.63212), (2, 0.86466), (3, 0.95021), (4, 0.98168)):
        plant.advance(120.0 / 400.0 * 3600.0)
        assert plant.injectors["e"].metered_l == pytest.approx(volumes * 120.0, rel=1e-3)
        assert truth(plant)["injected_kg"]["N"] == pytest.approx(share * 120.0 * 0.031, rel=1e-3)
    field_l = plant.water.flow_l_s * 4 * 120.0 / 400.0 * 3600.0
    assert plant.meter.passed_l - passed_l == pytest.approx(field_l, rel=1e-3), "its water is the main's own"


def test_the_pump_s_set_speed_is_an_output(every_kind: Site) -> None:
    """Guards the drive: the set value moves the pump, with its ramp; a value for no output moves nothing."""
    plant = ready(every_kind)
    assert every_kind.pump is not None and every_kind.pump.speed is not None
    turn(plant, True, every_kind.pump.run)
    plant.set_drive(every_kind.pump.speed, 0.6)
    plant.set_drive("station.nothing", 0.9)
    plant.advance(60.0)
    assert truth(plant)["line"]["pump_speed"] == pytest.approx(0.6)


def test_gravity(orchard: Site) -> None:
    """Guards a site without a pump: an open valve is water, an injector needs no pump, and no pump can fail."""
    plant = ready(replace(orchard, pump=None))
    plant.charge("a", 800.0, CALCIUM_NITRATE)
    plant.set_drive("station.ao1", 0.5)
    turn(plant, True, CREEK)
    plant.advance(600.0)
    assert plant.meter.flow_l_s == pytest.approx(orchard.block["creek"].nominal_l_s, rel=5e-3)
    turn(plant, True, VALVE_A, RUN_A)
    plant.advance(60.0)
    assert truth(plant)["injected_kg"]["N"] > 0.0
    assert "pump" not in truth(plant)["contactors"] | truth(plant)["outputs"]
    for name in ("pump_trip", "pump_no_start", "backflow"):
        with pytest.raises(FaultError, match="no such part"):
            trouble(plant, name)


def test_hidden_factors_are_those_of_the_site_file(orchard: Site) -> None:
    """Guards the spread: flows of blocks by their own k = 2, the stock's by its charge, rates by the curve's."""
    drawn: dict[str, list[float]] = {"emitter_flow.creek": [], "strength.a.1": [], "injector_curve.a": []}
    for seed in range(80):
        plant = Plant(orchard, Tolerances(seed))
        plant.charge("a", 100.0, CALCIUM_NITRATE, 4.0)
        for name, factors in drawn.items():
            factors.append(plant.tolerances.drawn[name])
    stated_pct = (orchard.block["creek"].flow_accuracy_pct, 4.0, orchard.injector["a"].accuracy_pct)
    for (name, factors), k2_pct in zip(drawn.items(), stated_pct, strict=True):
        assert statistics.stdev(factors) == pytest.approx(k2_pct / 200.0, rel=0.25), name
        assert max(abs(factor - 1.0) for factor in factors) <= 1.5 * k2_pct / 100.0 + 1e-12, name


def test_time_is_what_was_asked(orchard: Site) -> None:
    """Guards the step on a plant that skips what stands still: no time is lost."""
    plant = _orchard_running(orchard, CREEK)
    plant.advance(1000.0)
    assert abs(plant.time_s - 1600.0) < 2.0 * STEP_S
