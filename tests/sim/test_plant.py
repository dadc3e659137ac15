"""The plant as a whole: what is wired does what the wires say, and no gram is made or lost."""

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.faults import PARAMETERS
from sim.plant import STEP_S, ChargeError, Plant
from sim.relays import Drop
from sim.site import Site
from sim.stock import Batch
from sim.tolerances import Tolerances
from sim.truth import truth
from tests.sim.conftest import CALCIUM_NITRATE, INJECTOR, INTAKE, PUMP, VALVE

Switch = Callable[..., None]


def _fault(plant: Plant, name: str, on: bool = True, at_s: float | None = None, **given: float | str) -> None:
    plant.fault(plant.faults.check(name, on, given), at_s)


def _inject(plant: Plant, switch: Switch, duration_s: float) -> None:
    """Fill and pressurise, then inject at half drive for `duration_s`."""
    switch(True, PUMP, VALVE)
    plant.advance(300.0)
    plant.set_drive("signals.ao1", 0.5)
    switch(True, INTAKE, INJECTOR)
    plant.advance(duration_s)


_FAULTS = sorted(PARAMETERS.keys() - {"backwash_stuck", "rain", "wind"})
"""Those of the parts that this plant has."""
_ACTIONS = st.one_of(
    st.tuples(st.just("relay"), st.sampled_from([PUMP, VALVE, INTAKE, INJECTOR]), st.booleans()),
    st.tuples(st.just("drive"), st.floats(0.0, 1.0), st.none()),
    st.tuples(st.just("fault"), st.sampled_from(_FAULTS), st.booleans()),
    st.tuples(st.just("charge"), st.floats(1.0, 50.0), st.none()),
)


@settings(max_examples=150, deadline=None)
@given(
    actions=st.lists(st.tuples(_ACTIONS, st.floats(0.0, 60.0)), max_size=20),
    start_running=st.booleans(),
    seed=st.integers(0, 5),
)
def test_no_gram_is_made_or_lost(
    site: Site, actions: list[tuple[tuple[str, object, object], float]], start_running: bool, seed: int
) -> None:
    """Guards the balance after every action, to 1e-9: tank + pipes + blocks + lost = charged, whatever is switched."""
    plant = Plant(site, Tolerances(seed))
    plant.modules["relays"].setting_s = 0.0
    plant.charge("a", 100.0, CALCIUM_NITRATE)
    charged_l = 100.0
    if start_running:
        plant.modules["relays"].write(dict.fromkeys((PUMP, VALVE, INTAKE, INJECTOR), True), 0.0)
        plant.set_drive("signals.ao1", 1.0)
        plant.advance(60.0)
    for (kind, what, value), duration_s in actions:
        if kind == "relay":
            plant.modules["relays"].write({str(what): bool(value)}, plant.time_s)
        elif kind == "drive" and isinstance(what, float):
            plant.set_drive("signals.ao1", what)
        elif kind == "fault":
            _fault(plant, str(what), bool(value))
        elif isinstance(what, float) and charged_l + what <= 1000.0:
            plant.charge("a", what, Batch({"K": 30.0}, 150.0, 1.4))
            charged_l += what
        plant.advance(duration_s)
        account = truth(plant)
        assert account["residual"] < 1e-9
        given_l = account["stock_injected_l"]["a"] + account["leaked_l"]["a"]
        assert plant.tanks["a"].litres + given_l == pytest.approx(charged_l, rel=1e-9)


def test_a_shift_delivers_what_it_injected(plant: Plant, switch: Switch) -> None:
    """Guards the whole way: what left the tank is out of the emitters, and nowhere else, once flushed long enough."""
    _inject(plant, switch, 1800.0)
    switch(False, INJECTOR, INTAKE)
    plant.advance(2000.0)
    account = truth(plant)
    injected_l = account["stock_injected_l"]["a"]
    assert injected_l == pytest.approx(1800.0 * 250.0 / 3600.0, rel=2e-3)
    assert account["blocks"]["creek"]["delivered_kg"] == pytest.approx(
        {"N": injected_l * 0.031, "Ca": injected_l * 0.037}
    )
    assert account["in_pipes_kg"] == {}
    assert account["lost_kg"] == {}


def test_nothing_is_delivered_before_the_main_is_displaced(plant: Plant, switch: Switch) -> None:
    """Guards the transit: at 9.42 L/s the main's 3540 L keep every gram for 375 s."""
    _inject(plant, switch, 375.0)
    assert truth(plant)["blocks"]["creek"]["delivered_stock_l"] == 0.0
    plant.advance(120.0)
    assert truth(plant)["blocks"]["creek"]["delivered_stock_l"] > 0.0


def test_time_less_than_a_step_is_carried_over(site: Site) -> None:
    """Guards the step: many scans of 1 s move the plant as one long wait does, to a step."""
    one, other = Plant(site, Tolerances(1)), Plant(site, Tolerances(1))
    one.advance(1000.0)
    for _ in range(1000):
        other.advance(1.0)
    assert abs(one.time_s - 1000.0) < STEP_S
    assert abs(other.time_s - one.time_s) < 1.5 * STEP_S


def test_line_ec_is_mixing_behind_a_slow_probe(plant: Plant, switch: Switch) -> None:
    """Guards the probe: rise = 0.96 x k x g/L in the line (domain sheet), first-order over 8 s."""
    _inject(plant, switch, 60.0)
    g_l = 250.0 / 3600.0 * 200.0 / plant.water.flow_l_s
    assert plant.ec_rise_ms_cm == pytest.approx(0.96 * 1.2 * g_l, rel=1e-3)
    switch(False, INJECTOR)
    plant.advance(8.0)
    assert plant.probe_rise_ms_cm == pytest.approx(plant.ec_rise_ms_cm + 0.96 * 1.2 * g_l / 2.71828, rel=0.03)


@pytest.mark.parametrize("refs", [(PUMP,), (INTAKE,), (INJECTOR,)], ids=["pump", "intake valve", "injector"])
def test_injection_needs_pump_intake_valve_and_injector(plant: Plant, switch: Switch, refs: tuple[str, ...]) -> None:
    """Guards the electrical interlock and the intake valve: without any one of them not a drop more leaves the tank."""
    _inject(plant, switch, 10.0)
    before_l = plant.injectors["a"].drawn_l
    switch(False, *refs)
    plant.advance(60.0)
    assert before_l > 0.0
    assert plant.injectors["a"].drawn_l == before_l


def test_the_emergency_stop_acts_in_hardware(plant: Plant, switch: Switch) -> None:
    """Guards that the wired stop drops both contactors while the relays still say on."""
    _inject(plant, switch, 10.0)
    _fault(plant, "estop")
    assert plant.output_is_on(PUMP)
    assert plant.output_is_on(INJECTOR)
    assert not plant.pump_contactor
    assert not plant.injectors["a"].contactor_in


def test_silence_stops_the_plant_in_plant_time(site: Site, switch: Switch, plant: Plant) -> None:
    """Guards the relay block's time-out: 5.0 s without a request drop pump, valve and injector."""
    _inject(plant, switch, 10.0)
    module = plant.modules["relays"]
    module.setting_s = 5.0
    module.hear(plant.time_s)
    heard_s = plant.time_s
    plant.advance(600.0)
    assert not any(module.on.values())
    for ref in (PUMP, VALVE, INTAKE, INJECTOR):
        assert 5.0 < module.drops[ref].at_s - heard_s <= 5.0 + STEP_S
        assert module.drops[ref] == Drop(module.drops[ref].at_s, watchdog=True)
    assert plant.injectors["a"].drive == 0.5
    assert plant.water.flow_l_s == 0.0


def test_the_running_contact_follows_after_half_a_second(plant: Plant, switch: Switch) -> None:
    """Guards the contact: it shows the motor, late, both ways."""
    switch(True, PUMP)
    plant.advance(0.4)
    assert not plant.pump_running()
    plant.advance(0.2)
    assert plant.pump_running()
    switch(False, PUMP)
    plant.advance(0.4)
    assert plant.pump_running()
    plant.advance(0.2)
    assert not plant.pump_running()


@pytest.mark.parametrize("name", ["pump_trip", "pump_no_start"])
def test_pump_faults_leave_the_relay_on_and_the_contact_off(plant: Plant, switch: Switch, name: str) -> None:
    """Guards both: the coil reads back on, the motor does not turn."""
    _fault(plant, name)
    switch(True, PUMP, VALVE)
    plant.advance(30.0)
    assert plant.output_is_on(PUMP)
    assert not plant.pump_running()
    assert plant.water.flow_l_s == 0.0


def test_a_pump_that_will_not_start_goes_on_if_it_runs(plant: Plant, switch: Switch) -> None:
    """Guards the difference of the two pump faults: only a trip stops a running pump."""
    switch(True, PUMP)
    plant.advance(5.0)
    _fault(plant, "pump_no_start")
    assert plant.pump_running()
    _fault(plant, "pump_trip")
    plant.advance(1.0)
    assert not plant.pump_running()


def test_stuck_valves(plant: Plant, switch: Switch) -> None:
    """Guards both: stuck shut passes nothing when driven, stuck open passes when not driven."""
    switch(True, PUMP, VALVE)
    _fault(plant, "valve_stuck_shut", block="creek")
    plant.advance(30.0)
    assert plant.water.flow_l_s == 0.0
    _fault(plant, "valve_stuck_shut", on=False)
    switch(False, VALVE)
    _fault(plant, "valve_stuck_open")
    plant.advance(30.0)
    assert plant.water.flow_l_s > 5.0


@pytest.mark.parametrize("name", ["airlock", "empty_tank"])
def test_an_injector_that_runs_and_moves_nothing(plant: Plant, switch: Switch, name: str) -> None:
    """Guards both: the injector's contactor is in, its meter stands still, the tank keeps its litres."""
    _inject(plant, switch, 10.0)
    metered_l = plant.injectors["a"].metered_l
    _fault(plant, name)
    plant.advance(60.0)
    assert plant.injectors["a"].contactor_in
    assert plant.injectors["a"].metered_l == metered_l
    _fault(plant, name, on=False)
    plant.advance(60.0)
    assert plant.injectors["a"].metered_l > metered_l


def test_a_siphon_fills_a_standing_main_and_is_delivered_later(plant: Plant, switch: Switch) -> None:
    """Guards stock that moves with everything off: held in the main, then pushed out with the next water."""
    _fault(plant, "siphon", l_h=36.0)
    plant.advance(100.0)
    _fault(plant, "siphon", on=False)
    account = truth(plant)
    assert sum(plant.pipes.held_l.values()) == pytest.approx(1.0, rel=0.01)
    assert account["in_pipes_kg"]["N"] == pytest.approx(0.031, rel=0.01)
    switch(True, PUMP, VALVE)
    plant.advance(3000.0)
    assert truth(plant)["blocks"]["creek"]["delivered_kg"]["N"] == pytest.approx(account["in_pipes_kg"]["N"])


def test_a_burst_loses_its_share_of_the_stock(plant: Plant, switch: Switch) -> None:
    """Guards the account of a leak: what the burst takes is booked as lost, in proportion to its flow."""
    _fault(plant, "burst")
    _inject(plant, switch, 600.0)
    share = plant.water.burst_l_s / plant.water.flow_l_s
    account = truth(plant)
    assert 0.2 < share < 0.8
    assert account["lost_kg"]["N"] == pytest.approx(share * account["injected_kg"]["N"], rel=1e-6)


def test_meter_faults(plant: Plant, switch: Switch) -> None:
    """Guards that a meter's fault changes what it shows and nothing in the plant."""
    _inject(plant, switch, 10.0)
    _fault(plant, "flow_meter_high")
    _fault(plant, "injector_meter_high")
    passed_l, counted_l = plant.meter.passed_l, plant.meter.counted_l
    drawn_l, injector_l = plant.injectors["a"].drawn_l, plant.injectors["a"].metered_l
    plant.advance(100.0)
    assert plant.meter.counted_l - counted_l == pytest.approx(1.15 * (plant.meter.passed_l - passed_l))
    assert plant.injectors["a"].metered_l - injector_l == pytest.approx(1.15 * (plant.injectors["a"].drawn_l - drawn_l))
    _fault(plant, "flow_meter_stuck")
    counted_l = plant.meter.counted_l
    plant.advance(100.0)
    assert plant.meter.counted_l == counted_l


def test_a_scheduled_fault_comes_at_its_plant_time(plant: Plant) -> None:
    """Guards the schedule: not before its time and within one step after it, even in one long wait."""
    _fault(plant, "estop", at_s=50.0)
    plant.advance(49.9)
    assert not plant.faults.active
    plant.advance(0.1 + STEP_S)
    assert list(plant.faults.active) == ["estop"]


def test_a_relay_reboot_drops_the_outputs(plant: Plant, switch: Switch) -> None:
    """Guards the reboot: outputs off, uptime from zero, and the fault is over at once."""
    _inject(plant, switch, 10.0)
    _fault(plant, "relay_reboot")
    assert not any(plant.modules["relays"].on.values())
    assert plant.modules["relays"].booted_s == plant.time_s
    assert not plant.faults.active


@pytest.mark.parametrize(("tank", "litres"), [("b", 10.0), ("a", 0.0), ("a", 200.5)])
def test_a_charge_that_does_not_fit_is_refused(plant: Plant, tank: str, litres: float) -> None:
    """Guards the tank: of this plant, more than nothing, no more than its room of 200 L."""
    with pytest.raises(ChargeError, match=r"expected|known"):
        plant.charge(tank, litres, CALCIUM_NITRATE)


def test_the_real_strength_is_hidden(site: Site) -> None:
    """Guards the honest simulation: the tank is off its label, and the account knows."""
    plant = Plant(site, Tolerances(1, fixed={"strength": 1.01}))
    plant.charge("a", 100.0, CALCIUM_NITRATE)
    assert plant.batches[plant.tanks["a"].batch].nutrients_g_l == pytest.approx({"N": 31.31, "Ca": 37.37})
